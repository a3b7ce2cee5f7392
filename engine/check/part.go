package check

import (
	"math"
	"slices"

	"cuechoir/engine/pitch"
	"cuechoir/engine/timing"
	"cuechoir/engine/tuning"
	"cuechoir/internal/dsp"
)

// heard is what was sung for one target.
type heard struct {
	note   pitch.Note
	parts  []int // of l.notes
	shared bool  // entry not its own: sung on from the target before
	second bool  // found by listening again inside the target
}

// judgePart holds the layer against its part.
func (l *layer) judgePart() error {
	l.results = make([]NoteResult, len(l.in.Targets))
	for i, t := range l.written {
		l.results[i] = NoteResult{Target: i, Key: t.Key, Verdict: VerdictMissing}
	}
	pitched, unpitched := l.split()
	found, err := l.match(pitched)
	if err != nil {
		return err
	}
	struck, err := l.matchHits(unpitched)
	if err != nil {
		return err
	}
	l.judgePitch(pitched, found)
	l.judgeTime(pitched, found, struck)
	l.findMissing(pitched, found)
	l.findMissingHits(unpitched, struck)
	l.report.Notes = l.results
	l.findExtra(found)
	l.summarise(pitched)
	return nil
}

func (l *layer) split() (pitched, unpitched []int) {
	for _, i := range l.order {
		if l.in.Targets[i].Unpitched {
			unpitched = append(unpitched, i)
		} else {
			pitched = append(pitched, i)
		}
	}
	return pitched, unpitched
}

// match aligns notes and targets twice: first as they are, then beside the
// lateness and the line of pitch that the first pass shows. The answer is
// index by target.
func (l *layer) match(pitched []int) (map[int]*heard, error) {
	sung := make([]tuning.Sung, len(l.notes))
	for i, n := range l.notes {
		sung[i] = tuning.Sung{Onset: n.Onset, Offset: n.Offset, Cents: n.CentreCents, Weight: n.Confidence}
	}
	targets := make([]tuning.Target, len(pitched))
	for k, i := range pitched {
		t := l.in.Targets[i]
		targets[k] = tuning.Target{Start: t.Start, End: t.End, Cents: 100 * t.Key}
	}
	o := tuning.AlignOptions{Shift: tuning.Shift(sung, targets, l.in.SampleRate)}
	pairs, err := tuning.Align(sung, targets, l.in.SampleRate, o)
	if err != nil {
		return nil, err
	}
	o.Line = l.roughLine(pairs, sung, targets)
	if pairs, err = tuning.Align(sung, targets, l.in.SampleRate, o); err != nil {
		return nil, err
	}
	found := make(map[int]*heard)
	for k, p := range pairs {
		if len(p.Sung) > 0 {
			found[pitched[k]] = l.hear(p, pairs, k, l.in.Targets[pitched[k]], o.Shift)
		}
	}
	return found, nil
}

// roughLine is the line of pitch of a first alignment, wild notes left out.
func (l *layer) roughLine(pairs []tuning.Pair, sung []tuning.Sung, targets []tuning.Target) func(int64) float64 {
	var points []tuning.Point
	for k, p := range pairs {
		if len(p.Sung) == 1 {
			s := sung[p.Sung[0]]
			points = append(points, tuning.Point{Minutes: l.minutes(targets[k].Start), Cents: s.Cents - targets[k].Cents})
		}
	}
	line, biased := fitLayer(points)
	if line.Significant() {
		return func(s int64) float64 { return line.At(l.minutes(s)) }
	}
	if biased.Biased() {
		return func(int64) float64 { return biased.BiasCents }
	}
	return nil
}

// wildCents: a note so far from the layer's median says nothing about it.
const wildCents = 350.0

// nearPoints leaves out what is too wild.
func nearPoints(points []tuning.Point) []tuning.Point {
	cents := make([]float64, len(points))
	for i, p := range points {
		cents[i] = p.Cents
	}
	mid := dsp.Median(cents)
	var near []tuning.Point
	for _, p := range points {
		if math.Abs(p.Cents-mid) <= wildCents {
			near = append(near, p)
		}
	}
	return near
}

func fitLayer(points []tuning.Point) (tuning.Line, tuning.Summary) {
	near := nearPoints(points)
	cents := make([]float64, len(near))
	for i, p := range near {
		cents[i] = p.Cents
	}
	return tuning.FitLine(near), tuning.Summarise(cents)
}

// hear joins what was sung for a target; a note that stands for two targets is
// measured anew within each.
func (l *layer) hear(p tuning.Pair, pairs []tuning.Pair, k int, t Target, shift int64) *heard {
	h := &heard{parts: p.Sung, shared: p.Shared, note: l.notes[p.Sung[0]]}
	for _, i := range p.Sung[1:] {
		h.note = joined(h.note, l.notes[i])
	}
	both := p.Shared || k+1 < len(pairs) && pairs[k+1].Shared
	if !both {
		return h
	}
	from, to := max(h.note.Onset, t.Start+shift), min(h.note.Offset, t.End+shift)
	if n, ok := l.measure(from, to); ok {
		n.Attack, n.Onset, n.Offset, n.Murmur = h.note.Attack, h.note.Onset, to, h.note.Murmur
		if p.Shared {
			n.Attack, n.Onset, n.Murmur = from, from, from
		}
		h.note = n
	}
	return h
}

// measure reads a note between two samples of the timeline.
func (l *layer) measure(from, to int64) (pitch.Note, bool) {
	first := l.frameAt(from)
	last := l.frameAt(to)
	if last-first < 4 {
		return pitch.Note{}, false
	}
	return pitch.Measure(l.frames[first:last], l.in.SampleRate)
}

func (l *layer) frameAt(sample int64) int {
	i, _ := slices.BinarySearchFunc(l.frames, sample, func(f pitch.Frame, s int64) int {
		return int(max(-1, min(1, f.Sample-s)))
	})
	return i
}

// matchHits aligns unpitched onsets and targets.
func (l *layer) matchHits(unpitched []int) (map[int]timing.Onset, error) {
	struck := make(map[int]timing.Onset)
	if len(unpitched) == 0 {
		return struck, nil
	}
	length := l.samples(0.06)
	sung := make([]tuning.Sung, len(l.hits))
	for i, h := range l.hits {
		sung[i] = tuning.Sung{Onset: h.Sample, Offset: h.Sample + length, Weight: 1}
	}
	targets := make([]tuning.Target, len(unpitched))
	for k, i := range unpitched {
		s := l.in.Targets[i].Start
		targets[k] = tuning.Target{Start: s, End: s + length}
	}
	o := tuning.AlignOptions{Shift: tuning.Shift(sung, targets, l.in.SampleRate)}
	pairs, err := tuning.Align(sung, targets, l.in.SampleRate, o)
	if err != nil {
		return nil, err
	}
	for k, p := range pairs {
		if len(p.Sung) > 0 && !p.Shared {
			struck[unpitched[k]] = l.hits[p.Sung[0]]
		}
	}
	return struck, nil
}
