package mix

import "math"

// highPass is a second-order Butterworth high-pass, 12 dB an octave (Audio EQ
// Cookbook, R. Bristow-Johnson: HPF with Q = 1/sqrt 2), state in float64 and
// products rounded before they are summed, for the same bits everywhere.
type highPass struct {
	b0, b1, a1, a2 float64 // b2 is b0
	s1, s2         float64
}

func newHighPass(hz float64, sampleRate int) *highPass {
	sin, cos := math.Sincos(2 * math.Pi * hz / float64(sampleRate))
	alpha := sin / math.Sqrt2
	a0 := 1 + alpha
	return &highPass{b0: (1 + cos) / 2 / a0, b1: -(1 + cos) / a0, a1: -2 * cos / a0, a2: (1 - alpha) / a0}
}

func (h *highPass) run(x []float64) {
	const tiny = 1e-30 // far below hearing; keeps silence off slow denormal numbers
	s1, s2 := h.s1, h.s2
	for i, v := range x {
		y := float64(h.b0*v) + s1
		s1 = float64(h.b1*v) - float64(h.a1*y) + s2
		s2 = float64(h.b0*v) - float64(h.a2*y)
		if math.Abs(s1) < tiny {
			s1 = 0
		}
		if math.Abs(s2) < tiny {
			s2 = 0
		}
		x[i] = y
	}
	h.s1, h.s2 = s1, s2
}
