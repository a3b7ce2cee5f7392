package job

import (
	"fmt"
	"math"

	"cuechoir/engine/check"
	"cuechoir/engine/part"
	"cuechoir/engine/pitch"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/tuning"
	"cuechoir/internal/fault"
)

// LayerPicture gathers one checked layer for report.LayerSVG: its pitch over
// its notes, with the line and the curve of its drift. stretch may be all.
// Errors: Missing (not sung).
func LayerPicture(s *score.Score, r LayerReport, stretch Stretch) (report.LayerPicture, error) {
	p := report.LayerPicture{Title: r.Layer, Rate: s.Reference.Rate, SampleRate: s.SampleRate, From: stretch.From, To: stretch.To}
	if r.Take == "" {
		return p, notSung(r.Layer)
	}
	if stretch.All() {
		p.From, p.To = spanOf(r)
	}
	bars, err := pictureBars(s)
	if err != nil {
		return p, err
	}
	p.Bars = bars
	for _, t := range r.Targets {
		if t.End > p.From && t.Start < p.To {
			p.Targets = append(p.Targets, report.Target{Start: t.Start, End: t.End, Key: t.Key})
		}
	}
	for _, f := range r.Report.Pitch {
		if f.Sample < p.From || f.Sample >= p.To {
			continue
		}
		pt := report.Point{Sample: f.Sample, Cents: math.NaN()}
		if f.Voiced && f.Hz > 0 {
			pt.Cents, pt.Confidence = pitch.Cents(f.Hz), f.Confidence
		}
		p.Trace = append(p.Trace, pt)
	}
	for _, f := range r.Report.Findings {
		p.Findings = append(p.Findings, report.Finding{Sample: f.Sample, Kind: string(f.Kind), Words: f.Words})
	}
	d := r.Report.Drift
	place := func(points []tuning.Point) (out []report.Point) {
		for _, c := range points {
			out = append(out, report.Point{Sample: int64(c.Minutes * 60 * float64(s.SampleRate)), Cents: c.Cents, Confidence: 1})
		}
		return out
	}
	minutes := func(sample int64) float64 { return float64(sample) / float64(s.SampleRate) / 60 }
	p.Drift = report.Drift{Notes: place(d.Points), Curve: place(d.Curve), FromCents: d.At(minutes(p.From)), ToCents: d.At(minutes(p.To))}
	p.Foot = append(p.Foot, fmt.Sprintf("take %s: median error %.0f cents, bias %+.0f, spread %.0f; %d notes judged, %d too unsure", r.Take, r.Report.ErrorCents,
		r.Report.BiasCents, r.Report.SpreadCents, r.Report.JudgedNotes, r.Report.Unsure))
	if d.Line.Points > 1 {
		p.Foot = append(p.Foot, fmt.Sprintf("drift %+.1f cents a minute (95 %%: %+.1f to %+.1f)", d.CentsPerMinute, d.LeastPerMinute, d.MostPerMinute))
	}
	return p, nil
}

// spanOf is where a layer has notes, written or sung, with a little room.
func spanOf(r LayerReport) (from, to int64) {
	from, to = math.MaxInt64, math.MinInt64
	for _, t := range r.Targets {
		from, to = min(from, t.Start), max(to, t.End)
	}
	for _, n := range r.Report.Notes {
		if n.Sung {
			from, to = min(from, n.Onset), max(to, n.Offset)
		}
	}
	if from >= to {
		return 0, 0
	}
	room := (to - from) / 50
	return from - room, to + room
}

func pictureBars(s *score.Score) ([]report.Bar, error) {
	if s.Map == nil {
		return nil, nil
	}
	grid, err := Grid(s)
	if err != nil {
		return nil, err
	}
	return barsFor(s, grid), nil
}

func barsFor(s *score.Score, grid *tempo.Grid) (bars []report.Bar) {
	for _, b := range grid.Bars(s.SampleRate) {
		bars = append(bars, report.Bar{Number: b.Number, Sample: b.Sample, BPM: b.BPM, Metre: b.Metre.String()})
	}
	return bars
}

// ChordPicture gathers the chords for report.ChordSVG. stretch may be all.
// Errors: Missing (fewer than two layers are sung).
func ChordPicture(s *score.Score, r CheckResult, stretch Stretch) (report.ChordPicture, error) {
	p := report.ChordPicture{Title: s.Title, Rate: s.Reference.Rate, SampleRate: s.SampleRate, From: stretch.From, To: stretch.To}
	if r.Between == nil {
		return p, NoChords()
	}
	if stretch.All() {
		p.To = s.Length()
	}
	bars, err := pictureBars(s)
	if err != nil {
		return p, err
	}
	p.Bars = bars
	chords := r.Chords()
	rows := chordRows(r, chords)
	for k, h := range r.Heard {
		if rows[k] >= 0 {
			p.Layers = append(p.Layers, h.Name)
		}
	}
	for _, c := range chords {
		p.Chords = append(p.Chords, chordColumn(c, rows))
	}
	for _, f := range r.Between.Findings {
		p.Findings = append(p.Findings, report.ChordFinding{Layer: rows[f.Layer], Finding: report.Finding{Sample: f.Sample, Kind: string(f.Kind), Words: f.Words}})
	}
	nearer, equal, just := r.Between.MedianError()
	p.Foot = append(p.Foot, fmt.Sprintf("%d chords; intervals off by %.0f cents from the nearer of equal and just (median), %.0f from equal, %.0f from just",
		len(p.Chords), nearer, equal, just))
	return p, nil
}

// chordRows gives each layer that is in a chord, or that a finding between
// layers is about, a row, and the others -1.
func chordRows(r CheckResult, chords []check.ChordResult) []int {
	drawn := make([]bool, len(r.Heard))
	for _, c := range chords {
		for _, m := range c.Members {
			drawn[m.Layer] = true
		}
	}
	for _, f := range r.Between.Findings {
		drawn[f.Layer] = true
	}
	rows, next := make([]int, len(drawn)), 0
	for k, d := range drawn {
		rows[k] = -1
		if d {
			rows[k] = next
			next++
		}
	}
	return rows
}

func chordColumn(c check.ChordResult, rows []int) report.ChordColumn {
	out := report.ChordColumn{From: c.From, To: c.To, Blame: -1, MoveCents: c.MoveCents}
	for i, m := range c.Members {
		if i == c.Blame {
			out.Blame = rows[m.Layer]
		}
		out.Members = append(out.Members, report.ChordMember{Layer: rows[m.Layer], Name: part.KeyName(uint8(m.Key)), OffCents: m.OffCents})
	}
	worst := 0.0
	for _, v := range c.Intervals {
		out.ErrorCents += v.Error() / float64(len(c.Intervals))
		if e := v.Error(); e > worst {
			worst, out.BeatHz = e, v.BeatHz
		}
	}
	return out
}

// NoChords is the error where there is nothing to hold against each other.
func NoChords() error {
	return fault.New(fault.Missing, "there are no chords: fewer than two layers with parts are sung").Mended("sing another: cuechoir sing LAYER")
}
