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
var spans = [...]int{5, 9, 14, 21}

const (
	tinyRing      = 192 // tinys kept
	dissolveAhead = 44  // frames that must have come before a candidate is fitted
	dissolveBack  = 44
	bestAround    = 6    // a candidate is the best within so many frames
	minBlend      = 0.16 // least blend score of a candidate
	minDissolve   = 6
	maxDissolve   = 48
	maxPairAlike  = 0.42 // ends more alike than this are one shot
	maxCurveMiss  = 0.020
	maxDipLeft    = 0.4
	maxDoubt      = 0.54
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
	first := b.fit(c, lo, hi, max(lo, c-b.bestSpan(c)), min(hi-1, c+b.bestSpan(c)))
	for range 3 { // again, from frames well outside what was found
		if first.miss > 4*maxCurveMiss {
			return
		}
		out := 3 + (first.e-first.s)/5
		again := b.fit(c, lo, hi, max(lo, first.s-out), min(hi-1, first.e-1+out))
		if again.s == first.s && again.e == first.e {
			break
		}
		first = again
	}
	if first.miss > maxCurveMiss || first.dip > maxDipLeft || first.e-first.s < minDissolve || first.doubt() > maxDoubt {
		return
	}
	b.found = append(b.found, cutlist.Cut{Frame: int64(first.s), End: int64(first.e), Kind: cutlist.Dissolve,
		Confidence: 1 - first.doubt()/maxDoubt/2})
}

// doubt weighs the witnesses against a dissolve: ends that are alike, and dips
// that are not there. The weights are set by hand on made-up films.
func (f curveFit) doubt() float64 { return f.pair + 0.4*f.blocks + 0.5*f.dip }

// shotAround is from where to where no hard cut is, within reach of a fit.
func (b *blendTrack) shotAround(c int) (lo, hi int) {
	lo, hi = max(0, c-dissolveBack), min(b.count, c+dissolveAhead)
	for k := c; k > lo; k-- {
		if b.isCut != nil && b.isCut(k) {
			lo = k
		}
	}
	for k := c + 1; k < hi; k++ {
		if b.isCut != nil && b.isCut(k) {
			hi = k
		}
	}
	return lo, hi
}

// bestSpan is the widest span that gives c about its score: the frames there
// are whole.
func (b *blendTrack) bestSpan(c int) int {
	span := spans[0]
	for i, h := range spans {
		if c >= h && c+h < b.count {
			if s := min(b.sim[i][c], b.sim[i][c+h]) - b.sim[i+len(spans)][c+h]; s >= 0.75*b.score[c] {
				span = h
			}
		}
	}
	return span
}

type curveFit struct {
	blocks float64 // as dip, over the ninths of the picture
	s, e   int
	miss   float64 // mean squared
	dip    float64 // what is left of the energy's distance from a straight line, mean squares
	pair   float64 // likeness of both ends
}

// curves are what a dissolve is fitted to, from frame lo on.
type curves struct {
	toA, toZ     []float64
	energy       []float64
	fadeA, fadeZ decay
	a, z         int // the frames taken as whole
	pair         float64
}

