package pitch

import "math"

// refiner finds the delay between two short windows that lie symmetrically
// about a frame's centre, a whole number of periods apart: Gauss-Newton on the
// squared difference (Lucas & Kanade 1981). Being symmetric it reads the pitch
// at the centre even while the pitch moves.
type refiner struct {
	b                          *band
	left, right, dleft, dright []float64
}

const (
	baselineSeconds = 0.009 // windows lie about this far apart, or one period
	windowSeconds   = 0.016 // Hann windows of this length, or two periods
	refineSteps     = 3
	maxRefine       = 0.03 // a larger move than this share is not believed
	tapsHalf        = 8    // interpolation reaches this many samples each way
)

func newRefiner(b *band) *refiner { return &refiner{b: b} }

func (r *refiner) refine(sample int64, hz float64) float64 {
	period := r.b.rate / hz
	periods := max(1, math.Round(baselineSeconds*hz))
	half := int(math.Max(windowSeconds*r.b.rate, 2*period) / 2)
	c := r.b.index(sample)
	base := periods * period
	first := base
	for range refineSteps {
		move, ok := r.delay(c, base, half)
		if !ok {
			return hz
		}
		base += move
		if math.Abs(base-first) > maxRefine*period {
			return hz
		}
		if math.Abs(move) < 1e-4 {
			break
		}
	}
	return r.b.rate * periods / base
}

// delay is the Gauss-Newton step for windows base apart.
func (r *refiner) delay(c, base float64, half int) (float64, bool) {
	r.left, r.dleft = r.b.shifted(r.left, r.dleft, c-base/2, half)
	r.right, r.dright = r.b.shifted(r.right, r.dright, c+base/2, half)
	// Two unknowns, so that a growing or dying voice does not pass for a change
	// of period: the delay against g, the gain against the windows' mean.
	var eg, es, gg, gs, ss float64
	w := math.Pi / float64(half+1)
	for j := range r.left {
		// Hann window, from its middle
		win := 0.5 + 0.5*math.Cos(w*float64(j-half))
		g := (r.dleft[j] + r.dright[j]) / 2
		e, s := r.left[j]-r.right[j], (r.left[j]+r.right[j])/2
		eg += win * e * g
		es += win * e * s
		gg += win * g * g
		gs += win * g * s
		ss += win * s * s
	}
	det := gg*ss - gs*gs
	if !(det > 1e-6*gg*ss) {
		return 0, false
	}
	return (eg*ss - es*gs) / det, true
}

// shifted reads 2*half+1 samples and slopes around a fractional index.
func (b *band) shifted(val, slope []float64, at float64, half int) ([]float64, []float64) {
	n := 2*half + 1
	if cap(val) < n {
		val, slope = make([]float64, n), make([]float64, n)
	}
	val, slope = val[:n], slope[:n]
	whole := math.Floor(at)
	taps, dtaps := interpolator(at - whole)
	start := int(whole) - half - tapsHalf + 1
	for j := range val {
		k := start + j
		var v, d float64
		if k >= 0 && k+len(taps) <= len(b.y) {
			for i, s := range b.y[k : k+len(taps)] {
				v += taps[i] * float64(s)
				d += dtaps[i] * float64(s)
			}
		}
		val[j], slope[j] = v, d
	}
	return val, slope
}

// interpolator is a Hann-windowed sinc that reads at frac past its middle
// tap, with its slope by central difference.
func interpolator(frac float64) (taps, slope [2 * tapsHalf]float64) {
	const h = 1e-3
	for i := range taps {
		t := float64(i-tapsHalf+1) - frac
		taps[i] = sincHann(t)
		slope[i] = (sincHann(t-h) - sincHann(t+h)) / (2 * h)
	}
	return taps, slope
}

func sincHann(t float64) float64 {
	if math.Abs(t) >= tapsHalf {
		return 0
	}
	w := 0.5 + 0.5*math.Cos(math.Pi*t/tapsHalf)
	if math.Abs(t) < 1e-9 {
		return w
	}
	return w * math.Sin(math.Pi*t) / (math.Pi * t)
}
