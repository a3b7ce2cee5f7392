// Package dsp holds the plain tools of signal processing that several parts
// of the program share: a real FFT and correlation by it, windows, second-order
// filters, a sample-rate converter, and levels in decibels.
//
// Signals are mono. Frequencies are in Hz, levels in dB (20·log10 of an
// amplitude), positions in samples. Nothing here keeps state between calls
// except the types that say so, and those are for one goroutine each.
package dsp
