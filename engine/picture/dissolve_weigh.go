package picture

import (
	"cmp"
	"math"
	"slices"
)

// Weighing. Aim: of all the ends that fits around a frame find, those that are
// right, and the odds that they are. Method: a logistic regression (Cox, "The
// regression analysis of binary sequences", 1958) over what speaks for and
// against some ends; for the few that it takes for likely, both pictures are
// followed (dissolve_follow.go), the ends moved, and a second regression weighs
// what is seen then. Both are learnt from made-up films, clean and aged, of seeds
// 3000 to 3015 and 4000 to 4031, which no test uses.

// ends are where a dissolve may begin and end: its first mixed frame and its
// first whole one.
type ends struct{ s, e int }

const (
	weighMargin = 12 // frames on each side of a mix that are weighed
	weighPasses = 3  // of mixOf
	featureN    = 22
	mostOdd     = 0.3 // what a share is off by counts up to this
)

// weigh measures what speaks for a dissolve with these ends.
func (f *fitting) weigh(h ends) [featureN]float64 {
	a, z, from, to := f.about(h)
	f.passes = weighPasses
	f.takeShares(a, z, from, to)
	return f.features(h, a, z, from, to)
}

// about are the whole frames beside a mix, and the frames from from to to-1
// that tell of it.
func (f *fitting) about(h ends) (a, z, from, to int) {
	return max(f.lo, h.s-2), min(f.hi-1, h.e+1), max(f.lo, h.s-weighMargin), min(f.hi, h.e+weighMargin)
}

// features are what the shares of frames from from to to-1 and the ninths of the
// picture say of a dissolve, when frames a and z are whole.
func (f *fitting) features(h ends, a, z, from, to int) [featureN]float64 {
	f.takeNinths(from, to)
	n := float64(to - from)
	s, e := h.s-from, h.e-from
	miss := f.ramp(s, e, math.Inf(1)) / n
	step := math.Inf(1) // the same of the best hard cut instead
	for k := s; k <= e; k++ {
		step = min(step, f.ramp(k, k, step*n)/n)
	}
	near := miss // and of ends three frames away
	for _, d := range [...][2]int{{-3, 0}, {3, 0}, {0, -3}, {0, 3}, {-3, 3}, {3, -3}, {3, 3}, {-3, -3}} {
		if u, v := s+d[0], e+d[1]; v-u > 2 {
			near = min(near, f.ramp(u, v, math.Inf(1))/n)
		}
	}
	dip, blocks := blocksMiss(&f.en, s, e)
	in := f.within(s, e)
	low, high := f.oddIn(0, s, 0), -f.oddIn(e, to-from, 1)
	return [featureN]float64{
		math.Log(miss + 0.0005), math.Log(step + 0.0005),
		math.Log(f.offIn(s, e) + 0.01), math.Log(f.offIn(0, s) + 0.01), math.Log(f.offIn(e, to-from) + 0.01),
		math.Log(apartness(f.b.at(a).cells, f.b.at(z).cells) + 1), alikeAcross(f.b.at(a), f.b.at(z)),
		min(blocks, 1.5), math.Log(dip + 0.002), math.Log(min(tonesMiss(&f.tone, s, e), 1) + 0.005),
		math.Log(float64(e - s)), math.Log((near + 0.0005) / (miss + 0.0005)),
		in.worst, math.Log(in.bent + 0.0005), in.early, in.late,
		max(0, -low), max(0, low), max(0, -high), max(0, high),
		math.Log(in.rough + 0.0002), f.middlingOf(h),
	}
}

// mixSigns are what the shares within a mix are off by.
type mixSigns struct {
	worst       float64 // the greatest disagreement of the cells
	bent        float64 // mean squared distance from the ramp
	early, late float64 // mean distance over the first and the second half, by all frames
	rough       float64 // mean squared distance of the steps from the ramp's
}

