package pitch

import "math"

// refiner finds the delay between two short windows that lie symmetrically
// about a frame's centre, a whole number of periods apart: Gauss-Newton on the
// squared difference (Lucas & Kanade 1981). Being symmetric it reads the pitch
// at the centre even while the pitch moves.
//
// The windows stand on whole samples, so nothing is interpolated: each pass
// reads what is left of the delay from the slopes, and the next one starts on
// the sample nearest to it. What is left at last is half a sample at most, of
// which the linear reading loses (w/2)^2/3, w the partial's radians a sample:
// 0.03 cents for partials of 1 kHz, a third of a cent for one of 3.6 kHz alone.
type refiner struct {
	y, slope []float32
	rate     float64
	windows  [][]float32 // Hann windows by half length, made when first used
}

const (
	baselineSeconds = 0.009 // windows lie about this far apart, or one period
	windowSeconds   = 0.016 // Hann windows of this length, or two periods
	refineSteps     = 4
	onShare         = 0.8  // of the way on is believed
	onMost          = 0.03 // octaves, and no more
	maxRefine       = 0.06 // a larger move than this share of a period is not believed
)

func newRefiner(y, slope []float32, rate, minHz float64) *refiner {
	longest := int(math.Max(windowSeconds/2, 1.5/minHz)*rate) + 1
	return &refiner{y: y, slope: slope, rate: rate, windows: make([][]float32, longest+1)}
}

// refineRuns reads each voiced frame. Where a run begins or ends the windows
// would hang out of the sound: there the nearest place is read at which they do
// not, 13 ms inside, and a part of the way on from it is added.
func (r *refiner) refineRuns(b *band, frames []Frame) {
	for i, j := range runsOfVoice(frames) {
		at := func(k int) float64 { return float64(b.pad) + b.index(frames[k].Sample) }
		first, last := at(i), at(j-1)
		for k := i; k < j; k++ {
			reach := math.Max(baselineSeconds+windowSeconds, 3/frames[k].Hz) / 2 * r.rate
			reach = min(reach, (last-first)/2)
			inside := max(first+reach, min(last-reach, at(k)))
			hz := r.refine(inside, frames[k].Hz)
			if way := inside - at(k); math.Abs(way) > 1 && last-first > 4*reach {
				more := math.Log2(hz/r.refine(inside+math.Copysign(reach, way), hz)) * math.Abs(way) / reach
				hz *= math.Exp2(onShare * max(-onMost, min(onMost, more)))
			}
			frames[k].Hz = hz
		}
	}
}

// refine reads the pitch at an index of y, near hz: first over one period,
// which cannot be mistaken, then over as many as the baseline holds.
func (r *refiner) refine(at, hz float64) float64 {
	period, ok := r.settle(at, r.rate/hz, 1)
	if n := math.Round(baselineSeconds * hz); n > 1 && ok {
		period, _ = r.settle(at, period, n)
	}
	return r.rate / period
}

// settle iterates over windows n periods apart; the period as given, and
// false, when it wanders off.
func (r *refiner) settle(at, period, n float64) (float64, bool) {
	half := int(math.Max(windowSeconds*r.rate, 2*period) / 2)
	if half >= len(r.windows) {
		return period, false
	}
	base := int(math.Round(n * period))
	for step := 1; ; step++ {
		left := int(math.Round(at - float64(base)/2))
		move, ok := r.delay(left, base, half)
		found := (float64(base) + move) / n
		if !ok || math.Abs(found-period) > maxRefine*period {
			return period, false
		}
		if math.Abs(move) <= 0.5 || step == refineSteps {
			return found, math.Abs(move) <= 1
		}
		base = int(math.Round(found * n))
	}
}

// delay is the Gauss-Newton step for windows about the samples left and
// left+base.
func (r *refiner) delay(left, base, half int) (float64, bool) {
	from, n := left-half, 2*half+1
	if from < 0 || from+base+n > len(r.y) {
		return 0, false
	}
	window := r.window(half)
	a, b := r.y[from:from+n], r.y[from+base:from+base+n]
	da, db := r.slope[from:from+n], r.slope[from+base:from+base+n]
	// Two unknowns, so that a growing or dying voice does not pass for a change
	// of period: the delay against the slope, the gain against the sum.
	var eg, es, gg, gs, ss float32
	a, b, da, db = a[:len(window)], b[:len(window)], da[:len(window)], db[:len(window)]
	for j, w := range window {
		g, s := da[j]+db[j], a[j]+b[j]
		e := a[j] - b[j]
		wg, ws := w*g, w*s
		eg += e * wg
		es += e * ws
		gg += g * wg
		gs += s * wg
		ss += s * ws
	}
	det := float64(gg)*float64(ss) - float64(gs)*float64(gs)
	if !(det > 1e-6*float64(gg)*float64(ss)) {
		return 0, false
	}
	return 2 * (float64(eg)*float64(ss) - float64(es)*float64(gs)) / det, true
}

// window is a Hann window of 2*half+1 points.
func (r *refiner) window(half int) []float32 {
	if r.windows[half] == nil {
		w := make([]float32, 2*half+1)
		for j := range w {
			w[j] = float32(0.5 + 0.5*math.Cos(math.Pi*float64(j-half)/float64(half+1)))
		}
		r.windows[half] = w
	}
	return r.windows[half]
}
