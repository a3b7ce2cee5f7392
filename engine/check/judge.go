package check

import (
	"math"

	"cuechoir/engine/pitch"
	"cuechoir/engine/timing"
	"cuechoir/engine/tuning"
)

// When a reading is good enough to accuse by.
const (
	sureConfidence = 0.55
	sureSeconds    = 0.07 // of note, at least
	sureError      = 15.0 // cents, standard error at most
	doubts         = 1.5  // a note must be over the limit by so many standard errors
	wrongCents     = 75.0 // from here on another semitone is meant (nearer than not, with room for a flat note)
)

func (l *layer) sure(n pitch.Note) bool {
	return n.Confidence >= sureConfidence && n.Offset-n.Onset >= l.samples(sureSeconds) && n.ErrorCents <= sureError
}

// judgePitch writes the pitch of each note and finds what is off.
func (l *layer) judgePitch(pitched []int, found map[int]*heard) {
	var steps []tuning.Step
	var way walked
	for k, i := range pitched {
		h := found[i]
		if k > 0 {
			way.interval(l.in.Targets[i].Key - l.in.Targets[pitched[k-1]].Key)
		}
		if h == nil {
			continue
		}
		l.fill(&l.results[i], h.note)
		l.results[i].Cents = h.note.CentreCents - 100*l.in.Targets[i].Key
		steps = way.arrive(l, steps, h.note, l.results[i].Cents)
	}
	l.judgeLayer(steps)
	for _, i := range pitched {
		h := found[i]
		if h == nil {
			continue
		}
		l.judgeCents(i, h.note)
	}
}

func (l *layer) fill(r *NoteResult, n pitch.Note) {
	r.Sung = true
	r.Onset, r.Offset = n.Onset, n.Offset
	r.ScoopCents, r.VibratoHz, r.VibratoCents = n.ScoopCents, n.VibratoHz, n.VibratoCents
	r.Confidence, r.LevelDB = n.Confidence, n.LevelDB
	r.BendCents = l.bend(n)
}

func (l *layer) biasFinding(cents float64) Finding {
	kind := TunedLow
	if cents > 0 {
		kind = TunedHigh
	}
	return Finding{Kind: kind, Note: -1, Sample: l.in.Start, Cents: cents, Severity: 2 + min(8, math.Abs(cents)/tuning.ListenCents)}
}

// judgeCents gives one note its verdict.
func (l *layer) judgeCents(i int, n pitch.Note) {
	r := &l.results[i]
	off := r.Cents - l.line(middle(n))
	r.DetrendedCents = off
	if !l.sure(n) {
		r.Verdict = VerdictNotJudged
		return
	}
	f := Finding{Note: i, Sample: n.Onset, Cents: off}
	octaves := math.Round(off / 1200)
	limit := l.in.Options.ListenCents + doubts*n.ErrorCents
	switch size := math.Abs(off); {
	case octaves != 0 && math.Abs(off-1200*octaves) < wrongCents:
		r.Verdict = VerdictOctave
		f.Kind, f.Severity = Wrong, 4
	case size >= max(wrongCents, limit):
		r.Verdict = VerdictWrong
		f.Kind, f.Severity = Wrong, 5
	case size > limit:
		r.Verdict = VerdictResing
		f.Kind, f.Severity = Flat, size/l.in.Options.ListenCents
		if off > 0 {
			f.Kind = Sharp
		}
	default:
		r.Verdict = tuning.BandOf(min(size, tuning.ListenCents)).String()
		return
	}
	l.add(f)
}

// judgeTime writes the lateness of each entry and finds what is off.
func (l *layer) judgeTime(pitched []int, found map[int]*heard, struck map[int]timing.Onset) {
	entries := make(map[int]timing.Entry)
	var all []timing.Entry
	for _, i := range l.order {
		e := timing.Entry{Target: l.in.Targets[i].Start}
		if h := found[i]; h != nil && !h.shared && !h.second {
			e.Attack, e.Onset, e.Murmur = h.note.Attack, h.note.Onset, h.note.Murmur
			e.Swell = l.swell(h.note)
		} else if o, ok := struck[i]; ok {
			e.Attack, e.Onset, e.Murmur, e.Swell = o.Sample, o.Sample, o.Sample, o.Sample
		} else {
			continue
		}
		if l.holed(e.Target-l.samples(0.1), e.Onset+l.samples(0.02)) {
			continue
		}
		entries[i] = e
		all = append(all, e)
	}
	habit := timing.FindHabit(all, l.in.SampleRate)
	ms := make([]float64, 0, len(all))
	for _, e := range all {
		ms = append(ms, timing.Milliseconds(habit.At(e)-e.Target, l.in.SampleRate))
	}
	bias := timing.FindBias(ms)
	l.report.BiasMilliseconds = bias.Milliseconds
	if bias.Significant() {
		l.biasMS = bias.Milliseconds
		l.add(l.lateFinding(bias.Milliseconds))
	}
	for _, i := range l.order {
		if e, ok := entries[i]; ok {
			l.judgeEntry(i, e, habit)
		}
	}
}

