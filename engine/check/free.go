package check

import (
	"cuechoir/engine/tuning"
	"cuechoir/internal/dsp"
)

// judgeFree holds the notes against the nearest of a scale, at a given A4 or at
// the layer's own.
func (l *layer) judgeFree() {
	keys, off, a4 := l.nearest()
	l.results = make([]NoteResult, len(l.notes))
	var steps []tuning.Step
	var way walked
	for i, n := range l.notes {
		r := &l.results[i]
		r.Target, r.Key, r.Cents = -1, float64(keys[i]), off[i]
		l.fill(r, n)
		if i > 0 {
			way.interval(float64(keys[i] - keys[i-1]))
		}
		steps = way.arrive(l, steps, n, r.Cents)
	}
	if l.in.Options.System.A4Hz > 0 {
		l.report.A4Hz = l.in.Options.System.A4Hz
		l.judgeLayer(steps)
	} else {
		l.freeLine(steps, a4)
	}
	var raw, beside []float64
	var judged, all float64
	for i, n := range l.notes {
		r := &l.results[i]
		l.judgeCents(i, n)
		all += float64(n.Offset - n.Onset)
		if r.Verdict != VerdictNotJudged {
			judged += float64(n.Offset - n.Onset)
			raw, beside = append(raw, r.Cents), append(beside, r.DetrendedCents)
		}
	}
	for k := range l.report.Findings {
		l.report.Findings[k].Note = -1
	}
	s := tuning.Summarise(beside)
	r := &l.report
	r.Notes = l.results
	r.ErrorCents, r.BiasCents, r.SpreadCents = s.ErrorCents, dsp.Median(raw), s.SpreadCents
	r.Within10, r.Within25, r.Within50 = s.Within10, s.Within25, s.Within50
	r.JudgedNotes, r.Unsure = s.Notes, l.unsure()
	if all > 0 {
		r.Judged = judged / all
	}
}

// nearest is the note of the scale that each sung note stands for, and how far
// it is from it: with a free A4 from 440 Hz, else from the system's note.
func (l *layer) nearest() (keys []int, off []float64, a4 tuning.Tuning) {
	sys, scale := l.in.Options.System, l.in.Options.Scale
	cents := make([]float64, len(l.notes))
	for i, n := range l.notes {
		cents[i] = n.CentreCents
	}
	if sys.A4Hz > 0 {
		keys, off = make([]int, len(cents)), make([]float64, len(cents))
		for i, c := range cents {
			keys[i], _ = scale.Nearest(c - sys.A4Cents())
			off[i] = c - sys.Cents(float64(keys[i]), l.notes[i].Onset)
		}
		return keys, off, tuning.Tuning{}
	}
	free := tuning.JudgeFree(cents, scale)
	for i, k := range free.Keys {
		free.Cents[i] -= sys.Cents(float64(k), l.notes[i].Onset) - 100*float64(k)
	}
	return free.Keys, free.Cents, free.A4
}

// freeLine: without a part the layer's own A4 is right, so only drift counts.
func (l *layer) freeLine(steps []tuning.Step, a4 tuning.Tuning) {
	line, _ := l.measureDrift(steps)
	l.report.A4Hz = a4.A4Hz
	l.line = func(int64) float64 { return a4.Cents }
	if l.report.Drift.Significant {
		start := line.At(steps[0].Minutes)
		l.line = func(s int64) float64 { return line.At(l.minutes(s)) }
		line.At0Cents -= start
		l.add(l.driftFinding(line, steps))
	}
}
