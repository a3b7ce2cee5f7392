package score

import (
	"cmp"
	"slices"
	"sort"

	"cuechoir/engine/cutlist"
)

// ruler finds the changes near a place in a long list fast: the cuts in order
// of frame, and up to which frame those until each one reach.
type ruler struct {
	cuts  []cutlist.Cut
	reach []int64 // never falls
}

func ruled(list []cutlist.Cut) ruler {
	r := ruler{cuts: slices.Clone(list), reach: make([]int64, len(list))}
	slices.SortStableFunc(r.cuts, func(a, b cutlist.Cut) int { return cmp.Compare(a.Frame, b.Frame) })
	for i, c := range r.cuts {
		r.reach[i] = lastFrame(c)
		if i > 0 {
			r.reach[i] = max(r.reach[i], r.reach[i-1])
		}
	}
	return r
}

// within holds, in order, all cuts that come within some frames of c, and it
// may hold others.
func (r ruler) within(c cutlist.Cut, frames int64) []cutlist.Cut {
	from := sort.Search(len(r.cuts), func(i int) bool { return r.reach[i] >= c.Frame-frames })
	to := sort.Search(len(r.cuts), func(i int) bool { return r.cuts[i].Frame > lastFrame(c)+frames })
	return r.cuts[min(from, to):to]
}

// nearest is how far the nearest cut begins from c, among those that share a
// frame with it or come within NearFrames.
func (r ruler) nearest(c cutlist.Cut) (frames int64, ok bool) {
	for _, o := range r.within(c, NearFrames) {
		if d := distance(o.Frame, c.Frame); lastFrame(o)+NearFrames >= c.Frame && (!ok || d < frames) {
			frames, ok = d, true
		}
	}
	return frames, ok
}

// holds says whether the very change c is in the list.
func (r ruler) holds(c cutlist.Cut) bool {
	return slices.ContainsFunc(r.within(c, 0), func(o cutlist.Cut) bool { return sameChange(o, c) })
}

// at says whether a cut begins at a frame.
func (r ruler) at(frame int64) bool {
	_, ok := slices.BinarySearchFunc(r.cuts, frame, func(c cutlist.Cut, f int64) int { return cmp.Compare(c.Frame, f) })
	return ok
}

func overlap(a, b cutlist.Cut) bool { return a.Frame <= lastFrame(b) && lastFrame(a) >= b.Frame }

// lastFrame is the last frame of a change: of a hard cut the only one.
func lastFrame(c cutlist.Cut) int64 { return max(c.Frame, c.End-1) }
