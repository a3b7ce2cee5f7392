package picture

import (
	"math"
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
}

const (
	flashFrames = 4 // the longest flash or damage that is not a cut
	ringFrames  = flashFrames + 2
)

// NewDetector readies a detector for frames at a rate.
func NewDetector(rate timecode.Rate) *Detector { return &Detector{rate: rate} }

// Push takes the next frame; its size must not change.
func (d *Detector) Push(g Grey) {
	cur := d.at(d.count)
	makeMini(g, cur)
	d.near = append(d.near, d.changeFrom(cur, 1))
	for i := range d.past {
		d.past[i] = append(d.past[i], d.changeFrom(cur, int64(i)+2))
	}
	d.count++
}

func (d *Detector) at(k int64) *mini { return &d.ring[k%ringFrames] }

func (d *Detector) changeFrom(cur *mini, back int64) float64 {
	if d.count < back {
		return 0
	}
	return change(d.at(d.count-back), cur)
}

// Finish gives what was found, in order.
func (d *Detector) Finish() []cutlist.Cut {
	var cuts []cutlist.Cut
	for k := range d.near {
		if c := d.hardCut(k); c > 0 {
			cuts = append(cuts, cutlist.Cut{Frame: int64(k), End: int64(k), Kind: cutlist.HardCut, Confidence: c})
		}
	}
	return cuts
}

// The threshold of a hard cut follows its neighbourhood, as in Yusoff,
// Christmas and Kittler, "Video shot cut detection using adaptive
// thresholding", BMVC 2000: so many times the usual change plus a floor.
const (
	around       = 8
	cutTimes     = 3.0
	cutFloor     = 0.30
	returnsBelow = 0.5 // of the change at the cut: the old shot is back
)

// hardCut is the confidence that frame k begins a new shot, 0 for none.
func (d *Detector) hardCut(k int) float64 {
	if k == 0 {
		return 0
	}
	c := d.near[k]
	var others []float64
	for j := max(1, k-around); j <= min(len(d.near)-1, k+around); j++ {
		if j != k {
			others = append(others, d.near[j])
		}
	}
	slices.Sort(others)
	usual := 0.0
	if len(others) > 0 {
		usual = others[len(others)*3/4]
	}
	limit := cutFloor + cutTimes*usual
	if c < min(limit, 0.9) || d.isFlash(k) {
		return 0
	}
	return 1 - math.Exp(-c/min(limit, 0.9))
}

// isFlash reports that frame k starts or ends a flash: the shot from before k
// is seen again within flashFrames, or the shot that k begins was seen so
// shortly before.
func (d *Detector) isFlash(k int) bool {
	c := d.near[k]
	for i := range d.past {
		back := i + 2
		// frame k+back-1 against frame k-1
		if j := k + back - 1; j < len(d.near) && d.past[i][j] < returnsBelow*c {
			return true
		}
		// frame k against frame k-back
		if k >= back && d.past[i][k] < returnsBelow*c {
			return true
		}
	}
	return false
}
