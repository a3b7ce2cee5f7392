package dsp

import (
	"math"

	"cuechoir/internal/fault"
)

// Aim: read a sound along a clock that runs a little fast or slow, and may
// change its pace on the way.
// Method: the windowed sinc of Resample, at any place between samples: the two
// nearest of maxPhases rows of coefficients, interpolated.
// Cost: two products of 2·halfTaps an output sample.
// Known failure: as for Resample; a clock more than MaxWarp off is refused,
// since the filter is made for a rate that hardly changes.

// MaxWarp is how far a clock may be off: half a percent.
const MaxWarp = 0.005

// Warp gives n samples: number k is x read at position at(k), in samples of x
// from its first, which may lie between two and outside of x, where all is
// silence. Neighbouring positions are 1 ± MaxWarp apart. Errors: Usage for a
// clock that is further off, or a position that is no number.
func Warp(x []float32, n int, at func(k int) float64) ([]float32, error) {
	if n <= 0 {
		return nil, nil
	}
	rows := sincRows(halfTaps, 1, maxPhases, maxPhases+1)
	wide := make([]float64, 0, 2*halfTaps) // the stretch of x under the kernel
	out := make([]float32, n)
	last := math.NaN()
	for k := range out {
		p := at(k)
		// Room for the rounding of positions up to years in.
		if step := p - last; math.Abs(p) > 1<<50 || p != p || math.Abs(step-1) > MaxWarp+1e-6 {
			return nil, fault.New(fault.Usage, "sample %d would be read at %g after %g: a clock may be off by at most %g %%", k, p, last, 100*MaxWarp)
		}
		last = p
		whole := math.Floor(p)
		from := int64(whole) - halfTaps + 1
		if from >= int64(len(x)) || from+2*halfTaps <= 0 {
			continue
		}
		wide = wide[:0]
		for i := from; i < from+2*halfTaps; i++ {
			v := 0.0
			if i >= 0 && i < int64(len(x)) {
				v = float64(x[i])
			}
			wide = append(wide, v)
		}
		phase := (p - whole) * maxPhases
		row := int(phase)
		a, b := dot(rows[row], wide), dot(rows[row+1], wide)
		out[k] = float32(a + (b-a)*(phase-float64(row)))
	}
	return out, nil
}
