package picture

import (
	"math"

	"cuechoir/engine/cutlist"
)

// Dissolves. Aim: the first mixed frame and the first whole one of each.
// Method: in a dissolve from A to B a frame is g((1-u)A + uB), with u rising in
// a line and a gain g that flickers (a production model, as in Hampapur, Jain
// and Weymouth, "Production model based digital video segmentation", 1995). The
// model is held to the brightness of some 190 cells of the picture, which are so
// large that weave and a hand-held camera hardly matter. A frame is a candidate
// where it is nearer to the middle of two frames, as far before as after, than
// those are to one another; motion alone leaves it about as far. Around a
// candidate some lengths are tried: each shot is seen without what moves before
// it (plate.go) and followed through the mix (dissolve_follow.go), and the ends
// moved to where that explains all frames best (plate_cost.go). More witnesses
// are the structure's energy, which dips by the variance parabola (1-u)²EA + u²EB
// (Alattar 1993; Lienhart, "Comparison of automatic shot boundary detection
// algorithms", SPIE 3656, 1999, 2.4) and the brightness of the ninths of the
// picture. A perceptron learnt from made-up films chooses (dissolve_weigh.go).
// Cost: some microseconds a frame, three milliseconds a candidate, twenty for a
// likely one. Dissolves of more than 48 frames, and those of films of 50 or 60
// pictures a second, are seen in every second frame (detect.go). Known failure:
// what hides most of a picture for as long as the dissolve lasts, dissolves
// between like pictures, and those shorter than six frames or longer than 96.

// spans are the distances, in frames, at which candidates are looked for.
var spans = [...]int{5, 8, 12, 17, 24}

const (
	tinyRing      = 192 // tinys kept
	dissolveAhead = 56  // frames that must have come before a candidate is fitted
	dissolveBack  = 56
	bestAround    = 4 // a candidate is the best within so many frames
	minDissolve   = 6
	maxDissolve   = 48
	leastApart    = 16.0 // squared levels between A and B, a cell
	mostBent      = 0.45 // squared distance from the middle of A and B, in parts of their half distance
	leastScore    = 0.3  // of a candidate as the middle of a dissolve, 0 to 1
	surely        = 0.85 // the confidence of a find within which no other is looked for
	leastOdds     = -0.6 // logarithm
	minWhole      = 4    // frames of a shot between a cut and a dissolve
)

// blendTrack keeps what finds dissolves.
type blendTrack struct {
	raw      [3]tiny // the newest frames as they came
	pushed   int
	ring     [tinyRing]tiny // settled
	count    int            // settled, one behind pushed
	levels   []level
	score    []float32 // of each frame as the middle of a dissolve
	done     int       // frames looked at as candidates
	found    []cutlist.Cut
	isCut    func(k int) bool // a hard cut at k, as far as frames have come
	spans    []int
	fit      fitting
	fades    fadeTrack
	plainCut func(k int) bool
}

func (b *blendTrack) at(k int) *tiny { return &b.ring[k%tinyRing] }

func (b *blendTrack) push(g Grey) {
	b.raw[b.pushed%3].shrink(g)
	b.pushed++
	if b.pushed > 1 {
		b.take(max(0, b.pushed-3), b.pushed-2, b.pushed-1)
	}
}

// take settles frame k between two others.
func (b *blendTrack) take(before, k, after int) {
	t := b.at(k)
	t.settle(&b.raw[before%3], &b.raw[k%3], &b.raw[after%3])
	b.levels = append(b.levels, level{t.spread, t.mean})
	b.score = append(b.score, 0)
	b.count++
	for _, h := range b.spans {
		if c := k - h; c >= h {
			b.score[c] = max(b.score[c], b.middling(c, h))
		}
	}
}

// middling is how near frame c is to the middle of the frames h before and h
// after, 0 to 1, whatever its gain.
func (b *blendTrack) middling(c, h int) float32 {
	a, f, z := b.at(c-h).cells, b.at(c).cells, b.at(c+h).cells
	var af, zf, az, aa, zz, ff float32
	for i, v := range f {
		p, q := a[i], z[i]
		af, zf, az = af+p*v, zf+q*v, az+p*q
		aa, zz, ff = aa+p*p, zz+q*q, ff+v*v
	}
	mm, fm := (aa+zz+2*az)/4, (af+zf)/2
	apart := (aa + zz - 2*az) / 4
	if apart < leastApart/4*float32(len(f)) || mm <= 0 {
		return 0
	}
	g := max(1/maxFlicker, min(maxFlicker, fm/mm))
	bent := (ff - 2*g*fm + g*g*mm) / apart
	return max(0, 1-bent/mostBent)
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
	if s < leastScore || b.fit.watch == nil && b.isFound(c) {
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
	b.fit.b, b.fit.lo, b.fit.hi = b, lo, hi
	g, odds := b.fit.bestEnds(c)
	if odds < leastOdds || g.s-lo < minWhole && b.isCut(lo) || hi-g.e < minWhole && b.isCut(hi) {
		return
	}
	b.found = append(b.found, cutlist.Cut{Frame: int64(g.s), End: int64(g.e), Kind: cutlist.Dissolve,
		Confidence: 1 / (1 + math.Exp(-odds))})
}

// isFound tells whether frame c is in a dissolve that is found with confidence.
func (b *blendTrack) isFound(c int) bool {
	for i := len(b.found) - 1; i >= max(0, len(b.found)-3); i-- {
		if f := b.found[i]; f.Confidence > surely && int64(c) >= f.Frame && int64(c) < f.End {
			return true
		}
	}
	return false
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
	var near [7]float64
	n := 0
	for j := max(0, k-3); j <= min(b.count-1, k+3); j++ {
		near[n] = b.levels[j].mean
		n++
	}
	g := (b.levels[k].mean + 1) / (middle(near[:n]) + 1)
	return g * g
}
