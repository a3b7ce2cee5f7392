package picture

import (
	"cmp"
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
	back  map[int]float64        // for a jump: the change that is left once the picture has glided back
	blend blendTrack
}

const (
	flashFrames = 4 // the longest flash or damage that is not a cut
	// A flash may die away slowly (lightning, a headlight): after its one jump
	// the picture glides back to what it was, within so many frames and without
	// another jump of glideShare of the first. A shot cut in between ends with a
	// second jump.
	glideFrames = 14
	glideBefore = 3
	glideShare  = 0.75
	ringFrames  = glideFrames + glideBefore + 2
)

// NewDetector readies a detector for frames at a rate.
func NewDetector(rate timecode.Rate) *Detector {
	d := &Detector{rate: rate, back: map[int]float64{}}
	d.blend.isCut = func(k int) bool { return d.hardCut(k) > 0 }
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
	d.seekBack(int(d.count) - 1 - glideFrames)
}

// seekBack reads how near the picture comes, after a jump at frame k, to what
// it was before.
func (d *Detector) seekBack(k int) {
	if k < 1 || d.near[k] < cutFloor {
		return
	}
	least := math.Inf(1)
	for b := k + 1; b < int(d.count) && b <= k+glideFrames && d.near[b] < glideShare*d.near[k]; b++ {
		if b < k+flashFrames {
			continue // lasting has these
		}
		for a := max(0, k-glideBefore); a < k; a++ {
			least = min(least, change(d.at(int64(a)), d.at(int64(b))))
		}
	}
	d.back[k] = least
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
	for k := max(0, int(d.count)-glideFrames); k < int(d.count); k++ {
		d.seekBack(k)
	}
	cuts := findFades(d.blend.levels)
	add := func(c cutlist.Cut) {
		for _, have := range cuts {
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
	for k := range d.near {
		if c := d.hardCut(k); c > 0 {
			add(cutlist.Cut{Frame: int64(k), End: int64(k), Kind: cutlist.HardCut, Confidence: c})
		}
	}
	slices.SortFunc(cuts, func(a, b cutlist.Cut) int { return cmp.Compare(a.Frame, b.Frame) })
	return cuts
}

// The threshold of a hard cut follows its neighbourhood, as in Yusoff,
// Christmas and Kittler, "Video shot cut detection using adaptive
// thresholding", BMVC 2000: so many times the usual change plus a floor.
const (
	around   = 8
	cutTimes = 1.5
	cutFloor = 0.16
)

// lasting is the change at frame k that no flash explains: the least change
// between a frame before k and one from k on, up to flashFrames apart.
func (d *Detector) lasting(k int) float64 {
	e := d.near[k]
	if left, ok := d.back[k]; ok {
		e = min(e, left)
	}
	for i := range d.past {
		apart := i + 2
		for b := max(k, apart); b < min(k+apart, len(d.near)); b++ {
			e = min(e, d.past[i][b]) // frame b-apart against b, on both sides of k
		}
	}
	return e
}

// usual is the lasting change that most frames near k have.
func (d *Detector) usual(k int) float64 {
	var others []float64
	for j := max(1, k-around); j <= min(len(d.near)-1, k+around); j++ {
		if j != k {
			others = append(others, d.lasting(j))
		}
	}
	if len(others) == 0 {
		return 0
	}
	slices.Sort(others)
	return others[len(others)*3/4]
}

// hardCut is the confidence that frame k begins a new shot, 0 for none.
func (d *Detector) hardCut(k int) float64 {
	if k < 1 {
		return 0
	}
	c := d.lasting(k)
	limit := min(cutFloor+cutTimes*d.usual(k), 0.9)
	if c < limit || k+1 < len(d.near) && d.lasting(k+1) > c || d.lasting(k-1) > c {
		return 0
	}
	return 1 - math.Exp(-c/limit)
}
