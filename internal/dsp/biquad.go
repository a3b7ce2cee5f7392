package dsp

import (
	"math"
	"math/cmplx"
)

// Coefficients are those of a second-order section with a0 = 1:
//
//	y[n] = B0·x[n] + B1·x[n-1] + B2·x[n-2] - A1·y[n-1] - A2·y[n-2]
//
// The zero value is silence; Coefficients{B0: 1} changes nothing.
type Coefficients struct{ B0, B1, B2, A1, A2 float64 }

// Response is the complex gain at a frequency in Hz.
func (c Coefficients) Response(hz, rate float64) complex128 {
	z := cmplx.Rect(1, -2*math.Pi*hz/rate) // z^-1
	num := complex(c.B0, 0) + z*(complex(c.B1, 0)+z*complex(c.B2, 0))
	den := 1 + z*(complex(c.A1, 0)+z*complex(c.A2, 0))
	return num / den
}

// GainDB is the gain at a frequency in dB.
func (c Coefficients) GainDB(hz, rate float64) float64 {
	return AmplitudeToDB(cmplx.Abs(c.Response(hz, rate)))
}

// Biquad runs a second-order section in transposed direct form II with 64-bit
// state. The zero value is silence; set Coefficients at any time.
type Biquad struct {
	Coefficients
	s1, s2 float64
}

// denormal is what the state is cleared under: -600 dBFS, far below any
// output, yet far above the subnormal numbers that make processors slow.
const denormal = 1e-30

// Process filters x in place.
func (b *Biquad) Process(x []float32) {
	b0, b1, b2, a1, a2 := b.B0, b.B1, b.B2, b.A1, b.A2
	s1, s2 := b.s1, b.s2
	for i, v := range x {
		in := float64(v)
		// The conversions keep processors from fusing, so that each
		// computes the same.
		y := float64(b0*in) + s1
		s1 = float64(b1*in) - float64(a1*y) + s2
		s2 = float64(b2*in) - float64(a2*y)
		x[i] = float32(y)
	}
	b.keep(s1, s2)
}

// Process64 is Process for 64-bit samples.
func (b *Biquad) Process64(x []float64) {
	s1, s2 := b.s1, b.s2
	for i, in := range x {
		y := float64(b.B0*in) + s1
		s1 = float64(b.B1*in) - float64(b.A1*y) + s2
		s2 = float64(b.B2*in) - float64(b.A2*y)
		x[i] = y
	}
	b.keep(s1, s2)
}

// keep stores the state; what is too small to matter, or broken, becomes 0.
func (b *Biquad) keep(s1, s2 float64) {
	if !(math.Abs(s1) > denormal) || math.IsInf(s1, 0) {
		s1 = 0
	}
	if !(math.Abs(s2) > denormal) || math.IsInf(s2, 0) {
		s2 = 0
	}
	b.s1, b.s2 = s1, s2
}

// Reset forgets the signal so far.
func (b *Biquad) Reset() { b.s1, b.s2 = 0, 0 }
