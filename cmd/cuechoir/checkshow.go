package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"cuechoir/engine/check"
	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/tuning"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// checkFlags are the wishes of check on a score.
type checkFlags struct {
	every, strict, chords    bool
	a4, temperament, scale   string
	tonics                   []string
	csv, picture, bars, span string
}

func (cf *checkFlags) register(c *cobra.Command) {
	f := c.Flags()
	f.BoolVar(&cf.every, "every-note", false, "every note, not the findings alone (a named layer always shows them)")
	f.BoolVar(&cf.strict, "strict", false, "exit with code 10 when anything is to be sung again")
	f.BoolVar(&cf.chords, "chords", false, "what sounds together; with a layer named, the chords that it sings in")
	f.StringVar(&cf.a4, "a4", "440", "what A4 is, in Hz, or free: each layer's own")
	f.StringVar(&cf.temperament, "temperament", "equal", "equal, or just (5-limit over the tonic)")
	f.StringSliceVar(&cf.tonics, "tonic", nil, "for just: the tonic, as D, or from a bar on, as 13:A; again for more (default: by the notes of all parts)")
	f.StringVar(&cf.scale, "scale", "", "hold the notes against the major scale on a note (D), or all, instead of the part")
	f.StringVar(&cf.csv, "csv", "", "write a table: a row a note, or with --chords a row an interval; - is standard output")
	f.StringVar(&cf.picture, "picture", "", "draw a picture (SVG): a named layer's pitch over its notes with its drift, or with --chords the chords")
	f.StringVar(&cf.bars, "bars", "", "of these bars, for --picture")
	f.StringVar(&cf.span, "span", "", "of this shot or span, for --picture")
}

// options reads what is to be checked against what.
func (cf *checkFlags) options() (o job.CheckOptions, err error) {
	o.Between = cf.chords
	if cf.a4 == "free" {
		o.FreeA4 = true
	} else if hz, err := strconv.ParseFloat(strings.TrimSuffix(cf.a4, "Hz"), 64); err != nil {
		return o, fault.New(fault.Usage, "%q is no standard pitch", cf.a4).Mended("give it in Hz, as 442, or say free")
	} else if hz != 440 {
		o.A4Hz = hz
		if hz == 0 {
			return o, tuning.System{A4Hz: -1}.Validate()
		}
	}
	switch cf.temperament {
	case "equal":
	case "just":
		o.Just = true
	default:
		return o, fault.New(fault.Usage, "%q is no temperament that is known here", cf.temperament).Mended("use equal or just")
	}
	for _, text := range cf.tonics {
		t, err := parseTonic(text)
		if err != nil {
			return o, err
		}
		o.Tonics = append(o.Tonics, t)
	}
	if cf.scale != "" {
		var s tuning.Scale // all twelve
		if cf.scale != "all" {
			class, err := tuning.ParseClass(cf.scale)
			if err != nil {
				return o, err
			}
			s = tuning.Major(class)
		}
		o.Scale = &s
		if cf.chords {
			return o, fault.New(fault.Usage, "chords are found from the parts, not from a scale").Mended("leave --scale away")
		}
	}
	return o, nil
}

// parseTonic reads D or 13:A.
func parseTonic(text string) (t job.TonicAt, err error) {
	bar, note, ok := strings.Cut(text, ":")
	t.Bar = 1
	if !ok {
		note = text
	} else if t.Bar, err = strconv.Atoi(bar); err != nil || t.Bar < 1 {
		return t, fault.New(fault.Usage, "%q is no tonic", text).Mended("write it as D, or as 13:A from bar 13 on")
	}
	t.Class, err = tuning.ParseClass(note)
	return t, err
}

// writeCheckFiles writes the table and the picture that are asked for.
func (a *app) writeCheckFiles(s *score.Score, res job.CheckResult, cf checkFlags, only string) error {
	if cf.csv != "" {
		err := a.writeFile(cf.csv, "table", func(w io.Writer) error {
			if cf.chords {
				return res.WriteChordsCSV(w, s)
			}
			return res.WriteNotesCSV(w, s)
		})
		if err != nil {
			return err
		}
	}
	if cf.picture == "" {
		return nil
	}
	stretch, _, err := (&stretchFlags{cf.bars, cf.span}).of(s)
	if err != nil {
		return err
	}
	return a.writeFile(cf.picture, "picture", func(w io.Writer) error {
		if cf.chords {
			p, err := job.ChordPicture(s, res, stretch)
			if err != nil {
				return err
			}
			return report.ChordSVG(w, p)
		}
		if only == "" {
			return fault.New(fault.Usage, "a picture of notes is of one layer").Mended("name the layer, or use --chords; the whole score is cuechoir picture")
		}
		p, err := job.LayerPicture(s, res.Layers[0], stretch)
		if err != nil {
			return err
		}
		return report.LayerSVG(w, p)
	})
}

