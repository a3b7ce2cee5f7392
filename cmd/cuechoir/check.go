package main

import (
	"context"
	"fmt"
	"math"
	"slices"

	"cuechoir/engine/check"
	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/report"
	"cuechoir/engine/score"

	"github.com/spf13/cobra"
)

const checkHelp = `Each sung note is held against the part: cents off (scoop and vibrato set aside),
early or late in ms and frames, and over the layer its drift in cents a minute.
Then the layers are held against each other, and one list over all of them says
what to sing again first, how much of all that is off goes with it, and the
command that begins it.

Good enough: within 10 cents of the target, which is about what a listener hears
in an interval (Hill and Summers 2007), is good; up to 25, where a sung melody is
called out of tune (Larrouy-Maestri 2018), listen again; beyond that sing it
again. Untrained singers' notes are 19 cents off in the median (Mauch, Frieler
and Dixon 2014). An entry is in time from 40 ms early to 60 ms late (EBU R 37),
two layers of one part within 50 ms of each other (Rasch 1979).

--a4 and --temperament say what the notes should be; --scale holds them against a
scale instead of the part. --chords tells what sounds together: each interval
against equal temperament and the pure ratio, how fast it beats, and which layer
to move. Chords are judged by whichever of the two is nearer.

Of any recording, without a score, check FILE says which notes are heard in it;
--f0 and --notes write its pitch and its notes as tables.`

func (a *app) checkCmd() *cobra.Command {
	var cf checkFlags
	var listen listenFlags
	c := &cobra.Command{
		Use:   "check [LAYER | FILE]",
		Short: "Say what to re-sing first: cents, drift, early or late, chords",
		Long:  checkHelp,
		Example: "  cuechoir check\n  cuechoir check bass --picture bass.svg\n  cuechoir check --chords --csv chords.csv\n" +
			"  cuechoir check --temperament just --tonic D --tonic 13:A\n  cuechoir check --json\n" +
			"  cuechoir check hum.wav --f0 hum-f0.csv --notes hum-notes.csv",
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if listen.asked(given) {
				return a.listen(given, listen)
			}
			return a.check(c.Context(), given, cf)
		},
	}
	listen.add(c)
	cf.register(c)
	return c
}

func (a *app) check(ctx context.Context, given []string, cf checkFlags) error {
	o, err := cf.options()
	if err != nil {
		return err
	}
	f, s, err := a.loadRecovered()
	if err != nil {
		return err
	}
	defer f.Close()
	if len(given) > 0 {
		o.Only = given[0]
	}
	res, err := job.CheckAs(ctx, f, o, a.progress.show)
	if err != nil {
		return err
	}
	if err := a.writeCheckFiles(s, res, cf, o.Only); err != nil {
		return err
	}
	if cf.csv == "-" {
		return res.Verdict(cf.strict) // standard output is the table
	}
	if cf.chords {
		err = a.printChords(s, res)
	} else {
		err = a.printCheck(s, res, cf.every || o.Only != "")
	}
	if err != nil {
		return err
	}
	return res.Verdict(cf.strict)
}

// findingRow, noteRow and checkRow are what --json prints.
type findingRow struct {
	Layer          string  `json:"layer"`
	Kind           string  `json:"kind"`
	Note           int     `json:"note"` // index into notes, -1: the layer or a place
	Bar            int     `json:"bar"`
	Beat           string  `json:"beat"`
	Sample         int64   `json:"sample"`
	Frame          int64   `json:"frame"`
	Timecode       string  `json:"timecode"`
	Cents          float64 `json:"cents"`
	CentsPerMinute float64 `json:"cents_per_minute"`
	Milliseconds   float64 `json:"milliseconds"`
	Frames         float64 `json:"frames"`
	Severity       float64 `json:"severity"`
	Words          string  `json:"words"`
	Take           string  `json:"take"` // that sounds there
}

