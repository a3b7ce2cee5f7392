package desk

import (
	"context"
	"math"
	"os"
	"reflect"
	"slices"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
	"cuechoir/tui"
)

// Load is the score as the screen shows it. What the check and the meters said
// is in it as long as it is of the takes and the notes as they are now.
func (d *Desk) Load(ctx context.Context) (tui.Model, error) {
	s, err := d.f.Load()
	if err != nil {
		return tui.Model{}, err
	}
	ref := s.Reference
	m := tui.Model{Title: s.Title, Rate: ref.Rate, Frames: ref.Frames, Samples: s.Length(), Start: ref.Start,
		SampleRate: s.SampleRate, Sound: ref.Sound != "", Taps: s.Taps}
	for _, c := range s.Cuts {
		m.Cuts = append(m.Cuts, tui.Cut{Frame: c.Frame, End: c.End, Kind: string(c.Kind), Name: c.Name})
	}
	var grid *tempo.Grid
	if s.Map != nil {
		if grid, err = job.Grid(s); err != nil {
			return m, err
		}
	}
	bars(&m, s, grid)
	d.mu.Lock()
	defer d.mu.Unlock()
	if room, ok := take.RoomIn(d.f.Dir, s.SampleRate); ok {
		m.Room = int64(room / time.Second)
	}
	if m.Wave, err = d.reference(ctx, s); err != nil {
		return m, err
	}
	takes, err := job.Takes(d.f, "")
	if err != nil {
		return m, err
	}
	byLayer := map[string]job.LayerTakes{} // an edit in between may have added or taken a layer
	for _, t := range takes {
		byLayer[t.Layer] = t
	}
	for _, l := range s.Layers {
		layer, err := d.layer(s, l, grid, byLayer[l.Name])
		if err != nil {
			return m, err
		}
		m.Layers = append(m.Layers, layer)
	}
	if d.fits(m) {
		m.Fixes, m.Chords = d.whole.fixes, d.whole.chords
	}
	for _, name := range job.GroupNames(s) {
		g := tui.Group{Name: name}
		for _, x := range s.Desk.Groups {
			if x.Name == name {
				g.GainDB, g.Muted, g.Moves = x.GainDB, x.Mute, moves(x.Automation)
			}
		}
		if g.Dials, err = dials(s, job.DialOf{Group: name}); err != nil {
			return m, err
		}
		m.Groups = append(m.Groups, g)
	}
	for _, r := range voice.Recipes() {
		m.Colours = append(m.Colours, r.Name)
	}
	if m.Dials, err = dials(s, job.DialOf{}); err != nil {
		return m, err
	}
	m.Needs, err = d.needs(ctx, s, m)
	return m, err
}

// dials are what can be set of a sound, each with the command that sets it so.
func dials(s *score.Score, of job.DialOf) (out []tui.Dial, err error) {
	list, err := job.Dials(s, of)
	for _, d := range list {
		text := d.Text
		if text == "" {
			text = d.Usual
		}
		out = append(out, tui.Dial{Name: d.Name, Text: d.Text, Usual: d.Usual, Uses: d.Uses, Command: job.DialCommand(of, d.Name, text)})
	}
	return out, err
}

// needs are the checklist, of what has been heard so far. The lock is held.
func (d *Desk) needs(ctx context.Context, s *score.Score, m tui.Model) (out []tui.Need, err error) {
	known := job.ReadyKnown{Layers: map[string]job.LayerReport{}, Fixes: d.whole.job}
	for _, l := range m.Layers {
		if l.Judged {
			known.Layers[l.Name] = d.judged[l.Name].report
		}
	}
	if known.Stem, err = d.measuredStem(ctx, s); err != nil {
		return nil, err
	}
	lines, err := job.ReadyFrom(d.f, s, known)
	for _, l := range lines {
		stand := map[job.Stand]tui.Stand{job.Done: tui.Met, job.Look: tui.Look, job.InTheWay: tui.InTheWay}[l.Stand]
		out = append(out, tui.Need{What: l.What, Layer: l.Layer, Stand: stand, Words: l.Words, Command: l.Command})
	}
	return out, err
}

// measuredStem measures the stem when its file is another than it was.
func (d *Desk) measuredStem(ctx context.Context, s *score.Score) (*job.StemFacts, error) {
	path := d.f.Path(score.BouncesDir + "/stem.wav")
	st, err := os.Stat(path)
	if err != nil {
		return nil, nil // there is none
	}
	if st.Size() != d.stem.size || !st.ModTime().Equal(d.stem.made) {
		facts, err := job.MeasureStem(ctx, path, s.SampleRate)
		if err != nil {
			return nil, err
		}
		d.stem = stem{st.Size(), st.ModTime(), facts}
	}
	return d.stem.facts, nil
}

// fits reports that what was said of all layers is of them as they are. The lock
// is held.
func (d *Desk) fits(m tui.Model) bool {
	judged := 0
	for _, l := range m.Layers {
		if l.Sung && !l.Judged {
			return false
		}
		if l.Judged {
			judged++
		}
	}
	return judged > 0 && judged == d.whole.layers
}