// writeFile writes what draw writes to a path, or to standard output for "-".
func (a *app) writeFile(path, what string, draw func(io.Writer) error) error {
	var b bytes.Buffer
	if err := draw(&b); err != nil {
		return err
	}
	if path == "-" {
		_, err := a.out.Write(b.Bytes())
		return err
	}
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		return fault.New(fault.Missing, "the %s cannot be written", what).In(path, "").Because(err)
	}
	return nil
}

func fixRowOf(s *score.Score, i int, f job.Fix) fixRow {
	return fixRow{i + 1, f.FromBar, f.ToBar, f.Frame, s.Reference.Rate.Timecode(s.Reference.Start + f.Frame), f.Gain, f.Words, append([]string{}, f.Hear...), f.Command}
}

type driftRow struct {
	Sample int64   `json:"sample"`
	Cents  float64 `json:"cents"`
}

type memoryRow struct {
	Of     string  `json:"of"`
	Kept   string  `json:"kept"`
	Heard  float64 `json:"heard_cents_per_minute"`
	Beside float64 `json:"beside_cents_per_minute"`
}

func causeWords(c tuning.Cause) string {
	switch {
	case c.Times == 0:
		return ""
	case c.Breath:
		return fmt.Sprintf("%+.1f cents at each breath, %d times", c.CentsEach, c.Times)
	}
	return fmt.Sprintf("%+.1f cents at each %s of %+d semitones, %d times", c.CentsEach, check.IntervalName(c.Interval), c.Interval, c.Times)
}

// fixTable is the list of what to sing again first, and what is good enough.
func (a *app) fixTable(s *score.Score, res job.CheckResult) error {
	if len(res.Fixes) == 0 {
		a.say("\nNothing to mend: %d of %d notes are good enough.", res.Good, res.Judged)
		return nil
	}
	a.say("\nRe-sing this first:")
	t := report.Table{Head: []string{"", "gains", "layer", "time code", "what"}, Right: []bool{true, true}}
	for i, f := range res.Fixes {
		t.Rows = append(t.Rows, []string{fmt.Sprint(i + 1), percent(f.Gain), f.LayerName, s.Reference.Rate.Timecode(s.Reference.Start + f.Frame), f.Words})
		t.Rows = append(t.Rows, []string{"", "", "", "", "  " + f.Command})
	}
	if err := a.table(t); err != nil {
		return err
	}
	if res.Judged > 0 {
		a.say("\nGood enough as they are: %d of %d notes, within 25 cents and in time. What is gained is a share of all that can be heard as off.", res.Good, res.Judged)
	}
	return nil
}

type landedRow struct {
	Frame    int64   `json:"frame"`
	Timecode string  `json:"timecode"`
	Name     string  `json:"name"`
	Must     bool    `json:"must"`
	Late     float64 `json:"milliseconds_late"` // against the hit's own frame
	Frames   float64 `json:"frames_late"`
}

func landedRowsOf(s *score.Score, res job.CheckResult, layer string) []landedRow {
	rows := []landedRow{}
	for _, h := range res.Hits {
		for _, e := range h.Entries {
			if e.Layer == layer {
				rows = append(rows, landedRow{h.Frame, s.Reference.Rate.Timecode(s.Reference.Start + h.Frame), h.Name, h.Must, e.Milliseconds, e.Frames})
			}
		}
	}
	return rows
}

// sayHits tells how the layers land on the hits.
func (a *app) sayHits(s *score.Score, res job.CheckResult) error {
	if len(res.Hits) == 0 {
		return nil
	}
	a.say("\nOn the hits:")
	t := report.Table{Head: []string{"hit", "time code", "", "layers", "first", "", "last", ""}, Right: []bool{false, false, false, true, true, false, true}}
	for _, h := range res.Hits {
		first, last := h.Entries[0], h.Entries[0]
		for _, e := range h.Entries {
			if e.Milliseconds < first.Milliseconds {
				first = e
			}
			if e.Milliseconds > last.Milliseconds {
				last = e
			}
		}
		weight := "want"
		if h.Must {
			weight = "must"
		}
		tell := func(e job.HitEntry) string { return fmt.Sprintf("%+.0f ms, %+.1f f", e.Milliseconds, e.Frames) }
		t.Rows = append(t.Rows, []string{h.Name, s.Reference.Rate.Timecode(s.Reference.Start + h.Frame), weight, fmt.Sprint(len(h.Entries)), tell(first), first.Layer, tell(last), last.Layer})
	}
	return a.table(t)
}

// doubleRow is how a layer agrees with another of the same part: its own less
// the other's.
type doubleRow struct {
	With        string  `json:"with"`
	Notes       int     `json:"notes"`
	Late        float64 `json:"milliseconds_late"`
	Spread      float64 `json:"spread_ms"`
	Within30    float64 `json:"within_30_ms"`
	Cents       float64 `json:"cents"`
	SpreadCents float64 `json:"spread_cents"`
}