type fixRow struct {
	Rank     int      `json:"rank"` // over all layers that were checked
	FromBar  int      `json:"from_bar"`
	ToBar    int      `json:"to_bar"`
	Frame    int64    `json:"frame"`
	Timecode string   `json:"timecode"`
	Gain     float64  `json:"gain_share"` // of all that is off
	Words    string   `json:"words"`
	Hear     []string `json:"hear"` // layers to hear beside it
	Command  string   `json:"command"`
}

type noteRow struct {
	Bar          int     `json:"bar"`
	Beat         string  `json:"beat"`
	Name         string  `json:"name"`
	Timecode     string  `json:"timecode"` // of the onset as sung
	Unpitched    bool    `json:"unpitched"`
	Verdict      string  `json:"verdict"`
	Sung         bool    `json:"sung"`
	Onset        int64   `json:"onset_sample"`
	Offset       int64   `json:"offset_sample"`
	Cents        float64 `json:"cents"`
	Detrended    float64 `json:"cents_beside_drift"`
	Milliseconds float64 `json:"milliseconds_late"`
	Frames       float64 `json:"frames_late"`
	Swell        float64 `json:"swell_ms"` // so long after it begins a slow swell is heard
	BendCents    float64 `json:"bend_cents"`
	ScoopCents   float64 `json:"scoop_cents"`
	VibratoHz    float64 `json:"vibrato_hz"`
	VibratoCents float64 `json:"vibrato_cents"`
	Confidence   float64 `json:"confidence"`
	Take         string  `json:"take"` // that sounds there
}

type checkRow struct {
	Layer               string       `json:"layer"`
	Take                string       `json:"take"`     // of a comp all that sound: "001+003"
	HasPart             bool         `json:"has_part"` // else pitch is held against the scale, and time is not judged
	Judged              float64      `json:"judged_share"`
	JudgedNotes         int          `json:"judged_notes"`
	UnsureNotes         int          `json:"unsure_notes"` // sung, but not read well enough
	ErrorCents          float64      `json:"median_error_cents"`
	BiasCents           float64      `json:"bias_cents"`
	SpreadCents         float64      `json:"spread_cents"`
	Within10            float64      `json:"within_10_cents"`
	Within25            float64      `json:"within_25_cents"`
	Within50            float64      `json:"within_50_cents"`
	DriftCentsPerMinute float64      `json:"drift_cents_per_minute"`
	DriftLeast          float64      `json:"drift_least"` // of its 95 % interval
	DriftMost           float64      `json:"drift_most"`
	DriftSignificant    bool         `json:"drift_significant"`
	DriftCause          string       `json:"drift_cause"`
	DriftCurve          []driftRow   `json:"drift_curve"`
	Memory              []memoryRow  `json:"memory"`
	BiasMilliseconds    float64      `json:"bias_milliseconds"`
	A4Hz                float64      `json:"a4_hz"`
	Hits                []landedRow  `json:"hits"`    // that it enters on
	Doubles             []doubleRow  `json:"doubles"` // layers of the same part
	First               []fixRow     `json:"re_sing_first"`
	Findings            []findingRow `json:"findings"`
	Notes               []noteRow    `json:"notes"`
	Remarks             []string     `json:"remarks"`
}

