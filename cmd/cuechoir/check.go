package main

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/report"
	"cuechoir/engine/score"

	"github.com/spf13/cobra"
)

func (a *app) checkCmd() *cobra.Command {
	var every, strict bool
	var listen listenFlags
	c := &cobra.Command{
		Use:   "check [LAYER | FILE]",
		Short: "Say what to re-sing first: cents, drift, early or late",
		Long: `Each sung note is held against the part: cents off (scoop and vibrato set aside),
early or late in ms and frames, and over the layer its drift in cents a minute.
Within 10 cents is good, up to 25 listen again, beyond that re-sing. An entry
counts as in time from 40 ms early to 60 ms late (EBU R 37).

Of any recording, without a score, check FILE says which notes are heard in it;
--f0 and --notes write its pitch and its notes as tables.`,
		Example: "  cuechoir check\n  cuechoir check bass\n  cuechoir check --json\n  cuechoir check hum.wav --f0 hum-f0.csv --notes hum-notes.csv",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if listen.asked(given) {
				return a.listen(given, listen)
			}
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			if err := a.recover(f); err != nil {
				return err
			}
			only := ""
			if len(given) > 0 {
				only = given[0]
			}
			reports, err := job.Check(c.Context(), f, only, a.progress.show)
			if err != nil {
				return err
			}
			if err := a.printCheck(s, reports, every || only != ""); err != nil {
				return err
			}
			return job.Verdict(reports, strict)
		},
	}
	listen.add(c)
	c.Flags().BoolVar(&every, "every-note", false, "every note, not the findings alone (a named layer always shows them)")
	c.Flags().BoolVar(&strict, "strict", false, "exit with code 10 when anything is to be sung again")
	return c
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
	BiasCents           float64      `json:"bias_cents"`
	SpreadCents         float64      `json:"spread_cents"`
	Within10            float64      `json:"within_10_cents"`
	Within25            float64      `json:"within_25_cents"`
	Within50            float64      `json:"within_50_cents"`
	DriftCentsPerMinute float64      `json:"drift_cents_per_minute"`
	DriftSignificant    bool         `json:"drift_significant"`
	BiasMilliseconds    float64      `json:"bias_milliseconds"`
	A4Hz                float64      `json:"a4_hz"`
	Findings            []findingRow `json:"findings"`
	Notes               []noteRow    `json:"notes"`
	Remarks             []string     `json:"remarks"`
}

func checkRowOf(s *score.Score, r job.LayerReport) checkRow {
	p := r.Report
	row := checkRow{r.Layer, r.Take, len(r.Targets) > 0, p.Judged, p.BiasCents, p.SpreadCents, p.Within10, p.Within25, p.Within50,
		p.Drift.CentsPerMinute, p.Drift.Significant, p.BiasMilliseconds, p.A4Hz, []findingRow{}, []noteRow{}, append([]string{}, r.Notes...)}
	for _, f := range p.Findings {
		row.Findings = append(row.Findings, findingRow{r.Layer, string(f.Kind), f.Note, f.Bar, f.Beat, f.Sample, f.Frame,
			s.Reference.Rate.Timecode(s.Reference.Start + f.Frame), f.Cents, f.CentsPerMinute, f.Milliseconds, f.Frames, f.Severity, f.Words, r.TakeAt(f.Sample)})
	}
	for _, n := range p.Notes {
		nr := noteRow{Verdict: n.Verdict, Sung: n.Sung, Onset: n.Onset, Offset: n.Offset, Cents: n.Cents, Detrended: n.DetrendedCents,
			Milliseconds: n.Milliseconds, Frames: n.Frames, ScoopCents: n.ScoopCents, VibratoHz: n.VibratoHz, VibratoCents: n.VibratoCents, Confidence: n.Confidence, Take: r.TakeAt(n.Onset)}
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

func (a *app) printCheck(s *score.Score, reports []job.LayerReport, notes bool) error {
	rows := []checkRow{}
	for _, r := range reports {
		rows = append(rows, checkRowOf(s, r))
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
	for _, r := range rows {
		for _, n := range r.Remarks {
			a.note("%s: %s", r.Layer, n)
		}
	}
	return a.findingTable(rows)
}

func (a *app) layerTable(rows []checkRow) error {
	t := report.Table{Head: []string{"layer", "take", "judged", "off by", "spread", "within 10", "25", "50 cents", "drift c/min", "time", "to mend"},
		Right: []bool{false, false, true, true, true, true, true, true, true, true, true}}
	for _, r := range rows {
		if r.Take == "" {
			t.Rows = append(t.Rows, []string{r.Layer, "-", "not sung yet"})
			continue
		}
		drift := "-"
		if r.DriftSignificant {
			drift = fmt.Sprintf("%+.0f", r.DriftCentsPerMinute)
		}
		time := "-"
		if r.HasPart {
			time = fmt.Sprintf("%+.0f ms", r.BiasMilliseconds)
		}
		tune := []string{fmt.Sprintf("%+.0f c", r.BiasCents), fmt.Sprintf("%.0f c", r.SpreadCents), percent(r.Within10), percent(r.Within25), percent(r.Within50), drift}
		if !r.pitched() {
			tune = []string{"-", "-", "-", "-", "-", "-"}
		}
		t.Rows = append(t.Rows, append(append([]string{r.Layer, r.Take, percent(r.Judged)}, tune...), time, fmt.Sprint(len(r.Findings))))
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

// findingTable lists what to mend over all layers, worst first.
func (a *app) findingTable(rows []checkRow) error {
	var all []findingRow
	for _, r := range rows {
		all = append(all, r.Findings...)
	}
	if len(all) == 0 {
		a.say("\nNothing to mend.")
		return nil
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].Severity > all[j].Severity })
	a.say("\nTo mend, worst first:")
	t := report.Table{Head: []string{"", "layer", "time code", "what"}, Right: []bool{true}}
	for i, f := range all {
		t.Rows = append(t.Rows, []string{fmt.Sprint(i + 1), f.Layer, f.Timecode, f.Words})
	}
	return a.table(t)
}