// fit finds the start and end that explain the curves from lo to hi best,
// taking frames a and z as whole.
func (b *blendTrack) fit(c, lo, hi, a, z int) curveFit {
	n := hi - lo
	cv := curves{toA: make([]float64, n), toZ: make([]float64, n), energy: make([]float64, n), a: a - lo, z: z - lo}
	for i := range n {
		t := b.at(lo + i)
		cv.toA[i], cv.toZ[i] = alikeAcross(b.at(a), t), alikeAcross(t, b.at(z))
		cv.energy[i] = t.energy / b.flicker(lo+i)
	}
	cv.pair = alikeAcross(b.at(a), b.at(z))
	cv.fadeA, cv.fadeZ = decayOf(cv.toA, cv.a, -1), decayOf(cv.toZ, cv.z, 1)
	best := curveFit{miss: math.Inf(1), pair: cv.pair}
	for s := max(lo+1, c-maxDissolve); s <= c; s++ {
		for e := max(c+1, s+1); e <= min(hi-1, s+maxDissolve); e++ {
			if m, dip := cv.miss(s-lo, e-lo); m < best.miss {
				best.s, best.e, best.miss, best.dip = s, e, m, dip
			}
		}
	}
	if best.pair <= maxPairAlike && best.dip < 2*maxDipLeft && best.miss < 3*maxCurveMiss {
		best = b.refine(&cv, lo, best)
	}
	return best
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

// decay is how likeness falls with distance within one shot: what motion,
// weave and grain do.
type decay struct{ start, rate float64 }

func (d decay) at(dist int) float64 {
	if dist < 0 {
		dist = -dist
	}
	return d.start * math.Exp(-d.rate*float64(dist))
}

// decayOf measures it on the whole side of frame a, by a line through the
// logarithms.
func decayOf(like []float64, a, dir int) decay {
	var n, sx, sy, sxx, sxy float64
	for d := 1; d <= 10; d++ {
		i := a + dir*d
		if i < 0 || i >= len(like) || like[i] < 0.45 {
			break
		}
		x, y := float64(d), math.Log(like[i])
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	if n < 3 {
		return decay{0.95, 0.01}
	}
	rate := -(n*sxy - sx*sy) / (n*sxx - sx*sx)
	rate = max(0, min(0.06, rate))
	return decay{max(0.5, min(1, math.Exp((sy+rate*sx)/n))), rate}
}

// refine moves the ends to where the energies of the nine ninths of the picture
// fit best too: they are more witnesses of when the mix begins and ends.
func (b *blendTrack) refine(cv *curves, lo int, f curveFit) curveFit {
	var en [9][]float64
	for block := range en {
		en[block] = make([]float64, len(cv.toA))
		for t := range cv.toA {
			en[block][t] = b.at(lo+t).blockEnergy(block) / b.flicker(lo+t)
		}
	}
	best := math.Inf(1)
	out := f
	for s := max(lo+1, f.s-refineBy); s <= f.s+refineBy; s++ {
		for e := max(s+minDissolve, f.e-refineBy); e <= min(lo+len(cv.toA)-1, f.e+refineBy); e++ {
			miss, dip := cv.miss(s-lo, e-lo)
			bm, bd := blocksMiss(&en, s-lo, e-lo)
			if m := miss + bm; m < best {
				best, out.s, out.e, out.miss, out.dip, out.blocks = m, s, e, miss, dip, bd
			}
		}
	}
	return out
}

// refineBy is how far refine moves an end, in frames.
const refineBy = 9

// blocksMiss is how far the energies of the ninths are from the mix's; and what
// the mix leaves of their distance from straight changes: a dissolve dips
// everywhere, a pan over an empty part in places.
func blocksMiss(en *[9][]float64, s, e int) (off, left float64) {
	from, to := max(0, s-curveMargin), min(len(en[0]), e+curveMargin)
	var miss, all, bent, straight float64
	for block := range en {
		v := en[block]
		ea, ez := middle(v[from:s]), middle(v[e:to])
		for t := from; t < to; t++ {
			u := max(0, min(1, float64(t-s+1)/float64(e-s+1)))
			d := v[t] - (1-u)*(1-u)*ea - u*u*ez
			l := v[t] - (1-u)*ea - u*ez
			w := 1 / (ea + ez + 4*flatEnergy)
			miss, bent, straight = miss+d*d, bent+d*d*w, straight+l*l*w
		}
		p := max(ea, ez) + flatEnergy
		all += p * p
	}
	return miss / all / float64(to-from), bent / (straight + 1e-6)
}

// curveMargin is how many whole frames on each side a fit looks at.
const curveMargin = 10

// miss is how far the curves are from those of a dissolve whose first mixed
// frame is s and whose first whole frame is e; and what the dip of a dissolve
// leaves of the energy's squared distance from a straight change.
func (cv *curves) miss(s, e int) (miss, dip float64) {
	from, to := max(0, s-curveMargin), min(len(cv.toA), e+curveMargin)
	ea, ez := middle(cv.energy[from:s]), middle(cv.energy[e:to])
	peak := max(ea, ez, 1e-9)
	var bent, straight float64
	for t := from; t < to; t++ {
		u := max(0, min(1, float64(t-s+1)/float64(e-s+1)))
		mixed := (1-u)*(1-u)*ea + u*u*ez + 2*u*(1-u)*cv.pair*math.Sqrt(ea*ez)
		x, y := (1-u)*math.Sqrt(ea), u*math.Sqrt(ez)
		norm := math.Sqrt(max(mixed, 1e-9))
		da := cv.toA[t] - max(cv.pair, min(1, (x*cv.fadeA.at(t-cv.a)+cv.pair*y)/norm))
		dz := cv.toZ[t] - max(cv.pair, min(1, (y*cv.fadeZ.at(t-cv.z)+cv.pair*x)/norm))
		de := (cv.energy[t] - mixed) / peak
		dl := (cv.energy[t] - (1-u)*ea - u*ez) / peak
		bent, straight = bent+de*de, straight+dl*dl
		miss += (da*da + dz*dz + de*de) / 3
	}
	return miss / float64(to-from), bent / (straight + 1e-6)
}

func middle(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}
