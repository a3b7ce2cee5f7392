package check

import (
	"math"

	"cuechoir/engine/pitch"
	"cuechoir/engine/tuning"
	"cuechoir/internal/dsp"
)

// Rests from here on are taken for a breath (from practice: a catch breath of a
// singer takes two to four tenths of a second).
const breathSeconds = 0.2

// walked gathers how the part comes from one well-read note to the next.
type walked struct {
	intervals []int
	left      int64 // where the last well-read note ended
	started   bool
}

func (w *walked) interval(semitones float64) {
	if w.started {
		w.intervals = append(w.intervals, int(math.Round(semitones)))
	}
}

// arrive adds a note when it is well read.
func (w *walked) arrive(l *layer, steps []tuning.Step, n pitch.Note, cents float64) []tuning.Step {
	if !l.sure(n) {
		return steps
	}
	s := tuning.Step{Point: tuning.Point{Minutes: l.minutes(middle(n)), Cents: cents}, Intervals: w.intervals,
		Breath: w.started && n.Attack-w.left >= l.samples(breathSeconds)}
	*w = walked{left: n.Offset, started: true}
	return append(steps, s)
}

func middle(n pitch.Note) int64 { return n.Onset + (n.Offset-n.Onset)/2 }

// judgeLayer finds drift or bias and sets l.line, beside which notes are held.
func (l *layer) judgeLayer(steps []tuning.Step) {
	line, sum := l.measureDrift(steps)
	start := 0.0
	switch {
	case l.report.Drift.Significant:
		l.line = func(s int64) float64 { return line.At(l.minutes(s)) }
		start = line.At(steps[0].Minutes)
		if l.in.Options.FreeA4 {
			line.At0Cents -= start // what it leaves is its own beginning
		}
		l.add(l.driftFinding(line, steps))
		if !l.in.Options.FreeA4 && math.Abs(start) > tuning.ListenCents && math.Abs(start) > math.Abs(line.SpanCents) {
			l.add(l.biasFinding(start))
		}
	case l.in.Options.FreeA4 && sum.Notes > 0:
		l.line = func(int64) float64 { return sum.BiasCents }
	case sum.Biased():
		l.line = func(int64) float64 { return sum.BiasCents }
		l.add(l.biasFinding(sum.BiasCents))
	}
}

// measureDrift fills the report's drift.
func (l *layer) measureDrift(steps []tuning.Step) (tuning.Line, tuning.Summary) {
	points := make([]tuning.Point, len(steps))
	for i, s := range steps {
		points[i] = s.Point
	}
	near := nearPoints(points)
	line, sum := fitLayer(points)
	d := &l.report.Drift
	*d = DriftReport{Line: line, Significant: line.Significant(), Points: points, Curve: tuning.Curve(near)}
	if d.Significant {
		d.Way = tuning.FindWay(d.Curve)
		if c, ok := tuning.FindCause(steps, line); ok {
			d.Cause = c
		}
	}
	return line, sum
}

// driftFinding places the drift where the line first leaves the tolerance, or
// at its end.
func (l *layer) driftFinding(line tuning.Line, steps []tuning.Step) Finding {
	at := steps[len(steps)-1].Minutes
	for _, s := range steps {
		if math.Abs(line.At(s.Minutes)) > l.in.Options.ListenCents {
			at, l.leaves = s.Minutes, true
			break
		}
	}
	f := Finding{Kind: Drift, Note: -1, CentsPerMinute: line.CentsPerMinute, Cents: line.SpanCents,
		Sample:   int64(math.Round(at * 60 * float64(l.in.SampleRate))),
		Severity: 2 + min(8, math.Abs(line.SpanCents)/l.in.Options.ListenCents)}
	if !l.leaves {
		f.Severity = 1 + math.Abs(line.SpanCents)/l.in.Options.ListenCents
	}
	return f
}

// unsure counts the pitched notes that were sung and not judged.
func (l *layer) unsure() int {
	n := 0
	for i, r := range l.results {
		if r.Verdict == VerdictNotJudged && r.Sung && (r.Target < 0 || !l.in.Targets[i].Unpitched) {
			n++
		}
	}
	return n
}

// What a note must have for its bend to be told: its thirds hold whole turns of
// a vibrato.
const (
	bendSeconds = 0.5
	bendSkip    = 0.12 // scoop and release
)

// bend is how far the pitch moves from a note's first third to its last, the
// scoop and the release left out; 0 of short notes.
func (l *layer) bend(n pitch.Note) float64 {
	skip := l.samples(bendSkip)
	from, to := n.Onset+skip, n.Offset-skip
	if to-from < l.samples(bendSeconds) {
		return 0
	}
	third := (to - from) / 3
	a, okA := l.middleCents(from, from+third, n.CentreCents)
	b, okB := l.middleCents(to-third, to, n.CentreCents)
	if !okA || !okB {
		return 0
	}
	return b - a
}

// middleCents is the median of the well-voiced pitch near a centre.
func (l *layer) middleCents(from, to int64, centre float64) (float64, bool) {
	var cents []float64
	for _, f := range l.frames[l.frameAt(from):l.frameAt(to)] {
		if f.Voiced && f.Hz > 0 {
			if c := pitch.Cents(f.Hz); math.Abs(c-centre) < 100 {
				cents = append(cents, c)
			}
		}
	}
	const least = 8 // readings
	return dsp.Median(cents), len(cents) >= least
}