func checkRowOf(s *score.Score, r job.LayerReport) checkRow {
	p, d := r.Report, r.Report.Drift
	row := checkRow{Layer: r.Layer, Take: r.Take, HasPart: len(r.Targets) > 0, Judged: p.Judged, JudgedNotes: p.JudgedNotes, UnsureNotes: p.Unsure,
		ErrorCents: p.ErrorCents, BiasCents: p.BiasCents, SpreadCents: p.SpreadCents, Within10: p.Within10, Within25: p.Within25, Within50: p.Within50,
		DriftCentsPerMinute: d.CentsPerMinute, DriftLeast: d.LeastPerMinute, DriftMost: d.MostPerMinute, DriftSignificant: d.Significant,
		DriftCause: causeWords(d.Cause), DriftCurve: []driftRow{}, Memory: []memoryRow{}, BiasMilliseconds: p.BiasMilliseconds, A4Hz: p.A4Hz,
		First: []fixRow{}, Findings: []findingRow{}, Notes: []noteRow{}, Remarks: append([]string{}, r.Notes...)}
	for _, c := range d.Curve {
		row.DriftCurve = append(row.DriftCurve, driftRow{int64(math.Round(c.Minutes * 60 * float64(s.SampleRate))), c.Cents})
	}
	for _, m := range r.Memory {
		row.Memory = append(row.Memory, memoryRow{m.Of, m.Kept.String(), m.Heard.CentsPerMinute, m.Beside.CentsPerMinute})
	}
	for _, f := range p.Findings {
		row.Findings = append(row.Findings, findingRowOf(s, r, f))
	}
	for _, n := range p.Notes {
		nr := noteRow{Verdict: n.Verdict, Sung: n.Sung, Onset: n.Onset, Offset: n.Offset, Cents: n.Cents, Detrended: n.DetrendedCents,
			Milliseconds: n.Milliseconds, Frames: n.Frames, Swell: n.SwellMilliseconds, BendCents: n.BendCents, ScoopCents: n.ScoopCents, VibratoHz: n.VibratoHz, VibratoCents: n.VibratoCents, Confidence: n.Confidence, Take: r.TakeAt(n.Onset)}
		if n.Target >= 0 {
			t := r.Targets[n.Target]
			nr.Bar, nr.Beat, nr.Name, nr.Unpitched = t.Bar, t.Beat, t.Name, t.Unpitched
		} else if n.Key > 0 { // beside the part, or without one: the nearest note of the scale
			nr.Name = part.KeyName(uint8(math.Round(n.Key)))
		}
		nr.Timecode = s.Reference.Rate.Timecode(s.Reference.Start + s.Reference.Rate.FrameOf(n.Onset, s.SampleRate))
		row.Notes = append(row.Notes, nr)
	}
	return row
}

func findingRowOf(s *score.Score, r job.LayerReport, f check.Finding) findingRow {
	return findingRow{r.Layer, string(f.Kind), f.Note, f.Bar, f.Beat, f.Sample, f.Frame, s.Reference.Rate.Timecode(s.Reference.Start + f.Frame),
		f.Cents, f.CentsPerMinute, f.Milliseconds, f.Frames, f.Severity, f.Words, r.TakeAt(f.Sample)}
}

// addBetween adds what is heard between a layer and the others.
func (r *checkRow) addBetween(s *score.Score, res job.CheckResult, l job.LayerReport) {
	r.Hits, r.Doubles = landedRowsOf(s, res, l.Layer), []doubleRow{}
	for i, f := range res.Fixes {
		if f.LayerName == l.Layer {
			r.First = append(r.First, fixRowOf(s, i, f))
		}
	}
	if res.Between == nil {
		return
	}
	for _, f := range res.Between.Findings {
		if res.Heard[f.Layer].Name == l.Layer {
			r.Findings = append(r.Findings, findingRowOf(s, l, f.Finding))
		}
	}
	for _, d := range res.Between.Doubles {
		row := doubleRow{"", d.Notes, d.Milliseconds, d.SpreadMilliseconds, d.Within30, d.Cents, d.SpreadCents}
		switch l.Layer {
		case res.Heard[d.B].Name:
			row.With = res.Heard[d.A].Name
		case res.Heard[d.A].Name:
			row.With, row.Late, row.Cents = res.Heard[d.B].Name, -d.Milliseconds, -d.Cents
		default:
			continue
		}
		r.Doubles = append(r.Doubles, row)
	}
}

