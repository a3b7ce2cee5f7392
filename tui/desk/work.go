package desk

import (
	"context"
	"fmt"
	"strings"
	"time"

	"cuechoir/engine/check"
	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
	"cuechoir/tui"
)

// check listens to all layers and keeps what it heard.
func (d *Desk) check(ctx context.Context, tell func(tui.Told)) (tui.Outcome, error) {
	tell(tui.Told{What: "listening to the layers"})
	s, err := d.f.Load()
	if err != nil {
		return tui.Outcome{}, err
	}
	keys := map[string]string{}
	for _, l := range s.Layers {
		if _, key, ok, err := job.SoundKey(d.f, s, l.Name); err != nil {
			return tui.Outcome{}, err
		} else if ok {
			keys[l.Name] = key
		}
	}
	res, err := job.CheckAs(ctx, d.f, job.CheckOptions{}, working(tell))
	if err != nil {
		return tui.Outcome{}, stoppedOr(ctx, err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	n := 0
	d.whole = wholeOf(s, res, len(keys))
	for _, r := range res.Layers {
		d.judged[r.Layer] = judged{keys[r.Layer], r}
		n += len(r.Report.Findings)
	}
	news := "nothing to mend"
	switch {
	case n == 1:
		news = "1 finding; w goes to it"
	case n > 1:
		news = fmt.Sprintf("%d findings; w goes to the worst of the layer", n)
	}
	return tui.Outcome{News: news, Changed: true}, nil
}

// wholeOf is what is said of the layers together.
func wholeOf(s *score.Score, res job.CheckResult, layers int) whole {
	w := whole{layers: layers, job: res.Fixes}
	for _, f := range res.Fixes {
		w.fixes = append(w.fixes, tui.Fix{Layer: f.LayerName, Frame: f.Frame, FromBar: f.FromBar, ToBar: f.ToBar, Gain: f.Gain, Words: f.Words})
	}
	if res.Between == nil {
		return w
	}
	for _, c := range res.Chords() {
		w.chords = append(w.chords, chordOf(res, c))
	}
	return w
}

// chordOf is a chord in a line: who sings what, its worst interval, and who
// would better move.
func chordOf(res job.CheckResult, c check.ChordResult) tui.Chord {
	name := func(i int) string { return res.Heard[c.Members[i].Layer].Name }
	var notes []string
	for i, m := range c.Members {
		notes = append(notes, name(i)+" "+part.KeyName(uint8(m.Key)))
	}
	out := tui.Chord{From: c.From, To: c.To, Sour: c.Blame >= 0}
	if c.Blame >= 0 {
		out.Words = fmt.Sprintf("move %s by %+.0f c; ", name(c.Blame), c.MoveCents)
	}
	worst := -1
	for i, v := range c.Intervals {
		if worst < 0 || v.Error() > c.Intervals[worst].Error() {
			worst = i
		}
	}
	if worst >= 0 {
		v := c.Intervals[worst]
		out.Words += fmt.Sprintf("%s to %s %d:%d %+.0f c, beats %.1f Hz; ", name(v.Low), name(v.High), v.Just.Num, v.Just.Den, v.JustCents, v.BeatHz)
	}
	out.Words += strings.Join(notes, ", ")
	return out
}

// stoppedOr is the error as the person sees it: a stop of their own is no
// error of anybody's.
func stoppedOr(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return fault.New(fault.Interrupted, "stopped")
	}
	return err
}

// measure measures each layer and the mix.
func (d *Desk) measure(ctx context.Context, tell func(tui.Told)) (tui.Outcome, error) {
	s, err := d.f.Load()
	if err != nil {
		return tui.Outcome{}, err
	}
	for i, l := range s.Layers {
		tell(tui.Told{What: "measuring " + l.Name, Done: int64(i), Total: int64(len(s.Layers))})
		_, key, ok, err := job.SoundKey(d.f, s, l.Name)
		if err != nil {
			return tui.Outcome{}, err
		}
		d.mu.Lock()
		known := d.levels[l.Name].key == key
		d.mu.Unlock()
		if !ok || known {
			continue
		}
		peaks, _, err := job.LayerLevels(ctx, d.f, s, l.Name)
		if err != nil {
			return tui.Outcome{}, stoppedOr(ctx, err)
		}
		d.mu.Lock()
		d.levels[l.Name] = levels{key, peaks}
		d.mu.Unlock()
	}
	m, err := job.MeasureMix(ctx, d.f, working(tell))
	if fault.KindOf(err) == fault.Missing { // nothing sung that is not left out
		return tui.Outcome{News: err.Error(), Changed: true}, nil
	}
	if err != nil {
		return tui.Outcome{}, stoppedOr(ctx, err)
	}
	return tui.Outcome{Changed: true, News: fmt.Sprintf("the mix measures %.1f LUFS, true peak %.1f dBTP", m.Loudness.IntegratedLUFS, m.Loudness.TruePeakDBTP),
		Mix: &tui.MixReading{Peak: m.Peak, Momentary: m.Momentary, Layers: m.Layers, Groups: m.Groups, LUFS: m.Loudness.IntegratedLUFS, PeakDBTP: m.Loudness.TruePeakDBTP}}, nil
}

// bounce writes the stem.
func (d *Desk) bounce(ctx context.Context, w tui.Wish, tell func(tui.Told)) (tui.Outcome, error) {
	o := job.BounceOptions{Bits: w.Bits, Stems: w.Stems, Created: time.Now(), Progress: working(tell)}
	if w.Target != 0 {
		o.TargetLUFS = &w.Target
	}
	res, err := job.Bounce(ctx, d.f, o)
	if err != nil {
		return tui.Outcome{}, stoppedOr(ctx, err)
	}
	b := &tui.Bounced{Files: []string{res.Mix.Path}, Samples: res.Mix.Loudness.Frames, SampleRate: res.SampleRate, Bits: w.Bits,
		LUFS: res.Mix.Loudness.IntegratedLUFS, PeakDBTP: res.Mix.Loudness.TruePeakDBTP, RangeLU: res.Mix.Loudness.RangeLU,
		GainDB: res.GainDB, Layers: len(res.Layers)}
	for _, f := range res.Stems {
		b.Files = append(b.Files, f.Path)
	}
	for _, l := range res.Unsung {
		b.LeftOut = append(b.LeftOut, l+" (not sung)")
	}
	for _, l := range res.Muted {
		b.LeftOut = append(b.LeftOut, l+" (muted)")
	}
	return tui.Outcome{News: "the stem is written: " + res.Mix.Path, Bounced: b}, nil
}
