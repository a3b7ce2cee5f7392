package track

import (
	"math"
	"slices"

	"cuechoir/internal/dsp"
)

// echo is one chirp as it was found.
type echo struct {
	lag      int64
	fraction float64
	like     float64 // 0 to 1
	inverted bool
}

// medianOf gives the echo of the middle lag.
func medianOf(found []echo) echo {
	sorted := slices.Clone(found)
	slices.SortFunc(sorted, func(a, b echo) int { return int(a.lag - b.lag) })
	return sorted[len(sorted)/2]
}

// find looks for each chirp in the input.
func (m *measurement) find(x []float32, lost []bool) ([]echo, error) {
	var found []echo
	for _, start := range m.starts {
		end := start + int64(len(m.chirp)) + m.o.MaxDelay
		if slices.Contains(lost[start:end], true) {
			continue
		}
		e, ok, err := m.match(x[start:end])
		if err != nil {
			return nil, err
		}
		if ok {
			found = append(found, e)
		}
	}
	return found, nil
}

// match finds the chirp in a window that begins where it was played.
func (m *measurement) match(window []float32) (echo, bool, error) {
	like, err := likeness(window, m.chirp)
	if err != nil {
		return echo{}, false, err
	}
	best := 0
	for k, v := range like {
		if math.Abs(v) > math.Abs(like[best]) {
			best = k
		}
	}
	best = m.direct(like, best)
	top := math.Abs(like[best])
	if top < likeEnough || top < overBackground*background(like) {
		return echo{}, false, nil
	}
	e := echo{lag: int64(best), like: min(top, 1), inverted: like[best] < 0}
	if best > 0 && best < len(like)-1 {
		// The vertex of the parabola through the peak and its neighbours
		// (J. O. Smith, Spectral Audio Signal Processing, «Quadratic Interpolation»).
		a, b, c := math.Abs(like[best-1]), top, math.Abs(like[best+1])
		if bend := a - 2*b + c; bend < 0 {
			e.fraction = min(max((a-c)/(2*bend), -0.5), 0.5)
		}
	}
	return e, true, nil
}

// direct moves from the largest peak to an earlier arrival that is nearly as
// large: the way through the air comes before its reflections.
func (m *measurement) direct(like []float64, best int) int {
	floor, gap := directShare*math.Abs(like[best]), int(directGap*float64(m.rate))
	for k := 1; k < best-gap; k++ {
		v := math.Abs(like[k])
		if v >= floor && v >= math.Abs(like[k-1]) && v >= math.Abs(like[k+1]) {
			return k
		}
	}
	return best
}

// likeness is the correlation coefficient of the chirp with each stretch of
// the window: -1 to 1. Stretches far below the loudest count as silence.
func likeness(window, chirp []float32) ([]float64, error) {
	x, c := make([]float64, len(window)), make([]float64, len(chirp))
	energy := make([]float64, len(window)+1) // running sum of squares
	for i, v := range window {
		x[i] = float64(v)
		energy[i+1] = energy[i] + x[i]*x[i]
	}
	power := 0.0
	for i, v := range chirp {
		c[i] = float64(v)
		power += c[i] * c[i]
	}
	lags := len(window) - len(chirp)
	like, err := dsp.CrossCorrelate(x, c, lags)
	if err != nil {
		return nil, err
	}
	loudest := 0.0
	for k := range like {
		loudest = max(loudest, energy[k+len(chirp)]-energy[k])
	}
	const quiet = 1e-4 // of the loudest stretch's energy: -40 dB
	for k := range like {
		e := max(energy[k+len(chirp)]-energy[k], quiet*loudest)
		if e <= 0 {
			like[k] = 0
			continue
		}
		like[k] /= math.Sqrt(e * power)
	}
	return like, nil
}

// background is the likeness that nineteen in twenty lags stay under.
func background(like []float64) float64 {
	sorted := make([]float64, len(like))
	for i, v := range like {
		sorted[i] = math.Abs(v)
	}
	slices.Sort(sorted)
	return sorted[len(sorted)*19/20]
}
