package mix

import (
	"math"

	"cuechoir/internal/dsp"
)

// highPass is a second-order Butterworth high-pass, 12 dB an octave. It runs
// its section itself, as what it forgets of a dying tail must not depend on
// where blocks end. Products are rounded before they are summed, for the same
// bits on every processor.
type highPass struct {
	dsp.Coefficients
	s1, s2 float64
}

func newHighPass(hz float64, sampleRate int) (*highPass, error) {
	c, err := dsp.ButterworthHighpass(2, hz, float64(sampleRate))
	if err != nil {
		return nil, err
	}
	return &highPass{Coefficients: c[0]}, nil
}

func (h *highPass) run(x []float64) {
	const tiny = 1e-30 // far below hearing; keeps silence off slow denormal numbers
	s1, s2 := h.s1, h.s2
	for i, v := range x {
		y := float64(h.B0*v) + s1
		s1 = float64(h.B1*v) - float64(h.A1*y) + s2
		s2 = float64(h.B2*v) - float64(h.A2*y)
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
