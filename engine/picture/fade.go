package picture

import (
	"cmp"
	"math"
	"slices"

	"cuechoir/engine/cutlist"
)

// Fades. Aim: the first and last frame of each fall to, and rise from, a frame
// of one tone. Method: runs of frames without contrast are found (monochrome
// frames: Lienhart, "Comparison of automatic shot boundary detection
// algorithms", SPIE 3656, 1999, 2.3); beside each, a straight ramp of contrast
// and of brightness between the shot's own and the tone's is fitted by least
// squares over all starts and ends. Known failure: a shot whose contrast itself
// changes as it fades; a fade to grey.
const (
	flatSpread  = 5.0 // levels; a run of frames below it has no contrast
	blackBelow  = 48.0
	whiteAbove  = 208.0
	minFade     = 4  // frames; shorter is a cut
	maxFade     = 72 // frames
	plateau     = 10 // frames of the whole shot that a fit looks at
	maxTail     = 10 // frames of a fade that look flat already,
	longTail    = 26 // and of a long one, whose end is not within maxTail
	maxFadeMiss = 0.08
	maxStep     = 0.5 // of the contrast, within a fade
)

// level is what a fade is found by: one frame's contrast and brightness.
type level struct{ spread, mean float64 }

func (l level) flat() bool {
	return l.spread < flatSpread && (l.mean < blackBelow || l.mean > whiteAbove)
}

// plainCut is the confidence of a hard cut over which no fade goes.
const plainCut = 0.9

// findFades gives the fades of a film whose hard cuts are known.
func findFades(levels []level, hard []float32) []cutlist.Cut {
	n := len(levels)
	shots := make([]int, n) // the number of each frame's shot
	for k := 1; k < n; k++ {
		shots[k] = shots[k-1]
		if hard[k] > plainCut {
			shots[k]++
		}
	}
	back, backShots := slices.Clone(levels), slices.Clone(shots)
	slices.Reverse(back)
	slices.Reverse(backShots)
	var cuts []cutlist.Cut
	for a := 0; a < n; {
		if !levels[a].flat() {
			a++
			continue
		}
		b := a
		for b < n && levels[b].flat() {
			b++
		}
		if s, e, conf := fitFall(levels, shots, a, b); conf > 0 {
			cuts = append(cuts, cutlist.Cut{Frame: int64(s), End: int64(e), Kind: cutlist.FadeOut, Confidence: conf})
		}
		if s, e, conf := fitFall(back, backShots, n-b, n-a); conf > 0 {
			cuts = append(cuts, cutlist.Cut{Frame: int64(n - e), End: int64(n - s), Kind: cutlist.FadeIn, Confidence: conf})
		}
		a = b
	}
	return cuts
}

// fitFall fits a fall that ends in the flat run from a to b: s is its first
// falling frame, e the first that is flat altogether.
func fitFall(l []level, shots []int, a, b int) (s, e int, conf float64) {
	s, e, conf = fitFallWithin(l, shots, a, b, maxTail)
	if conf > 0 && e == a+maxTail && e < b {
		return fitFallWithin(l, shots, a, b, longTail)
	}
	return s, e, conf
}

// fitFallWithin is fitFall for tails of so many frames.
func fitFallWithin(l []level, shots []int, a, b, tail int) (s, e int, conf float64) {
	lo := a // back to the flat run before, if there is one
	for lo > 0 && !l[lo-1].flat() && shots[lo-1] == shots[max(0, a-1)] && a-lo < maxFade+plateau {
		lo--
	}
	if a-lo < minFade {
		return 0, 0, 0
	}
	tone := toneOf(l[a:b])
	f := fall{l: l, lo: lo, to: min(b, a+tail+2), tone: tone, peak: peakOf(l[lo:a], tone), flicker: flickerOf(l, lo, a)}
	best, miss := math.Inf(1), 0.0
	for end := max(lo+1, a-2); end <= min(b, a+tail); end++ {
		for start := max(lo, end-maxFade); start <= end; start++ {
			if off, m := f.off(start, end); off < best {
				best, miss, s, e = off, m, start, end
			}
		}
	}
	if e-s < minFade || miss > maxFadeMiss || falls(l, s, e, tone) {
		return 0, 0, 0
	}
	return s, e, 1 - miss/maxFadeMiss/2
}