func moves(a mix.Automation) (out []tui.Move) {
	for _, k := range a {
		out = append(out, tui.Move{At: k.At, DB: k.DB})
	}
	return out
}

// bars lays the map and the hits out.
func bars(m *tui.Model, s *score.Score, grid *tempo.Grid) {
	if grid == nil {
		for _, h := range s.Hits {
			m.Hits = append(m.Hits, tui.Hit{Frame: h.Frame, Must: h.Must, Name: h.Name, Lands: string(h.Lands)})
		}
		return
	}
	m.Style = string(s.Map.Style)
	m.Hits = landed(s.Hits, grid.Landings(s.Hits))
	for _, p := range s.Map.Pins {
		m.Pins = append(m.Pins, tui.Pin{Bar: p.Bar, Beat: p.Beat, Frame: p.Frame})
	}
	for _, b := range grid.Bars(s.SampleRate) {
		m.Bars = append(m.Bars, tui.Bar{Number: b.Number, Sample: b.Sample, BPM: b.BPM, Metre: b.Metre.String()})
	}
	for _, b := range grid.Beats(s.SampleRate) {
		at := b.Bar - m.Bars[0].Number
		m.Bars[at].Beats = append(m.Bars[at].Beats, b.Sample)
	}
}

// landed are hits where they fall on a map.
func landed(hits []tempo.Hit, landings []tempo.Landing) (out []tui.Hit) {
	for _, l := range landings {
		h := hits[l.Hit]
		out = append(out, tui.Hit{Frame: h.Frame, Must: h.Must, Name: h.Name, Lands: string(h.Lands), Place: l.Place.String(),
			Error: l.ErrorFrames, Caught: l.Caught})
	}
	return out
}

// reference is the wave of the reference's sound, read once: it never changes.
func (d *Desk) reference(ctx context.Context, s *score.Score) ([]float32, error) {
	if d.waved {
		return d.wave, nil
	}
	wave, err := job.ReferenceLevels(ctx, d.f, s)
	if err != nil && fault.KindOf(err) != fault.Missing {
		return nil, err
	}
	d.wave, d.waved = wave, true
	return wave, nil
}

// layer is a layer with what is known of it. The lock is held.
func (d *Desk) layer(s *score.Score, l score.Layer, grid *tempo.Grid, takes job.LayerTakes) (tui.Layer, error) {
	name, key, sung, err := job.SoundKey(d.f, s, l.Name)
	if err != nil {
		return tui.Layer{}, err
	}
	out := tui.Layer{Name: l.Name, Group: l.Group, Take: name, Sung: sung, Muted: l.Mute, GainDB: l.GainDB, Pan: l.Pan, Moves: moves(l.Strip.Automation)}
	if out.Dials, err = dials(s, job.DialOf{Layer: l.Name}); err != nil {
		return out, err
	}
	report := d.judged[l.Name].report
	judged := sung && d.judged[l.Name].key == key
	if grid != nil {
		notes := job.Sounding(grid, l.Notes)
		targets := job.Targets(s, grid, notes)
		for i, t := range targets {
			n := notes[i]
			out.Notes = append(out.Notes, tui.Note{Start: t.Start, End: t.End, Key: n.Key, Unpitched: n.Unpitched, Name: n.Lyric})
		}
		judged = judged && (len(targets) == 0 && len(report.Targets) == 0 || reflect.DeepEqual(targets, report.Targets))
	}
	if judged {
		out.Judged = true
		for _, f := range report.Report.Findings {
			out.Findings = append(out.Findings, tui.Finding{Sample: f.Sample, Kind: string(f.Kind), Words: f.Words, Severity: f.Severity})
		}
		for _, p := range report.Report.Pitch {
			if p.Voiced && p.Hz > 0 {
				out.Trace = append(out.Trace, tui.Reading{Sample: p.Sample, Cents: 6900 + 1200*math.Log2(p.Hz/440), Voiced: true})
			}
		}
	}
	if lv := d.levels[l.Name]; sung && lv.key == key {
		out.Levels = lv.peaks
	}
	for _, t := range takes.Takes {
		if t.State == take.Recording {
			continue
		}
		out.Takes = append(out.Takes, takeLine(&l, t, takes.InUse))
	}
	return out, nil
}

func takeLine(l *score.Layer, t take.Info, inUse string) tui.Take {
	mark := l.MarkOf(t.ID)
	from := t.Start + mark.Nudge
	out := tui.Take{ID: t.ID, From: from, To: from + t.Frames, InUse: t.ID == inUse, Stars: mark.Rating, Faults: len(t.Dropouts),
		PeakDB: 20 * math.Log10(max(t.Peak, 1e-6)), Comped: slices.ContainsFunc(l.Comp, func(c score.Span) bool { return c.Take == t.ID })}
	if t.Useful != nil {
		out.Patch = true
		out.From = from + t.Useful.Sample
		out.To = out.From + t.Useful.Length
	}
	return out
}
