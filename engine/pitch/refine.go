package pitch

import "math"

// refiner finds the delay between two short windows that lie symmetrically
// about a frame's centre, a whole number of periods apart: Gauss-Newton on the
// squared difference (Lucas & Kanade 1981). Being symmetric it reads the pitch
// at the centre even while the pitch moves.
type refiner struct {
	b                          *band
	left, right, dleft, dright []float64
	hann                       []float64
}

const (
	baselineSeconds = 0.009 // windows lie about this far apart, or one period
	windowSeconds   = 0.016 // Hann windows of this length, or two periods
	refineSteps     = 3
	maxRefine       = 0.06 // a larger move than this share of a period is not believed
	tapsHalf        = 8    // interpolation reaches this many samples each way
)

func newRefiner(b *band) *refiner { return &refiner{b: b} }

// refine reads the pitch at a sample, near hz: first over one period, which
// cannot be mistaken, then over as many as the baseline holds.
func (r *refiner) refine(sample int64, hz float64) float64 {
	c := r.b.index(sample)
	period, ok := r.settle(c, r.b.rate/hz, 1)
	if n := math.Round(baselineSeconds * hz); n > 1 && ok {
		period, _ = r.settle(c, period, n)
	}
	return r.b.rate / period
}

// settle iterates over windows n periods apart; the period as given, and
// false, when it wanders off.
func (r *refiner) settle(c, period, n float64) (float64, bool) {
	half := int(math.Max(windowSeconds*r.b.rate, 2*period) / 2)
	base := n * period
	for range refineSteps {
		move, ok := r.delay(c, base, half)
		base += move
		if !ok || math.Abs(base-n*period) > maxRefine*period {
			return period, false
		}
		if math.Abs(move) < 1e-4 {
			break
		}
	}
	return base / n, true
}

// delay is the Gauss-Newton step for windows base apart.
func (r *refiner) delay(c, base float64, half int) (float64, bool) {
	r.left, r.dleft = r.b.shifted(r.left, r.dleft, c-base/2, half)
	r.right, r.dright = r.b.shifted(r.right, r.dright, c+base/2, half)
	// Two unknowns, so that a growing or dying voice does not pass for a change
	// of period: the delay against g, the gain against the windows' mean.
	var eg, es, gg, gs, ss float64
	window := r.window(half)
	for j := range r.left {
		win := window[j]
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

// window is a Hann window of 2*half+1 points; the last one made is kept.
func (r *refiner) window(half int) []float64 {
	if len(r.hann) == 2*half+1 {
		return r.hann
	}
	r.hann = make([]float64, 2*half+1)
	for j := range r.hann {
		r.hann[j] = 0.5 + 0.5*math.Cos(math.Pi*float64(j-half)/float64(half+1))
	}
	return r.hann
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
