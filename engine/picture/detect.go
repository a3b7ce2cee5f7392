package picture

import (
	"cmp"
	"slices"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// Detector finds cuts in a stream of frames. Memory grows by a few numbers a
// frame, not by pictures. Make it with NewDetector.
type Detector struct {
	rate  timecode.Rate
	ring  [ringFrames]mini
	count int64
	apart [][mostApart]float32 // change of each frame from 1, 2, ... frames before; below 0: not worked out
	hard  []float32            // confidence of a hard cut at each frame judged so far
	blend blendTrack
	slow  blendTrack // of every slowStep-th frame, for long dissolves
}

const (
	slowStep    = 2
	slowFrom    = 2  // of the spans: short dissolves are seen at full rate
	longMargin  = 2  // frames
	fastRate    = 36 // pictures a second: of more, a dissolve of a second is a long one
	flashFrames = 4  // the longest flash or damage that needs no second look
	mostApart   = flashFrames + 1
	ringFrames  = 2*(maxFlash+around+mostApart) + 16
)

// NewDetector readies a detector for frames at a rate.
func NewDetector(rate timecode.Rate) *Detector {
	d := &Detector{rate: rate}
	d.blend.isCut = func(k int) bool { return k < len(d.hard) && d.hard[k] > 0 }
	d.blend.plainCut = func(k int) bool { return k < len(d.hard) && d.hard[k] > plainCut }
	d.blend.spans = spans[:]
	d.slow.spans = spans[slowFrom:]
	d.slow.isCut = func(k int) bool { return d.slowCut(k) > 0 }
	d.slow.plainCut = func(k int) bool { return d.slowCut(k) > plainCut }
	return d
}

// Push takes the next frame; its size must not change.
func (d *Detector) Push(g Grey) {
	makeMini(g, d.at(int(d.count)))
	var none [mostApart]float32
	for i := range none {
		none[i] = -1
	}
	d.apart = append(d.apart, none)
	d.blend.push(g)
	if d.count%slowStep == 0 {
		d.slow.push(g)
	}
	d.count++
	if k := len(d.hard); int(d.count) > k+d.judgeAhead() {
		d.hard = append(d.hard, float32(d.judge(k)))
	}
	if d.fast() {
		d.slow.lookForFades(min(len(d.hard)/slowStep, d.slow.count), false)
	} else {
		d.blend.lookForFades(min(len(d.hard), d.blend.count), false)
	}
	d.blend.lookTo(len(d.hard))
	d.slow.lookTo(len(d.hard) / slowStep)
}

func (d *Detector) fast() bool { return d.rate.Num > fastRate*d.rate.Den }

// slowCut is the confidence of a hard cut between frame k of the slow track and
// the one before.
func (d *Detector) slowCut(k int) (c float32) {
	for j := max(0, slowStep*(k-1)+1); j <= slowStep*k && j < len(d.hard); j++ {
		c = max(c, d.hard[j])
	}
	return c
}

func (d *Detector) at(k int) *mini { return &d.ring[k%ringFrames] }

// changeOver is the change of frame k from the one so many frames before.
func (d *Detector) changeOver(k, frames int) float64 {
	if k < frames {
		return 0
	}
	c := &d.apart[k][frames-1]
	if *c < 0 {
		*c = float32(change(d.at(k-frames), d.at(k)))
	}
	return float64(*c)
}

// Finish gives what was found, in order. A fade goes before a dissolve in the
// same place, both before a cut.
func (d *Detector) Finish() []cutlist.Cut {
	d.blend.settleLast()
	for k := len(d.hard); k < len(d.apart); k++ {
		d.hard = append(d.hard, float32(d.judge(k)))
	}
	d.slow.settleLast()
	plain, followed := d.fades()
	blends := append(d.blend.finish(), d.longOnes()...)
	return merged(d.blend.levels, d.hard, plain, followed, blends)
}

// fades are those that contrast and brightness tell, and those found by following
// the shot; of a fast film, by every second frame.
func (d *Detector) fades() (plain, followed []cutlist.Cut) {
	if !d.fast() {
		d.blend.lookForFades(d.blend.count, true)
		return findFades(d.blend.levels, d.hard), d.blend.fades.found
	}
	d.slow.lookForFades(d.slow.count, true)
	hard := make([]float32, len(d.slow.levels))
	for k := range hard {
		hard[k] = d.slowCut(k)
	}
	return d.atRate(findFades(d.slow.levels, hard)), d.atRate(d.slow.fades.found)
}

// longOnes are the dissolves that are too long to be seen at full rate; of a fast
// film, all that are seen at less.
func (d *Detector) longOnes() (long []cutlist.Cut) {
	for _, c := range d.atRate(d.slow.finish()) {
		if d.fast() || c.End-c.Frame > maxDissolve-longMargin {
			long = append(long, c)
		}
	}
	return long
}

// atRate are the finds of the slow track in frames of the film. The last frame
// before a change and the first after it are frames of the slow track.
func (d *Detector) atRate(slow []cutlist.Cut) (cuts []cutlist.Cut) {
	for _, c := range slow {
		c.Frame, c.End = max(0, slowStep*(c.Frame-1)+1), min(slowStep*c.End, d.count)
		cuts = append(cuts, c)
	}
	return cuts
}

// merged puts together what was found, in order.
func merged(levels []level, hard []float32, plain, followed, blends []cutlist.Cut) []cutlist.Cut {
	cuts, blends := agreedFades(levels, plain, followed, blends)
	add := func(c cutlist.Cut) {
		for _, have := range cuts {
			if c.Kind == cutlist.HardCut {
				have = withTail(have)
			}
			if c.Frame < have.End && have.Frame < max(c.End, c.Frame+1) {
				return
			}
		}
		cuts = append(cuts, c)
	}
	slices.SortStableFunc(blends, func(a, b cutlist.Cut) int { return cmp.Compare(b.Confidence, a.Confidence) })
	for _, c := range blends {
		add(c)
	}
	for k, c := range hard {
		if c > 0 {
			add(cutlist.Cut{Frame: int64(k), End: int64(k), Kind: cutlist.HardCut, Confidence: float64(c)})
		}
	}
	slices.SortFunc(cuts, func(a, b cutlist.Cut) int { return cmp.Compare(a.Frame, b.Frame) })
	return cuts
}

// withTail lengthens a fade on its flat side, by what is too faint to be seen
// as part of it but may be taken for a cut.
func withTail(c cutlist.Cut) cutlist.Cut {
	const tail = 3
	switch c.Kind {
	case cutlist.FadeOut:
		c.End += tail
	case cutlist.FadeIn:
		c.Frame -= tail
	}
	return c
}