func (a *app) printCheck(s *score.Score, res job.CheckResult, notes bool) error {
	rows := []checkRow{}
	for _, r := range res.Layers {
		row := checkRowOf(s, r)
		row.addBetween(s, res, r)
		rows = append(rows, row)
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	if err := a.layerTable(rows); err != nil {
		return err
	}
	if notes {
		for _, r := range rows {
			if err := a.noteTable(r); err != nil {
				return err
			}
		}
	}
	for _, n := range res.Remarks {
		a.note("%s", n)
	}
	for _, r := range rows {
		for _, n := range r.Remarks {
			a.note("%s: %s", r.Layer, n)
		}
	}
	if err := a.sayHits(s, res); err != nil {
		return err
	}
	if err := a.sayDoubles(res); err != nil {
		return err
	}
	return a.fixTable(s, res)
}

func (a *app) layerTable(rows []checkRow) error {
	t := report.Table{Head: []string{"layer", "take", "judged", "unsure", "off by", "bias", "spread", "within 10", "25", "50 cents", "drift c/min", "time", "to mend"},
		Right: []bool{false, false, true, true, true, true, true, true, true, true, true, true, true}}
	for _, r := range rows {
		if r.Take == "" {
			t.Rows = append(t.Rows, []string{r.Layer, "-", "not sung yet"})
			continue
		}
		drift := "-"
		if r.DriftSignificant {
			drift = fmt.Sprintf("%+.0f ±%.0f", r.DriftCentsPerMinute, (r.DriftMost-r.DriftLeast)/2)
		}
		time := "-"
		if r.HasPart {
			time = fmt.Sprintf("%+.0f ms", r.BiasMilliseconds)
		}
		tune := []string{fmt.Sprintf("%.0f c", r.ErrorCents), fmt.Sprintf("%+.0f c", r.BiasCents), fmt.Sprintf("%.0f c", r.SpreadCents), percent(r.Within10), percent(r.Within25), percent(r.Within50), drift}
		if !r.pitched() {
			tune = []string{"-", "-", "-", "-", "-", "-", "-"}
		}
		t.Rows = append(t.Rows, append(append([]string{r.Layer, r.Take, percent(r.Judged), fmt.Sprint(r.UnsureNotes)}, tune...), time, fmt.Sprint(len(r.Findings))))
	}
	return a.table(t)
}

// pitched reports whether any note has a pitch to judge.
func (r checkRow) pitched() bool {
	return slices.ContainsFunc(r.Notes, func(n noteRow) bool { return !n.Unpitched })
}

func percent(x float64) string { return fmt.Sprintf("%.0f %%", x*100) }

func (a *app) noteTable(r checkRow) error {
	if len(r.Notes) == 0 {
		return nil
	}
	a.say("\n%s, take %s:", r.Layer, r.Take)
	t := report.Table{Head: []string{"where", "note", "cents", "beside drift", "ms late", "frames", "vibrato", "verdict"}, Right: []bool{false, false, true, true, true, true, true}}
	for _, n := range r.Notes {
		at := n.Timecode
		if n.Beat != "" {
			at = fmt.Sprintf("%d.%s", n.Bar, n.Beat)
		}
		if !n.Sung {
			t.Rows = append(t.Rows, []string{at, n.Name, "", "", "", "", "", n.Verdict})
			continue
		}
		vibrato := ""
		if n.VibratoHz > 0 {
			vibrato = fmt.Sprintf("%.1f Hz %.0f c", n.VibratoHz, n.VibratoCents)
		}
		late, frames := "-", "-"
		if n.Beat != "" {
			late, frames = fmt.Sprintf("%+.0f", n.Milliseconds), fmt.Sprintf("%+.1f", n.Frames)
		}
		cents, beside := "-", "-"
		if !n.Unpitched {
			cents, beside = fmt.Sprintf("%+.0f", n.Cents), fmt.Sprintf("%+.0f", n.Detrended)
		}
		t.Rows = append(t.Rows, []string{at, n.Name, cents, beside, late, frames, vibrato, n.Verdict})
	}
	return a.table(t)
}
