package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/report"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// listenFlags are those of check on a recording without a score.
type listenFlags struct {
	f0, notes string
	stepMS    float64
}

func (l *listenFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&l.f0, "f0", "", "of a recording: write time_s,f0_hz to this file (- prints it)")
	c.Flags().StringVar(&l.notes, "notes", "", "of a recording: write onset_s,offset_s,midi,cents,confidence to this file (- prints it)")
	c.Flags().Float64Var(&l.stepMS, "step", job.DefaultStepMS, "of a recording: milliseconds between pitch readings")
}

// asked says whether check is about a recording: its tables are wished for, or
// what is named looks like a file.
func (l *listenFlags) asked(given []string) bool {
	return l.f0 != "" || l.notes != "" ||
		len(given) == 1 && (filepath.Ext(given[0]) != "" || strings.ContainsAny(given[0], `/\`))
}

// heardRow is a note of a recording, as --json prints it.
type heardRow struct {
	Onset        float64 `json:"onset_s"`
	Offset       float64 `json:"offset_s"`
	MIDI         int     `json:"midi"`
	Name         string  `json:"name"`
	Cents        float64 `json:"cents"`
	ScoopCents   float64 `json:"scoop_cents"`
	VibratoHz    float64 `json:"vibrato_hz"`
	VibratoCents float64 `json:"vibrato_cents"`
	Confidence   float64 `json:"confidence"`
}

// listen says what is heard in a recording, and writes its tables.
func (a *app) listen(given []string, l listenFlags) error {
	if len(given) == 0 {
		return fault.New(fault.Usage, "--f0 and --notes are of a recording, and none is named").Mended("cuechoir check FILE.wav --f0 OUT.csv --notes OUT.csv")
	}
	h, err := job.HearFile(given[0], l.stepMS)
	if err != nil {
		return err
	}
	if l.f0 == "-" {
		err = h.WriteF0(a.out)
	} else if l.f0 != "" {
		err = h.SaveF0(l.f0)
	}
	if err != nil {
		return err
	}
	if l.notes == "-" {
		err = h.WriteNotes(a.out)
	} else if l.notes != "" {
		err = h.SaveNotes(l.notes)
	}
	if err != nil || l.f0 == "-" || l.notes == "-" {
		return err
	}
	rows := []heardRow{}
	for _, n := range h.Notes {
		midi, cents := job.NearestKey(n)
		rate := float64(h.SampleRate)
		rows = append(rows, heardRow{float64(n.Onset) / rate, float64(n.Offset) / rate, midi, part.KeyName(uint8(max(0, min(127, midi)))), cents,
			n.ScoopCents, n.VibratoHz, n.VibratoCents, n.Confidence})
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	return a.heardTable(rows)
}

func (a *app) heardTable(rows []heardRow) error {
	if len(rows) == 0 {
		a.say("No sung note is heard here.")
		return nil
	}
	t := report.Table{Head: []string{"from s", "to s", "note", "cents", "vibrato", "sure"}, Right: []bool{true, true, false, true, true, true}}
	for _, n := range rows {
		vibrato := ""
		if n.VibratoHz > 0 {
			vibrato = fmt.Sprintf("%.1f Hz %.0f c", n.VibratoHz, n.VibratoCents)
		}
		t.Rows = append(t.Rows, []string{fmt.Sprintf("%.2f", n.Onset), fmt.Sprintf("%.2f", n.Offset), n.Name, fmt.Sprintf("%+.0f", n.Cents), vibrato, percent(n.Confidence)})
	}
	return a.table(t)
}