// falls tells whether most of the contrast from frame s to frame e goes at once.
func falls(l []level, s, e int, tone level) bool {
	top := 0.0
	for t := max(0, s-plateau); t < e; t++ {
		top = max(top, over(l[t], tone))
	}
	for t := max(1, s); t <= min(e, len(l)-1); t++ {
		if over(l[t-1], tone)-over(l[t], tone) > maxStep*top {
			return true
		}
	}
	return false
}

// toneOf is the level of the flattest third of a flat run: the rest may be the
// tail of a fade.
func toneOf(run []level) level {
	s := slices.Clone(run)
	slices.SortFunc(s, func(a, b level) int { return cmp.Compare(a.spread, b.spread) })
	s = s[:(len(s)+2)/3]
	var sum level
	for _, l := range s {
		sum.spread += l.spread
		sum.mean += l.mean
	}
	n := float64(len(s))
	return level{sum.spread / n, sum.mean / n}
}

// fall is a search for where levels l begin and end to fall to a tone, between
// frames lo and to.
type fall struct {
	l       []level
	lo, to  int
	tone    level
	peak    level // the shot's own
	flicker float64
}

// What levels are off by, apart from flicker, and how much of it counts.
const (
	spreadNoise, meanNoise = 1.0, 0.4
	mostOff                = 9.0
)

// flickerOf is how much brightness changes from frame to frame, as a share.
func flickerOf(l []level, from, to int) float64 {
	var d []float64
	for t := max(1, from); t < to; t++ {
		d = append(d, math.Abs(l[t].mean-l[t-1].mean)/(l[t].mean+1))
	}
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return min(0.1, d[len(d)/2])
}

// off is how far the levels are from a fall between start and end: in squares
// of what noise and flicker do to each, so that dark frames, which flicker
// little, tell where it ends; and in parts of the fall squared.
func (f *fall) off(start, end int) (off, miss float64) {
	from := max(f.lo, start-plateau)
	share := func(t int) float64 { return max(0, min(1, float64(end-t)/float64(end-start+1))) }
	var sr, rr, sm, mm float64
	for t := from; t < f.to; t++ {
		w, l := share(t), f.l[t]
		vs, vm := f.noise(w)
		sr, rr = sr+w*over(l, f.tone)/vs, rr+w*w/vs
		sm, mm = sm+w*(l.mean-f.tone.mean)/vm, mm+w*w/vm
	}
	if rr == 0 {
		return math.Inf(1), 0
	}
	p, m := sr/rr, sm/mm
	if p < 2*flatSpread {
		return math.Inf(1), 0
	}
	var missR, missM float64
	for t := from; t < f.to; t++ {
		w, l := share(t), f.l[t]
		dr, dm := over(l, f.tone)-w*p, l.mean-f.tone.mean-w*m
		off += min(mostOff, f.distance(dr, dm, w*p, f.tone.mean+w*m))
		missR, missM = missR+dr*dr, missM+dm*dm
	}
	n := float64(f.to - from)
	return off / n, (missR/p/p + missM/max(m*m, p*p)) / n / 2
}

// ownChange is how much a shot's contrast and brightness change by themselves.
const ownChange = 0.03

// noise is the variance of contrast and brightness where so much of the shot is
// seen: by the model, since what is seen is darker where flicker is.
func (f *fall) noise(share float64) (spread, mean float64) {
	own := ownChange + f.flicker
	s := spreadNoise + own*share*f.peak.spread
	m := meanNoise + own*(f.tone.mean+share*(f.peak.mean-f.tone.mean))
	return s * s, m * m
}

// peakOf is about the level of the whole shot: its contrast over the tone, and
// its brightness, at the upper quarter.
func peakOf(l []level, tone level) level {
	s := slices.Clone(l)
	slices.SortFunc(s, func(a, b level) int { return cmp.Compare(a.spread, b.spread) })
	p := s[len(s)*3/4]
	return level{over(p, tone), p.mean}
}

// distance is the squared distance of a level from the model's in units of the
// noise, of which flicker moves contrast and brightness together (Mahalanobis).
func (f *fall) distance(dr, dm, spread, mean float64) float64 {
	a, b := spreadNoise+ownChange*spread, meanNoise+ownChange*math.Abs(mean-f.tone.mean)
	x, y := f.flicker*spread, f.flicker*mean
	aa, bb, ab := a*a+x*x, b*b+y*y, x*y
	return (bb*dr*dr + aa*dm*dm - 2*ab*dr*dm) / (aa*bb - ab*ab)
}

// over is the contrast of a picture under the grain of a flat run: independent
// variances add.
func over(l, tone level) float64 {
	return math.Sqrt(max(0, l.spread*l.spread-tone.spread*tone.spread))
}
