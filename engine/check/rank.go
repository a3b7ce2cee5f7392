package check

import (
	"math"
	"slices"
	"sort"

	"cuechoir/engine/timing"
	"cuechoir/engine/tuning"
)

// Fix is one thing to do: bars of a layer to sing again, or a layer as a whole
// to mend. FromBar to ToBar is the punch, 0 where the layer has no bars; Whole
// says that it is the layer. Gain is the share (0 to 1) of what a listener may
// hear as off in all layers and chords that goes with it (see Rank). Words are
// for the singer; Findings are what it mends.
type Fix struct {
	Layer       int
	Whole       bool
	FromBar     int
	ToBar       int
	Sample, End int64 // of the notes to mend
	Frame       int64
	Gain        float64
	Severity    float64 // of the worst finding
	Words       string
	Findings    []Finding
	With        []int // layers to hear beside it
}

// What counts as off: a note beyond goodCents of its target grows to one at
// ListenCents, an entry from half the tolerance to one at the whole; longer
// notes count more, up to two seconds. What a listener does not hear costs
// nothing: see tuning.GoodCents and timing.DefaultTolerance.
const (
	wrongCost  = 6.0 // a wrong or missing note, and the most that any note costs
	brokenCost = 6.0 // a gap or clipping
	extraCost  = 2.0
	leastTime  = 0.5 // seconds of weight
	mostTime   = 2.0
	mergeBars  = 1 // findings of a layer so many bars apart are one punch ...
	mostBars   = 4 // ... of so many bars at most
)

// ranking is the work of Rank.
type ranking struct {
	layers  []Heard
	h       Harmony
	o       BetweenOptions
	tol     timing.Tolerance
	total   float64
	typical []float64 // cost of a note of each layer that is not accused, in the middle
	fixes   []Fix
}

// Rank lists what to sing again first, over all layers: by how much the whole
// gains. The whole is the sum of what is off in every note and chord (0 where
// nothing can be heard), and a fix takes away what its notes cost beyond the
// layer's usual note, and what their chords would gain.
func Rank(layers []Heard, h Harmony, o BetweenOptions) []Fix {
	if o.SampleRate <= 0 {
		o.SampleRate = 48000
	}
	r := &ranking{layers: layers, h: h, o: o, tol: timing.Tolerance{}.Filled()}
	r.weigh()
	for k := range layers {
		r.fixWhole(k)
		r.fixNotes(k)
	}
	for i := range r.fixes {
		f := &r.fixes[i]
		f.Words = r.say(*f)
		if r.total > 0 {
			f.Gain = min(1, f.Gain/r.total)
		}
	}
	sort.SliceStable(r.fixes, func(i, j int) bool {
		a, b := r.fixes[i], r.fixes[j]
		if a.Gain != b.Gain {
			return a.Gain > b.Gain
		}
		return a.Severity > b.Severity
	})
	return r.fixes
}

func excess(size, free, full float64) float64 { return max(0, (size-free)/(full-free)) }

// weight is a length in seconds, within bounds.
func (r *ranking) weight(samples int64) float64 {
	return min(mostTime, max(leastTime, float64(samples)/float64(r.o.SampleRate)))
}

// costOf is what a note costs with so many cents and ms off.
func (r *ranking) costOf(n NoteResult, cents, ms float64) float64 {
	switch n.Verdict {
	case VerdictMissing, VerdictWrong, VerdictOctave:
		return wrongCost
	case VerdictNotJudged, VerdictExtra:
		return 0
	}
	tol := r.tol.LateMilliseconds
	if ms < 0 {
		tol = r.tol.EarlyMilliseconds
	}
	return min(wrongCost, excess(math.Abs(cents), tuning.GoodCents, tuning.ListenCents)+excess(math.Abs(ms), tol/2, tol))
}

func (r *ranking) lengthOf(k int, n NoteResult) int64 {
	if n.Target >= 0 && n.Target < len(r.layers[k].Targets) {
		t := r.layers[k].Targets[n.Target]
		return t.End - t.Start
	}
	return n.Offset - n.Onset
}

// heardMilliseconds is how far off an entry is heard: of a swell the kinder end.
func heardMilliseconds(n NoteResult) float64 {
	return max(n.Milliseconds, min(0, n.Milliseconds+n.SwellMilliseconds))
}

// noteCost is a note's as it is, with its weight.
func (r *ranking) noteCost(k int, n NoteResult) float64 {
	return r.costOf(n, n.Cents, heardMilliseconds(n)) * r.weight(r.lengthOf(k, n))
}

// besideCost is a note's if the layer as a whole were mended.
func (r *ranking) besideCost(k int, n NoteResult) float64 {
	ms := heardMilliseconds(n) - n.Milliseconds + n.RelativeMilliseconds
	return r.costOf(n, n.DetrendedCents, ms) * r.weight(r.lengthOf(k, n))
}

// weigh sums the whole, and finds each layer's usual note.
func (r *ranking) weigh() {
	r.typical = make([]float64, len(r.layers))
	for k, l := range r.layers {
		var costs []float64
		for _, n := range l.Report.Notes {
			r.total += r.noteCost(k, n)
			if n.Verdict == VerdictGood || n.Verdict == VerdictListen {
				costs = append(costs, r.besideCost(k, n)/r.weight(r.lengthOf(k, n)))
			}
		}
		if len(costs) > 0 {
			slices.Sort(costs)
			r.typical[k] = costs[len(costs)/2]
		}
		for _, f := range l.Report.Findings {
			r.total += ownCost(f.Kind)
		}
	}
	for _, c := range r.h.Chords {
		r.total += r.chordCost(c, 0)
	}
}

// ownCost is what a finding costs beside its note.
func ownCost(k Kind) float64 {
	switch k {
	case Dropped, Clipping:
		return brokenCost
	case Extra:
		return extraCost
	}
	return 0
}

// chordCost is what is off in a chord when its blamed member has moved: its
// intervals as notes are weighed, per member, by its length.
func (r *ranking) chordCost(c ChordResult, move float64) float64 {
	sum := 0.0
	for _, v := range c.Intervals {
		switch c.Blame {
		case v.High:
			v.EqualCents, v.JustCents = v.EqualCents+move, v.JustCents+move
		case v.Low:
			v.EqualCents, v.JustCents = v.EqualCents-move, v.JustCents-move
		}
		sum += excess(v.Error(), tuning.GoodCents, tuning.ListenCents)
	}
	return sum / float64(len(c.Members)-1) * r.weight(c.To-c.From)
}

// chordGain is what the chords gain in which a layer's note among these is to
// blame.
func (r *ranking) chordGain(layer int, notes map[int]bool) float64 {
	sum := 0.0
	for _, c := range r.h.Chords {
		if c.Blame >= 0 && c.Members[c.Blame].Layer == layer && notes[c.Members[c.Blame].Note] {
			sum += max(0, r.chordCost(c, 0)-r.chordCost(c, c.MoveCents))
		}
	}
	return sum
}
