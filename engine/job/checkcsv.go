package job

import (
	"encoding/csv"
	"fmt"
	"io"
	"strings"

	"cuechoir/engine/check"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
)

// WriteNotesCSV writes one row a note of all layers: what was aimed at, what
// was sung, and the verdict. Empty cells are what was not sung or not read.
// The only errors are those of w.
func (r CheckResult) WriteNotesCSV(w io.Writer, s *score.Score) error {
	out := csv.NewWriter(w)
	rows := [][]string{{"layer", "take", "bar", "beat", "note", "key", "written_sample", "onset_sample", "offset_sample", "timecode", "verdict",
		"cents", "cents_beside_drift", "ms_late", "frames_late", "swell_ms", "scoop_cents", "bend_cents", "vibrato_hz", "vibrato_cents", "confidence", "level_db"}}
	for _, l := range r.Layers {
		for _, n := range l.Report.Notes {
			rows = append(rows, noteCells(s, l, n))
		}
	}
	if err := out.WriteAll(rows); err != nil {
		return err
	}
	return out.Error()
}

func noteCells(s *score.Score, l LayerReport, n check.NoteResult) []string {
	cells := []string{l.Layer, l.TakeAt(n.Onset), "", "", part.KeyName(uint8(min(127, max(0, n.Key+0.5)))), fmt.Sprintf("%g", n.Key), "", "", "", "", n.Verdict}
	if n.Target >= 0 {
		t := l.Targets[n.Target]
		cells[2], cells[3], cells[6] = fmt.Sprint(t.Bar), t.Beat, fmt.Sprint(t.Start)
		if t.Unpitched {
			cells[4], cells[5] = t.Name, ""
		}
	}
	if !n.Sung {
		cells[1] = l.Take
		return append(cells, strings.Split(strings.Repeat(",", 10), ",")...)
	}
	cells[7], cells[8], cells[9] = fmt.Sprint(n.Onset), fmt.Sprint(n.Offset), timecodeAt(s, n.Onset)
	num := func(v float64) string { return fmt.Sprintf("%.2f", v) }
	return append(cells, num(n.Cents), num(n.DetrendedCents), num(n.Milliseconds), num(n.Frames), num(n.SwellMilliseconds), num(n.ScoopCents),
		num(n.BendCents), num(n.VibratoHz), num(n.VibratoCents), num(n.Confidence), num(n.LevelDB))
}

// WriteChordsCSV writes one row an interval of every chord. The only errors are
// those of w.
func (r CheckResult) WriteChordsCSV(w io.Writer, s *score.Score) error {
	out := csv.NewWriter(w)
	rows := [][]string{{"bar", "beat", "timecode", "from_sample", "to_sample", "low", "low_note", "high", "high_note", "semitones", "just",
		"cents", "against_equal", "against_just", "beats_hz", "blamed", "move_cents"}}
	for _, c := range r.Chords() {
		blamed, move := "", ""
		if c.Blame >= 0 {
			blamed, move = r.Heard[c.Members[c.Blame].Layer].Name, fmt.Sprintf("%.2f", c.MoveCents)
		}
		for _, v := range c.Intervals {
			low, high := c.Members[v.Low], c.Members[v.High]
			rows = append(rows, []string{fmt.Sprint(c.Bar), c.Beat, timecodeAt(s, c.From), fmt.Sprint(c.From), fmt.Sprint(c.To),
				r.Heard[low.Layer].Name, part.KeyName(uint8(low.Key)), r.Heard[high.Layer].Name, part.KeyName(uint8(high.Key)), fmt.Sprint(v.Semitones),
				fmt.Sprintf("%d:%d", v.Just.Num, v.Just.Den), fmt.Sprintf("%.2f", v.Cents), fmt.Sprintf("%.2f", v.EqualCents), fmt.Sprintf("%.2f", v.JustCents),
				fmt.Sprintf("%.2f", v.BeatHz), blamed, move})
		}
	}
	if err := out.WriteAll(rows); err != nil {
		return err
	}
	return out.Error()
}