func (l *layer) lateFinding(ms float64) Finding {
	kind := AllLate
	if ms < 0 {
		kind = AllEarly
	}
	return Finding{Kind: kind, Note: -1, Sample: l.in.Start, Milliseconds: ms,
		Frames: timing.Frames(ms, l.in.Rate), Severity: 1.5 + min(8, math.Abs(ms)/60)}
}

// When the layer does not show how its consonants lie on the beat, an entry
// must be off by sureShare of the tolerance under any reading; when it does, by
// leadDoubt of the consonant's length more than the tolerance.
const (
	sureShare = 0.5
	leadDoubt = 0.25
)

func (l *layer) judgeEntry(i int, e timing.Entry, habit timing.Habit) {
	r := &l.results[i]
	late := int64(math.Round(l.biasMS / 1000 * float64(l.in.SampleRate)))
	beside := e
	beside.Target += late
	at := habit.At(e)
	if e.Murmur < e.Onset {
		at = max(min(at, e.Murmur), min(beside.Target, at))
	}
	r.Milliseconds = timing.Milliseconds(at-e.Target, l.in.SampleRate)
	r.RelativeMilliseconds = r.Milliseconds - l.biasMS
	r.SwellMilliseconds = timing.Milliseconds(e.Swell-e.Onset, l.in.SampleRate)
	r.Frames = timing.Frames(r.Milliseconds, l.in.Rate)
	if r.Verdict == VerdictNotJudged {
		return
	}
	tol := l.in.Options.Tolerance
	off := timing.Milliseconds(beside.Nearest(at)-beside.Target, l.in.SampleRate)
	first := timing.Milliseconds(e.Attack-e.Target, l.in.SampleRate) - l.biasMS
	last := timing.Milliseconds(e.Onset-e.Target, l.in.SampleRate) - l.biasMS
	doubt := leadDoubt * (last - first)
	f := Finding{Note: i, Sample: e.Onset, Milliseconds: off, Frames: timing.Frames(off, l.in.Rate)}
	switch {
	case off < 0 && tol.Judge(off+doubt) == timing.Early:
		if !habit.Known && last > -tol.EarlyMilliseconds*sureShare {
			return
		}
		f.Kind, f.Severity = Early, -off/tol.EarlyMilliseconds
	case off > 0 && tol.Judge(off-doubt) == timing.Late:
		if !habit.Known && first < tol.LateMilliseconds*sureShare {
			return
		}
		f.Kind, f.Severity = Late, off/tol.LateMilliseconds
	default:
		return
	}
	l.add(f)
}

// holed: a dropout touches the stretch.
func (l *layer) holed(from, to int64) bool {
	for _, h := range l.holes {
		if h.Sample < to && h.Sample+h.Length > from {
			return true
		}
	}
	return false
}

// summarise fills the report's figures.
func (l *layer) summarise(pitched []int) {
	var raw, off []float64
	for _, i := range pitched {
		switch r := l.results[i]; r.Verdict {
		case VerdictGood, VerdictListen, VerdictResing:
			raw = append(raw, r.Cents)
			off = append(off, r.DetrendedCents)
		}
	}
	s := tuning.Summarise(raw)
	r := &l.report
	r.ErrorCents, r.BiasCents, r.SpreadCents = s.ErrorCents, s.BiasCents, tuning.Summarise(off).SpreadCents
	r.Within10, r.Within25, r.Within50 = s.Within10, s.Within25, s.Within50
	r.JudgedNotes, r.Unsure = s.Notes, l.unsure()
	r.A4Hz = 440 * math.Exp2((l.in.Options.System.A4Cents()+s.BiasCents)/1200)
	var judged, all float64
	for i, t := range l.in.Targets {
		d := float64(t.End - t.Start)
		all += d
		if l.results[i].Verdict != VerdictNotJudged {
			judged += d
		}
	}
	if all > 0 {
		r.Judged = judged / all
	}
}
