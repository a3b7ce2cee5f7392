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
// least squares over all starts and ends, from frames at several distances; then
// the ends are moved to where the ninths of the picture agree, whose energies
// dip and whose brightness changes in a straight line (a production model, as in
// Hampapur, Jain and Weymouth, "Production model based digital video
// segmentation", 1995). Odds learnt from made-up films choose. Cost: eight
// comparisons of tiny frames a frame, some 20 ms a candidate. Known failure:
// shots of very fast motion, dissolves between like pictures, and shorter than
// six frames.

// spans are the distances, in frames, at which candidates are looked for;
// doubles of them are compared too.
var spans = [...]int{5, 9, 14, 21}

const (
	tinyRing      = 192 // tinys kept
	dissolveAhead = 44  // frames that must have come before a candidate is fitted
	dissolveBack  = 44
	bestAround    = 6    // a candidate is the best within so many frames
	minBlend      = 0.16 // least blend score of a candidate
	minDissolve   = 6
	maxDissolve   = 48
	maxPairAlike  = 0.7 // ends more alike than this are one shot
	maxCurveMiss  = 0.020
	maxDip        = 0.8
	leastOdds     = 0 // logarithm
	minWhole      = 4 // frames of a shot between a cut and a dissolve
)

// blendTrack keeps what finds dissolves.
type blendTrack struct {
	raw    [3]tiny // the newest frames as they came
	pushed int
	ring   [tinyRing]tiny // settled
	count  int            // settled, one behind pushed
	levels []level
	sim    [2 * len(spans)][]float32 // likeness to the frame spans[i], then 2*spans[i], before
	score  []float32                 // blend score of each frame
	done   int                       // frames looked at as candidates
	found  []cutlist.Cut
	isCut  func(k int) bool // a hard cut at k, as far as frames have come
}

func (b *blendTrack) at(k int) *tiny { return &b.ring[k%tinyRing] }

func (b *blendTrack) push(g Grey) {
	b.raw[b.pushed%3].shrink(g)
	b.pushed++
	if b.pushed > 1 {
		b.take(max(0, b.pushed-3), b.pushed-2, b.pushed-1)
	}
}

// take settles frame k between two others and compares it with those before.
func (b *blendTrack) take(before, k, after int) {
	t := b.at(k)
	t.settle(&b.raw[before%3], &b.raw[k%3], &b.raw[after%3])
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
}

// lookTo looks at the candidates around which hard cuts are known.
func (b *blendTrack) lookTo(judged int) {
	for b.done+dissolveAhead < min(judged, b.count) {
		b.look(b.done)
		b.done++
	}
}

// settleLast takes in the last frame.
func (b *blendTrack) settleLast() {
	if k := b.pushed - 1; k >= 0 && b.count == k {
		b.take(max(0, k-1), k, k)
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
	lo, hi := b.shotAround(c)
	if c-lo < minDissolve/2 || hi-c < minDissolve/2 {
		return
	}
	first, odds := b.newFitting(c, lo, hi).best(s)
	if odds < leastOdds || first.s-lo < minWhole && b.isCut(lo) || hi-first.e < minWhole && b.isCut(hi) {
		return
	}
	b.found = append(b.found, cutlist.Cut{Frame: int64(first.s), End: int64(first.e), Kind: cutlist.Dissolve,
		Confidence: 1 / (1 + math.Exp(-odds))})
}

// shotAround is from where to where no hard cut is, within reach of a fit.
func (b *blendTrack) shotAround(c int) (lo, hi int) {
	lo, hi = max(0, c-dissolveBack), min(b.count, c+dissolveAhead)
	for k := c; k > lo; k-- {
		if b.isCut(k) {
			lo = k
		}
	}
	for k := c + 1; k < hi; k++ {
		if b.isCut(k) {
			hi = k
		}
	}
	return lo, hi
}

// flicker is the gain of frame k's energy against its neighbourhood's.
func (b *blendTrack) flicker(k int) float64 {
	var near []float64
	for j := max(0, k-3); j <= min(b.count-1, k+3); j++ {
		near = append(near, b.levels[j].mean)
	}
	g := (b.levels[k].mean + 1) / (middle(near) + 1)
	return g * g
}

func middle(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}