// sayDoubles tells how layers of one part agree.
func (a *app) sayDoubles(res job.CheckResult) error {
	if res.Between == nil || len(res.Between.Doubles) == 0 {
		return nil
	}
	a.say("\nLayers of one part:")
	t := report.Table{Head: []string{"layers", "notes", "apart", "spread", "within 30 ms", "cents apart", "spread"}, Right: []bool{false, true, true, true, true, true, true}}
	for _, d := range res.Between.Doubles {
		t.Rows = append(t.Rows, []string{res.Heard[d.A].Name + " and " + res.Heard[d.B].Name, fmt.Sprint(d.Notes), fmt.Sprintf("%+.0f ms", d.Milliseconds),
			fmt.Sprintf("%.0f ms", d.SpreadMilliseconds), percent(d.Within30), fmt.Sprintf("%+.0f c", d.Cents), fmt.Sprintf("%.0f c", d.SpreadCents)})
	}
	return a.table(t)
}

// chordRow and intervalRow are what check --chords --json prints.
type chordRow struct {
	Bar       int           `json:"bar"`
	Beat      string        `json:"beat"`
	Frame     int64         `json:"frame"`
	Timecode  string        `json:"timecode"`
	From      int64         `json:"from_sample"`
	To        int64         `json:"to_sample"`
	Members   []memberRow   `json:"members"`
	Intervals []intervalRow `json:"intervals"`
	Sum       float64       `json:"sum_cents"`
	Blame     string        `json:"blame"` // a layer, or ""
	Move      float64       `json:"move_cents"`
	Gain      float64       `json:"gain_cents"`
}

type memberRow struct {
	Layer string  `json:"layer"`
	Note  string  `json:"note"`
	Cents float64 `json:"cents_off"` // from its own target
}

type intervalRow struct {
	Low    string  `json:"low"`
	High   string  `json:"high"`
	Steps  int     `json:"semitones"`
	Just   string  `json:"just"`
	Cents  float64 `json:"cents"`
	Equal  float64 `json:"against_equal"`
	Pure   float64 `json:"against_just"`
	BeatHz float64 `json:"beats_hz"`
}

func chordRowOf(s *score.Score, res job.CheckResult, c check.ChordResult) chordRow {
	row := chordRow{Bar: c.Bar, Beat: c.Beat, Frame: c.Frame, Timecode: s.Reference.Rate.Timecode(s.Reference.Start + c.Frame), From: c.From, To: c.To,
		Sum: c.Sum, Gain: c.Gain, Move: c.MoveCents}
	name := func(i int) string { return res.Heard[c.Members[i].Layer].Name }
	for i, m := range c.Members {
		row.Members = append(row.Members, memberRow{name(i), part.KeyName(uint8(m.Key)), m.OffCents})
	}
	for _, v := range c.Intervals {
		row.Intervals = append(row.Intervals, intervalRow{name(v.Low), name(v.High), v.Semitones, fmt.Sprintf("%d:%d", v.Just.Num, v.Just.Den), v.Cents, v.EqualCents, v.JustCents, v.BeatHz})
	}
	if c.Blame >= 0 {
		row.Blame = name(c.Blame)
	}
	return row
}

// printChords prints the chords, or those that a layer sings in.
func (a *app) printChords(s *score.Score, res job.CheckResult) error {
	if res.Between == nil {
		return job.NoChords()
	}
	rows := []chordRow{}
	for _, c := range res.Chords() {
		rows = append(rows, chordRowOf(s, res, c))
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	t := report.Table{Head: []string{"where", "time code", "notes", "off", "worst interval", "equal", "just", "beats", "move"}, Right: []bool{false, false, false, true, false, true, true, true}}
	for _, r := range rows {
		t.Rows = append(t.Rows, r.cells())
	}
	if err := a.table(t); err != nil {
		return err
	}
	nearer, equal, just := res.Between.MedianError()
	a.say("\n%d chords. Intervals are off by %.0f cents from the nearer of equal and just (median), %.0f from equal, %.0f from just.", len(rows), nearer, equal, just)
	return a.fixTable(s, res)
}

// cells is a chord as a line: its worst interval stands for it.
func (r chordRow) cells() []string {
	var notes []string
	for _, m := range r.Members {
		notes = append(notes, m.Layer+" "+m.Note)
	}
	off := func(v intervalRow) float64 { return tuning.Interval{EqualCents: v.Equal, JustCents: v.Pure}.Error() }
	worst := r.Intervals[0]
	for _, v := range r.Intervals {
		if off(v) > off(worst) {
			worst = v
		}
	}
	move := "-"
	if r.Blame != "" {
		move = fmt.Sprintf("%s %+.0f c", r.Blame, r.Move)
	}
	return []string{fmt.Sprintf("%d.%s", r.Bar, r.Beat), r.Timecode, strings.Join(notes, ", "), fmt.Sprintf("%.0f c", r.Sum/float64(len(r.Intervals))),
		fmt.Sprintf("%s to %s, %s", worst.Low, worst.High, worst.Just), fmt.Sprintf("%+.0f c", worst.Equal), fmt.Sprintf("%+.0f c", worst.Pure),
		fmt.Sprintf("%.1f Hz", worst.BeatHz), move}
}
