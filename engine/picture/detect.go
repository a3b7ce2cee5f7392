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
	near  []float64              // change from the frame before
	past  [flashFrames][]float64 // change from 2, 3, ... frames before
	hard  []float32              // confidence of a hard cut at each frame judged so far
	blend blendTrack
}

const (
	flashFrames = 4 // the longest flash or damage that needs no second look
	ringFrames  = 2*maxFlash + around + flashFrames + 8
)

// NewDetector readies a detector for frames at a rate.
func NewDetector(rate timecode.Rate) *Detector {
	d := &Detector{rate: rate}
	d.blend.isCut = func(k int) bool { return k < len(d.hard) && d.hard[k] > 0 }
	return d
}

// Push takes the next frame; its size must not change.
func (d *Detector) Push(g Grey) {
	cur := d.at(d.count)
	makeMini(g, cur)
	d.near = append(d.near, d.changeFrom(cur, 1))
	for i := range d.past {
		d.past[i] = append(d.past[i], d.changeFrom(cur, int64(i)+2))
	}
	d.blend.push(g)
	d.count++
	if k := len(d.hard); int(d.count) > k+d.judgeAhead() {
		d.hard = append(d.hard, float32(d.judge(k)))
	}
	d.blend.lookTo(len(d.hard))
}

func (d *Detector) at(k int64) *mini { return &d.ring[k%ringFrames] }

func (d *Detector) changeFrom(cur *mini, back int64) float64 {
	if d.count < back {
		return 0
	}
	return change(d.at(d.count-back), cur)
}

// Finish gives what was found, in order. A fade goes before a dissolve in the
// same place, both before a cut.
func (d *Detector) Finish() []cutlist.Cut {
	d.blend.settleLast()
	for k := len(d.hard); k < len(d.near); k++ {
		d.hard = append(d.hard, float32(d.judge(k)))
	}
	cuts := findFades(d.blend.levels, d.hard)
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
	blends := d.blend.finish()
	slices.SortStableFunc(blends, func(a, b cutlist.Cut) int { return cmp.Compare(b.Confidence, a.Confidence) })
	for _, c := range blends {
		add(c)
	}
	for k, c := range d.hard {
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
