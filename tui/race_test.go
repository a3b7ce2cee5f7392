//go:build race

package tui

// raceDetector thins out long tests: the detector makes them many times slower.
const raceDetector = true
