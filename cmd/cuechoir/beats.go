package main

import (
	"fmt"
	"math"

	"cuechoir/engine/beats"
	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// beatsRow is what --json prints.
type beatsRow struct {
	Metre         int            `json:"metre"` // beats a bar
	Confidence    float64        `json:"confidence"`
	BarConfidence float64        `json:"bar_confidence"`
	NoBeat        string         `json:"no_beat,omitempty"`
	Taps          int            `json:"taps,omitempty"`
	LateSamples   int64          `json:"taps_late_samples,omitempty"`
	Beats         []job.BeatLine `json:"beats"`
	Notes         []tapNoteRow   `json:"notes,omitempty"` // what was done to the taps
}

type tapNoteRow struct {
	Kind    string  `json:"kind"`
	Sample  int64   `json:"sample"`
	MovedMS float64 `json:"moved_ms"`
	Words   string  `json:"words"`
}

func (a *app) beatsCmd() *cobra.Command {
	var wanted beats.Options
	var metre int
	var csv bool
	c := &cobra.Command{
		Use:   "beats",
		Short: "Find the reference's own beat, with a guess of its bars",
		Long: `The beat is followed through the reference's own sound; where you tapped (see
cuechoir taps), the taps count, mended against the sound. Bars are a guess: bar 1
holds the first beat. Strength is how plainly something begins there, 0 to 4.
When it is heard at twice or half the tempo you feel, give its range.`,
		Example: "  cuechoir beats\n  cuechoir beats --min 60 --max 110 --metre 3\n  cuechoir beats --csv > beats.csv\n  cuechoir map --style follow",
		Args:    args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if csv && a.json {
				return fault.New(fault.Usage, "--csv and --json are two forms of one answer").Mended("choose one")
			}
			if c.Flags().Changed("metre") {
				wanted.Metres = []int{metre}
			}
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			res, err := job.Beats(c.Context(), f, s, wanted, a.progress.show)
			a.progress.clear()
			if err != nil {
				return err
			}
			lines := res.Lines(s)
			if csv {
				err = job.WriteBeats(a.out, lines)
			} else {
				err = a.printBeats(res, lines)
			}
			if err == nil && len(lines) == 0 {
				err = job.NoBeat(res.Heard)
			}
			return err
		},
	}
	fl := c.Flags()
	fl.Float64Var(&wanted.MinBPM, "min", 0, "slowest beat looked for, in beats a minute (default 48)")
	fl.Float64Var(&wanted.MaxBPM, "max", 0, "fastest beat looked for (default 208)")
	fl.IntVar(&metre, "metre", 0, "beats a bar (default: guessed among 4, 3 and 2)")
	fl.BoolVar(&csv, "csv", false, "print a table that other programs read")
	return c
}

func (a *app) printBeats(res job.BeatsResult, lines []job.BeatLine) error {
	row := beatsRow{Metre: res.Metre, Beats: lines}
	if h := res.Heard; h != nil {
		row.Confidence, row.BarConfidence, row.NoBeat = h.Confidence, h.BarConfidence, h.NoBeat
	}
	if m := res.Tapped; m != nil {
		row.Taps, row.LateSamples, row.Notes = len(m.Beats), m.LateSamples, tapNoteRows(m.Notes)
	}
	if done, err := a.printJSON(row); done || len(lines) == 0 {
		return err
	}
	t := report.Table{Head: []string{"bar.beat", "frame", "time code", "seconds", "BPM", "strength"}, Right: []bool{true, true, false, true, true, true}}
	for _, l := range lines {
		bpm := ""
		if l.BPM > 0 {
			bpm = fmt.Sprintf("%.1f", l.BPM)
		}
		t.Rows = append(t.Rows, []string{fmt.Sprintf("%d.%d", l.Bar, l.Beat), fmt.Sprint(l.Frame), l.Timecode, fmt.Sprintf("%.3f", l.Seconds), bpm, fmt.Sprintf("%.1f", l.Strength)})
	}
	if err := a.table(t); err != nil {
		return err
	}
	a.say("\n%s", beatsWords(res))
	return nil
}

// beatsWords sums up in a line.
func beatsWords(res job.BeatsResult) string {
	words := fmt.Sprintf("%d beats, bars of %d", len(res.Beats), res.Metre)
	if h := res.Heard; h != nil && h.NoBeat == "" {
		words += fmt.Sprintf("; sure of the beat %.0f %%, of the bars %.0f %%", 100*h.Confidence, 100*h.BarConfidence)
	}
	if m := res.Tapped; m != nil {
		words += fmt.Sprintf("; %d beats from taps", len(m.Beats))
	}
	return words
}

func tapNoteRows(notes []beats.Note) (out []tapNoteRow) {
	for _, n := range notes {
		out = append(out, tapNoteRow{string(n.Kind), n.Sample, math.Round(1e4*n.Moved) / 10, n.Words})
	}
	return out
}
