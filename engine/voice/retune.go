package voice

import (
	"math"
	"slices"
	"sort"
)

// Aim: notes on their pitch, with what makes them sung.
// Method: the pitch over a note is its centre, a vibrato, and slower ways. The
// centre goes to the target; the slower ways are what is left under a Gaussian
// as wide as the speed, and go with it; a vibrato is quicker than any speed,
// since the Gaussian is never narrower than half of its turn.
// Known failure: a vibrato that was not noticed (under one turn and a half) is
// taken for a way of the voice and smoothed, when the speed is short.

// Goal is a note as it was heard and the pitch that it should have. Places are
// samples of the sound; cents are absolute (6900: A4).
type Goal struct {
	Onset, Offset int64
	Centre        float64 // of what was sung
	VibratoHz     float64 // 0: none
	Target        float64
	Amount        float64 // 0 to 1: how much of the way
	Speed         float64 // seconds: what is slower than this is evened out
}

// Retuning.
const (
	tuneStep    = 0.010 // seconds between points of the curve
	edgeReach   = 0.15  // a note goes on to the ends of its voice, if so near
	restReach   = 0.06  // between notes the curve goes back to 0 within this
	steadyStart = 0.35  // share of a note before its steady part ...
	steadyEnd   = 0.15  // ... and after it
	mostRetune  = 1200.0
)

// Retuned is the curve of Edits.Cents that brings notes to their pitch. What
// is in no goal stays where it is; from note to note within one breath the
// curve runs straight. Goals that overlap are taken in the order of their
// onsets.
func (s *Sung) Retuned(goals []Goal) Curve {
	goals = slices.Clone(goals)
	sort.SliceStable(goals, func(i, j int) bool { return goals[i].Onset < goals[j].Onset })
	var c Curve
	add := func(at int64, v float64) {
		if len(c) == 0 || at > c[len(c)-1].At {
			c = append(c, Point{at, v})
		}
	}
	rest := int64(restReach * float64(s.rate))
	for i, g := range goals {
		from, to := s.extent(goals, i)
		if len(c) == 0 || from-c[len(c)-1].At > 2*rest {
			if len(c) > 0 {
				add(c[len(c)-1].At+rest, 0)
			}
			add(from-rest, 0)
		}
		for _, p := range s.correction(g, from, to) {
			add(p.At, p.Value)
		}
	}
	if len(c) > 0 {
		add(c[len(c)-1].At+rest, 0)
	}
	return c
}

// extent is a goal's stretch, up to the ends of its voice when they are near
// and no other note's.
func (s *Sung) extent(goals []Goal, i int) (from, to int64) {
	from, to = goals[i].Onset, goals[i].Offset
	reach := int64(edgeReach * float64(s.rate))
	low, high := from-reach, to+reach
	if i > 0 {
		low = max(low, goals[i-1].Offset)
	}
	if i+1 < len(goals) {
		high = min(high, goals[i+1].Onset-1)
	}
	for k := range s.runs {
		r := &s.runs[k]
		first, last := int64(r.first()), int64(r.last())
		if last < from || first > to {
			continue
		}
		if first < from {
			from = max(first, low)
		}
		if last > to {
			to = min(last, high)
		}
	}
	return min(from, goals[i].Onset), max(to, goals[i].Onset+1)
}

// correction is the curve over one note.
func (s *Sung) correction(g Goal, from, to int64) Curve {
	step := max(1, int64(tuneStep*float64(s.rate)))
	var at []int64
	var beside []float64 // the pitch beside the centre
	for p := from; p <= to; p += step {
		if hz, ok := s.hzAt(float64(p)); ok {
			at = append(at, p)
			beside = append(beside, min(max(1200*math.Log2(hz/440)+6900-g.Centre, -mostRetune), mostRetune))
		}
	}
	sigma := g.Speed
	if g.VibratoHz > 0 {
		sigma = max(sigma, 0.5/g.VibratoHz)
	}
	slow := smoothed(beside, sigma/tuneStep)
	mean, n := 0.0, 0.0
	length := float64(g.Offset - g.Onset)
	for i, p := range at {
		if d := float64(p - g.Onset); d >= steadyStart*length && d <= (1-steadyEnd)*length {
			mean, n = mean+slow[i], n+1
		}
	}
	mean /= max(1, n)
	var c Curve
	for i, p := range at {
		v := g.Amount * (g.Target - g.Centre - (slow[i] - mean))
		c = append(c, Point{p, min(max(v, -mostRetune), mostRetune)})
	}
	return c
}

// hzAt is the pitch at a place; false where there is no voice.
func (s *Sung) hzAt(at float64) (float64, bool) {
	i := sort.Search(len(s.runs), func(i int) bool { return s.runs[i].last() >= at })
	if i == len(s.runs) || s.runs[i].first() > at {
		return 0, false
	}
	return s.runs[i].hz(at), true
}

// smoothed is x under a Gaussian of sigma steps; at the ends it weighs what
// there is.
func smoothed(x []float64, sigma float64) []float64 {
	out := slices.Clone(x)
	if sigma < 0.1 {
		return out
	}
	reach := int(math.Ceil(3 * sigma))
	weight := make([]float64, reach+1)
	for k := range weight {
		weight[k] = math.Exp(-0.5 * float64(k*k) / (sigma * sigma))
	}
	for i := range x {
		sum, all := 0.0, 0.0
		for k := max(0, i-reach); k <= min(len(x)-1, i+reach); k++ {
			w := weight[max(k-i, i-k)]
			sum += w * x[k]
			all += w
		}
		out[i] = sum / all
	}
	return out
}
