package picture

import (
	"math"

	"cuechoir/engine/cutlist"
)

// Fades by what is left of the shot. Aim: the ends of a fade though the shot
// moves, or something passes, while it fades. Method: one frame of the shot is
// followed through the others as in dissolve_follow.go, each of which is so much
// of it and the rest the flat run's tone; over white the tone's part tells
// flicker from the fade, over black flicker stays. A ramp of that share is fitted
// by least squares, its top free, from several frames; the one that fits best is
// taken. Cost: some milliseconds an edge of a flat run. Known failure: black and
// grainy film, where the darkest frames of a fade look flat and it seems to begin
// or end up to six frames late or early.

// edge is where a run of flat frames borders on a shot. Frames are counted from
// it outward, into the shot: 0 is the first that is not flat, below it is the run.
type edge struct {
	at, way int // the frame 0, and which way is outward in time
	out     int // frames outward, of the shot
	in      int // frames inward, of the run
	tone    level
}

func (e edge) frame(k int) int { return e.at + e.way*k }

// fadeTrack looks for fades as frames come.
type fadeTrack struct {
	seen         int // frames before this have been looked at for edges
	waiting      []edge
	found        []cutlist.Cut
	share, trust []float64 // of the shot, from frame -in on
}

// lookForFades looks at the edges that are far enough behind.
func (b *blendTrack) lookForFades(judged int, last bool) {
	f := &b.fades
	for ; f.seen < judged; f.seen++ {
		k := f.seen
		flat := b.levels[k].flat()
		was := k > 0 && b.levels[k-1].flat()
		if flat && !was && k > 0 {
			f.waiting = append(f.waiting, edge{at: k - 1, way: -1})
		}
		if !flat && was {
			f.waiting = append(f.waiting, edge{at: k, way: 1})
		}
	}
	for len(f.waiting) > 0 {
		w := f.waiting[0]
		need := w.at + longTail + 3
		if w.way > 0 {
			need = w.at + maxFade + plateau
		}
		if need >= judged && !last {
			return
		}
		f.waiting = f.waiting[1:]
		if c, ok := b.fadeAt(w, judged); ok {
			f.found = append(f.found, c)
		}
	}
}

// fadeAt is the fade at an edge, if there is one.
func (b *blendTrack) fadeAt(w edge, judged int) (cutlist.Cut, bool) {
	c, in, ok := b.fadeWithin(w, judged, maxTail)
	if ok && in >= maxTail {
		if long, _, ok := b.fadeWithin(w, judged, longTail); ok {
			return long, true
		}
	}
	return c, ok
}

// fadeWithin is fadeAt for tails of so many frames; in is how far into the run the
// fade goes.
func (b *blendTrack) fadeWithin(w edge, judged, tail int) (c cutlist.Cut, in int, ok bool) {
	b.bound(&w, judged, tail)
	if w.out < minFade {
		return c, 0, false
	}
	best, s, e := math.Inf(1), 0, 0
	for _, anchor := range followFrom {
		if anchor >= w.out {
			anchor = w.out - 1
		}
		if b.levels[w.frame(anchor)].spread < 2*flatSpread {
			continue
		}
		b.followShot(w, anchor)
		m, i, j := b.fades.bestRise(w)
		if m < best {
			best, s, e = m, i, j
		}
		if anchor == w.out-1 {
			break
		}
	}
	if s-e < minFade || best > mostFadeOff {
		return c, 0, false
	}
	c = cutlist.Cut{Frame: int64(w.frame(e)) + 1, End: int64(w.frame(s)), Kind: cutlist.FadeIn, Confidence: 1 - best/mostFadeOff/2}
	if w.way < 0 {
		c.Frame, c.End, c.Kind = int64(w.frame(s))+1, int64(w.frame(e)), cutlist.FadeOut
	}
	return c, -e, true
}

// followFrom are the frames of the shot that are followed.
var followFrom = [...]int{4, 9, 15, 22, 30, 40}

// mostFadeOff is how far the shares of a fade may be from its ramp, in squares of
// what noise and flicker do.
const mostFadeOff = 3.0

// bound finds how far the shot and the run reach, the run no further than a tail.
func (b *blendTrack) bound(w *edge, judged, tail int) {
	oldest := max(0, b.count-tinyRing+1)
	ok := func(k int) bool { t := w.frame(k); return t >= oldest && t < b.count }
	cutBetween := func(k int) bool { // a plain cut between k and k+1
		t := max(w.frame(k), w.frame(k+1))
		return t < judged && b.plainCut(t)
	}
	for w.out < maxFade+plateau && ok(w.out) && !b.levels[w.frame(w.out)].flat() {
		w.out++
		if ok(w.out) && cutBetween(w.out-1) {
			break
		}
	}
	for w.in < tail+2 && ok(-w.in-1) && b.levels[w.frame(-w.in-1)].flat() {
		w.in++
	}
	run := make([]level, 0, tail+2)
	for k := 1; k <= w.in; k++ {
		run = append(run, b.levels[w.frame(-k)])
	}
	w.tone = toneOf(run)
}