func (f *fitting) within(s, e int) (m mixSigns) {
	n := float64(e - s)
	for t := s; t < e; t++ {
		m.worst = max(m.worst, f.off[t])
		d := bounded(f.share[t] - float64(t-s+1)/(n+1))
		m.bent += d * d / n
		if t-s < (e-s)/2 {
			m.early += d / n
		} else {
			m.late += d / n
		}
		if t > max(s, 1)-1 && t > 0 {
			d := bounded(f.share[t] - f.share[t-1] - 1/(n+1))
			m.rough += d * d / n
		}
	}
	return m
}

func bounded(d float64) float64 { return max(-mostOdd, min(mostOdd, d)) }

// oddIn is the mean distance of some shares from what they ought to be.
func (f *fitting) oddIn(from, to int, want float64) (mean float64) {
	for _, u := range f.share[from:to] {
		mean += bounded(u-want) / float64(to-from)
	}
	return mean
}

// middlingOf is how near the middle of a mix is to the middle of its ends.
func (f *fitting) middlingOf(h ends) float64 {
	m, half := (h.s+h.e)/2, (h.e-h.s+1)/2
	if m-half < max(0, f.lo) || m+half >= f.hi {
		return 0
	}
	return float64(f.b.middling(m, half))
}

// The weights: the constant, then those of what features gives; of the last, that
// of the first odds too.
var (
	firstWeights = [featureN + 1]float64{
		7.727, -1.669, 2.589, 2.857, 0.139, 0.237, 0.504, -1.083, -2.888, 0.217, -0.608, -1.812,
		-0.230, -5.033, 0.618, 0.265, -3.226, -10.801, -1.243, -11.633, 0.620, -0.824, 0.599,
	}
	lastWeights = [featureN + 2]float64{
		10.538, -1.743, 3.537, 3.502, 0.167, 0.326, 0.455, -0.475, -3.412, 0.301, -0.575, -1.674,
		0.810, -6.021, 0.812, 0.931, -5.470, -3.824, 2.731, -8.325, 4.516, -1.517, -0.141, 0.087,
	}
)

func weighted(w []float64, x []float64) float64 {
	y := w[0]
	for i, v := range x {
		y += w[i+1] * v
	}
	return y
}

// weighedEnds are ends with the logarithm of their odds.
type weighedEnds struct {
	ends
	odds float64
}

// bestEnds are the ends of the dissolve around frame c, and the logarithm of the
// odds that there is one and both are right.
func (f *fitting) bestEnds(c int) (ends, float64) {
	var first []weighedEnds
	for _, h := range f.guesses(c) {
		x := f.weigh(h)
		if y := weighted(firstWeights[:], x[:]); y > leastFirst {
			first = append(first, weighedEnds{h, y})
		}
	}
	slices.SortStableFunc(first, func(a, b weighedEnds) int { return cmp.Compare(b.odds, a.odds) })
	var last []weighedEnds
	for _, g := range first[:min(len(first), mostPursued)] {
		h, x := f.pursued(g.ends)
		last = append(last, weighedEnds{h, weighted(lastWeights[:], append(x[:], g.odds))})
	}
	return agreed(last)
}

const (
	leastFirst  = -3.0
	mostPursued = 3
	agreeWithin = 5 // frames
)

// agreed is the mean of the ends near those of the best odds, by the root of
// their odds; with the best odds.
func agreed(all []weighedEnds) (ends, float64) {
	best := weighedEnds{odds: math.Inf(-1)}
	for _, h := range all {
		if h.odds > best.odds {
			best = h
		}
	}
	if len(all) == 0 {
		return best.ends, best.odds
	}
	var sum, s, e float64
	for _, h := range all {
		if max(h.s-best.s, best.s-h.s, h.e-best.e, best.e-h.e) <= agreeWithin {
			w := math.Exp((h.odds - best.odds) / 2)
			sum, s, e = sum+w, s+w*float64(h.s), e+w*float64(h.e)
		}
	}
	return ends{int(math.Round(s / sum)), int(math.Round(e / sum))}, best.odds
}
