package picture

import (
	"math"
	"slices"

	"cuechoir/engine/cutlist"
)

// Dissolves. Aim: the first mixed frame and the first whole one of each. In a
// dissolve from A to B, F = (1-u)A + uB, and structures of different shots do
// not correlate, so with energies EA and EB
//
//	E(F)        = (1-u)²EA + u²EB              (a dip: the variance parabola of
//	                                            Alattar, 1993; Lienhart 1999, 2.4)
//	alike(F, A) = (1-u)·sqrt(EA/E(F))
//	alike(F, B) = u·sqrt(EB/E(F))
//
// Method: a frame is a candidate when it is like the frames some way before
// and some way after while those are not like one another: motion alone makes
// all three unlike. The three curves with u rising in a line are then fitted by
// least squares over all starts and ends. Cost: eight comparisons of tiny
// frames a frame. Known failure: shots of very fast motion, dissolves between
// like pictures, and shorter than four frames.

// spans are the distances, in frames, at which candidates are looked for;
// doubles of them are compared too.
var spans = [...]int{4, 7, 11, 16}

const (
	tinyRing      = 128 // tinys kept
	dissolveAhead = 44  // frames that must have come before a candidate is fitted
	dissolveBack  = 44
	bestAround    = 10   // a candidate is the best within so many frames
	minBlend      = 0.16 // least blend score of a candidate
	minDissolve   = 4
	maxDissolve   = 48
	maxPairAlike  = 0.70 // ends more alike than this are one shot
	maxCurveMiss  = 0.020
)

// blendTrack keeps what finds dissolves.
type blendTrack struct {
	ring   [tinyRing]tiny
	count  int
	levels []level
	sim    [2 * len(spans)][]float32 // likeness to the frame spans[i], then 2*spans[i], before
	score  []float32                 // blend score of each frame
	done   int                       // frames looked at as candidates
	found  []cutlist.Cut
}

func (b *blendTrack) at(k int) *tiny { return &b.ring[k%tinyRing] }

func (b *blendTrack) push(g Grey) {
	t := b.at(b.count)
	makeTiny(g, t)
	b.levels = append(b.levels, level{t.spread, t.mean})
	b.score = append(b.score, 0)
	for i := range b.sim {
		back := spans[i%len(spans)]
		if i >= len(spans) {
			back *= 2
		}
		s := float32(1)
		if b.count >= back {
			s = float32(alike(b.at(b.count-back), t))
		}
		b.sim[i] = append(b.sim[i], s)
	}
	for i, h := range spans {
		if c := b.count - h; c >= h {
			near := min(b.sim[i][c], b.sim[i][b.count])
			b.score[c] = max(b.score[c], near-b.sim[i+len(spans)][b.count])
		}
	}
	b.count++
	for b.done+dissolveAhead < b.count {
		b.look(b.done)
		b.done++
	}
}

func (b *blendTrack) finish() []cutlist.Cut {
	for ; b.done < b.count; b.done++ {
		b.look(b.done)
	}
	return b.found
}

// look fits a dissolve around frame c if that is a candidate.
func (b *blendTrack) look(c int) {
	s := b.score[c]
	if s < minBlend {
		return
	}
	for k := max(0, c-bestAround); k <= min(b.count-1, c+bestAround); k++ {
		if b.score[k] > s || b.score[k] == s && k < c {
			return
		}
	}
	lo, hi := max(0, c-dissolveBack), min(b.count, c+dissolveAhead)
	first := b.fit(c, lo, hi, max(lo, c-b.bestSpan(c)), min(hi-1, c+b.bestSpan(c)))
	for range 2 { // again, from frames just outside what was found
		if first.miss > 4*maxCurveMiss {
			return
		}
		again := b.fit(c, lo, hi, max(lo, first.s-2), min(hi-1, first.e+1))
		if again.s == first.s && again.e == first.e {
			break
		}
		first = again
	}
	if first.miss > maxCurveMiss || first.e-first.s < minDissolve || first.pair > maxPairAlike {
		return
	}
	b.found = append(b.found, cutlist.Cut{Frame: int64(first.s), End: int64(first.e), Kind: cutlist.Dissolve,
		Confidence: max(0.05, 1-first.miss/maxCurveMiss/2)})
}

// bestSpan is the span that gave c its score.
func (b *blendTrack) bestSpan(c int) int {
	best, span := float32(-1), spans[0]
	for i, h := range spans {
		if c >= h && c+h < b.count {
			if s := min(b.sim[i][c], b.sim[i][c+h]) - b.sim[i+len(spans)][c+h]; s > best {
				best, span = s, h
			}
		}
	}
	return span
}

type curveFit struct {
	s, e int
	miss float64 // mean squared
	pair float64 // likeness of both ends
}

// fit finds the start and end that explain the curves from lo to hi best,
// taking frames a and z as whole.
func (b *blendTrack) fit(c, lo, hi, a, z int) curveFit {
	n := hi - lo
	toA, toZ, energy := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		t := b.at(lo + i)
		toA[i], toZ[i], energy[i] = alike(b.at(a), t), alike(t, b.at(z)), t.energy
	}
	pair := alike(b.at(a), b.at(z))
	best := curveFit{miss: math.Inf(1), pair: pair}
	for s := max(lo+1, c-maxDissolve); s <= c; s++ {
		for e := max(c+1, s+1); e <= min(hi-1, s+maxDissolve); e++ {
			if m := curveMiss(toA, toZ, energy, s-lo, e-lo, pair); m < best.miss {
				best.s, best.e, best.miss = s, e, m
			}
		}
	}
	return best
}

// curveMargin is how many whole frames on each side a fit looks at.
const curveMargin = 5

// curveMiss is how far the curves are from those of a dissolve whose first
// mixed frame is s and whose first whole frame is e.
func curveMiss(toA, toZ, energy []float64, s, e int, pair float64) float64 {
	from, to := max(0, s-curveMargin), min(len(toA), e+curveMargin)
	ea, ez := middle(energy[from:s]), middle(energy[e:to])
	peak := max(ea, ez)
	var miss float64
	for t := from; t < to; t++ {
		u := max(0, min(1, float64(t-s+1)/float64(e-s+1)))
		mixed := (1-u)*(1-u)*ea + u*u*ez + 2*u*(1-u)*pair*math.Sqrt(ea*ez)
		x, y := (1-u)*math.Sqrt(ea), u*math.Sqrt(ez)
		norm := math.Sqrt(max(mixed, 1e-9))
		da := toA[t] - min(1, (x+pair*y)/norm)
		dz := toZ[t] - min(1, (y+pair*x)/norm)
		de := (energy[t] - mixed) / peak
		miss += (da*da + dz*dz + de*de) / 3
	}
	return miss / float64(to-from)
}

func middle(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}