// followShot finds how much of the shot, as it is in its frame anchor, is in
// each frame, with all else of one tone.
func (b *blendTrack) followShot(w edge, anchor int) {
	f := &b.fades
	n := w.in + w.out
	f.share = append(f.share[:0], make([]float64, n)...)
	f.trust = append(f.trust[:0], make([]float64, n)...)
	f.share[anchor+w.in], f.trust[anchor+w.in] = 1, 1
	a := b.at(w.frame(anchor))
	for _, way := range [...]int{-1, 1} {
		var m drift
		for k := anchor + way; k >= -w.in && k < w.out; k += way {
			c := b.at(w.frame(k)).cells
			m.step(func(d [2]float64) float32 { return toneResidual(c, a.movedCells(d, 1, &b.fit.moved[0])) })
			f.share[k+w.in], f.trust[k+w.in] = toneMix(c, a.movedCells(m.d, 1, &b.fit.moved[0]), float32(w.tone.mean))
		}
	}
}

// toneResidual is the mean deviation of c from the line over a that is nearest.
func toneResidual(c, a []float32) float32 {
	a = a[:len(c)]
	n := float32(len(c))
	var sa, sc, aa, ac float32
	for i, v := range c {
		x := a[i]
		sa, sc, aa, ac = sa+x, sc+v, aa+x*x, ac+x*v
	}
	va := aa - sa*sa/n
	if va <= 1e-3 {
		return math.MaxFloat32
	}
	p := max(0, (ac-sa*sc/n)/va)
	q := (sc - p*sa) / n
	var miss float32
	for i, v := range c {
		r := v - q - p*a[i]
		miss += max(r, -r)
	}
	return miss / n
}

// toneMix is how much of a is in c = pa + q tone, and how far it is to be
// trusted. Over a dark tone q tells nothing, and c - tone = p(a - tone).
func toneMix(c, a []float32, tone float32) (share, trust float64) {
	a = a[:len(c)]
	bright := tone > whiteAbove
	p, q := float32(0.5), float32(0.5)
	var dev float32
	var sum, used float32
	for pass := range robustPasses {
		var aa, zz, az, ca, cz float32
		sum, used = 0, 0
		s := cauchyScale*cauchyScale*dev*dev + 1
		for i, v := range c {
			x, y := a[i], tone
			if bright && v > washedAbove {
				continue
			}
			if !bright {
				v, x, y = v-tone, x-tone, 0
			}
			r := v - p*x - q*y
			r = max(r, -r)
			sum, used = sum+r, used+1
			w := float32(1)
			if pass >= cauchyFrom {
				w = 1 / (s + r*r)
			} else if pass > 0 {
				w = 1 / (leastOff + r)
			}
			aa, zz, az, ca, cz = aa+w*x*x, zz+w*y*y, az+w*x*y, ca+w*x*v, cz+w*y*v
		}
		if used < leastUsed || aa <= 0 {
			return 0, 0
		}
		dev = sum / used
		if !bright {
			p = ca / aa
			continue
		}
		det := aa*zz - az*az
		if det <= 1e-6*aa*zz {
			return 0, 0
		}
		p, q = (ca*zz-cz*az)/det, (cz*aa-ca*az)/det
	}
	if bright {
		if p+q < 0.3 {
			return 0, 0
		}
		p /= p + q
	}
	return max(-0.5, min(8, float64(p))), 1
}

const (
	washedAbove = 244 // levels: nearer to white than grain is
	leastUsed   = 16  // cells
)

// bestRise is where the share begins to rise from nothing, going outward, and
// where it is whole: the first and last frames that are neither lie between.
func (f *fadeTrack) bestRise(w edge) (miss float64, s, e int) {
	miss = math.Inf(1)
	flick := f.roughness(w)
	for end := -w.in; end <= 2; end++ { // the last frame of nothing
		for start := end + minFade + 1; start <= min(w.out-1, end+maxFade); start++ { // the first whole one
			if m := f.riseMiss(w, end, start, flick); m < miss {
				miss, s, e = m, start, end
			}
		}
	}
	return miss, s, e
}

// roughness is how much the share changes from frame to frame beyond its trend.
func (f *fadeTrack) roughness(w edge) float64 {
	var d []float64
	for k := w.in + 1; k+1 < len(f.share); k++ {
		if f.trust[k] > 0 && f.share[k] > 0.1 {
			d = append(d, math.Abs(2*f.share[k]-f.share[k-1]-f.share[k+1])/2/f.share[k])
		}
	}
	return min(0.1, middle(d))
}

// riseMiss is how far the shares are from a rise after frame e to frame s, in
// squares of what noise and flicker do.
func (f *fadeTrack) riseMiss(w edge, e, s int, flick float64) float64 {
	to := min(w.out, s+plateau)
	var hv, hh float64
	slope := 1 / float64(s-e)
	for k := -w.in; k < to; k++ {
		x := max(0, min(1, float64(k-e)*slope))
		own := (flick + ownChange) * x
		wt := f.trust[k+w.in] / (shareNoise*shareNoise + own*own)
		hv, hh = hv+wt*x*f.share[k+w.in], hh+wt*x*x
	}
	if hv <= 0 {
		return math.Inf(1)
	}
	h := hv / hh
	var sum, n, within float64
	for k := -w.in; k < to; k++ {
		x := max(0, min(1, float64(k-e)*slope))
		own := (flick + ownChange) * x
		d := f.share[k+w.in]/h - x
		sum += f.trust[k+w.in] * min(mostOff, d*d/(shareNoise*shareNoise+own*own))
		n += f.trust[k+w.in]
		if k > e && k < s {
			within += f.trust[k+w.in]
		}
	}
	if within < leastSeen*float64(s-e-1) || n < leastSeen*float64(to+w.in) {
		return math.Inf(1)
	}
	return sum / n
}

// leastSeen is the share of the frames that have to be seen.
const leastSeen = 0.5

// shareNoise is what a share is off by in a flat frame.
const shareNoise = 0.015
