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
}

const (
	flashFrames = 4 // the longest flash or damage that needs no second look
	mostApart   = flashFrames + 1
	ringFrames  = 2*(maxFlash+around+mostApart) + 16
)

// NewDetector readies a detector for frames at a rate.
func NewDetector(rate timecode.Rate) *Detector {
	d := &Detector{rate: rate}
	d.blend.isCut = func(k int) bool { return k < len(d.hard) && d.hard[k] > 0 }
	d.blend.plainCut = func(k int) bool { return k < len(d.hard) && d.hard[k] > plainCut }
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
	d.count++
	if k := len(d.hard); int(d.count) > k+d.judgeAhead() {
		d.hard = append(d.hard, float32(d.judge(k)))
	}
	d.blend.lookTo(len(d.hard))
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
	blends := d.blend.finish()
	return merged(d.blend.levels, d.hard, findFades(d.blend.levels, d.hard), d.blend.fades.found, blends)
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
