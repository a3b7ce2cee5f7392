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
	maxTail     = 10 // frames of a fade that look flat already
	maxFadeMiss = 0.03
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
	lo := a // back to the flat run before, if there is one
	for lo > 0 && !l[lo-1].flat() && shots[lo-1] == shots[max(0, a-1)] && a-lo < maxFade+plateau {
		lo--
	}
	if a-lo < minFade {
		return 0, 0, 0
	}
	tone := toneOf(l[a:b])
	best := math.Inf(1)
	for end := max(lo+1, a-1); end <= min(b, a+maxTail); end++ {
		for start := max(lo, end-maxFade); start <= end; start++ {
			if miss := missOfFall(l, lo, start, end, tone); miss < best {
				best, s, e = miss, start, end
			}
		}
	}
	if e-s < minFade || best > maxFadeMiss || falls(l, s, e, tone) {
		return 0, 0, 0
	}
	return s, e, 1 - best/maxFadeMiss/2
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

// missOfFall is the mean squared distance of the levels from a fall between
// start and end, in parts of the fall squared.
func missOfFall(l []level, lo, start, end int, tone level) float64 {
	from, to := max(lo, start-plateau), min(len(l), end+2)
	var sr, rr, sm, mm float64
	share := func(t int) float64 { return max(0, min(1, float64(end-t)/float64(end-start+1))) }
	for t := from; t < to; t++ {
		w := share(t)
		sr, rr = sr+w*over(l[t], tone), rr+w*w
		sm, mm = sm+w*(l[t].mean-tone.mean), mm+w*w
	}
	if rr == 0 {
		return math.Inf(1)
	}
	p, m := sr/rr, sm/mm
	if p < 2*flatSpread {
		return math.Inf(1)
	}
	var missR, missM float64
	for t := from; t < to; t++ {
		w := share(t)
		dr := over(l[t], tone) - w*p
		dm := l[t].mean - tone.mean - w*m
		missR, missM = missR+dr*dr, missM+dm*dm
	}
	n := float64(to - from)
	missR /= n * p * p
	missM /= n * max(m*m, p*p)
	return (missR + missM) / 2
}

// over is the contrast of a picture under the grain of a flat run: independent
// variances add.
func over(l, tone level) float64 {
	return math.Sqrt(max(0, l.spread*l.spread-tone.spread*tone.spread))
}
