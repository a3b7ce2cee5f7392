package main

import (
	"io"

	"cuechoir/engine/beats"
	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"

	"github.com/spf13/cobra"
)

func (a *app) tapsCmd() *cobra.Command {
	c := &cobra.Command{
		Use:   "taps",
		Short: "The beat as you tapped it: what is there, and how it is mended",
		Long: `Taps are kept as they were tapped. When they are used they are mended against the
reference's sound: a constant lateness is taken off, bounces are dropped, missed
beats are filled in, and each beat is moved to what plainly begins near it, or to
the line of its neighbours. Every change is told here.`,
		Example: "  cuechoir taps play\n  cuechoir taps\n  cuechoir map --style tapped",
		Args:    args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			if len(s.Taps) == 0 {
				if done, err := a.printJSON(tapsRow{}); done {
					return err
				}
				a.say("No taps yet. Tap them: cuechoir taps play; or read them: cuechoir taps import FILE.csv")
				return nil
			}
			res, err := job.Beats(c.Context(), f, s, beats.Options{}, a.progress.show)
			a.progress.clear()
			if err != nil {
				return err
			}
			return a.printTaps(s, res)
		},
	}
	c.AddCommand(a.tapsPlayCmd(), a.tapsImportCmd(), a.tapsRemoveCmd())
	return c
}

// tapsRow is what --json prints.
type tapsRow struct {
	Taps        []int64      `json:"tapped_samples"`
	Beats       int          `json:"beats"`
	LateSamples int64        `json:"late_samples"`
	Notes       []tapNoteRow `json:"notes"`
}

func (a *app) printTaps(s *score.Score, res job.BeatsResult) error {
	m := res.Tapped
	row := tapsRow{s.Taps, len(m.Beats), m.LateSamples, tapNoteRows(m.Notes)}
	if done, err := a.printJSON(row); done {
		return err
	}
	t := report.Table{Head: []string{"time code", "change", ""}}
	rate := s.Reference.Rate
	for _, n := range m.Notes {
		t.Rows = append(t.Rows, []string{rate.Timecode(s.Reference.Start + max(0, rate.FrameOf(n.Sample, s.SampleRate))), string(n.Kind), n.Words})
	}
	if len(t.Rows) > 0 {
		if err := a.table(t); err != nil {
			return err
		}
		a.say("")
	}
	against := "against the reference's sound"
	if res.Heard == nil {
		against = "without a sound to hold them against"
	}
	a.say("%d taps, mended to %d beats %s.", len(s.Taps), len(m.Beats), against)
	return nil
}

func (a *app) tapsImportCmd() *cobra.Command {
	var strict bool
	c := &cobra.Command{
		Use:   "import FILE.csv",
		Short: "Read taps from a table, in the place of those that are there",
		Long: `The table has a column of seconds (kept to the sample), or frame, timecode or
sample; a header line is optional: without one, what has a point or an s is
seconds, else a frame or a time code. Time codes are on the reference's own clock.
A line that cannot be read is told with its number, and the others are read.`,
		Example: "  cuechoir taps import taps.csv\n  cuechoir taps import - < taps.csv",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			s, err := a.edit("taps read", func(s *score.Score) error {
				return a.withTable(given[0], func(r io.Reader, name string) error {
					taps, problems, err := score.ReadTaps(r, name, s)
					if err != nil {
						return err
					}
					if err := a.tellProblems(name, problems, strict, len(taps), "taps"); err != nil {
						return err
					}
					s.Taps = taps
					return nil
				})
			})
			if err != nil {
				return err
			}
			if done, err := a.printJSON(tapsRow{Taps: s.Taps, Notes: []tapNoteRow{}}); done {
				return err
			}
			a.say("%d taps read. %s", len(s.Taps), tapsNext)
			return nil
		},
	}
	c.Flags().BoolVar(&strict, "strict", false, "take nothing when a line cannot be read")
	return c
}

const tapsNext = "See how they are mended: cuechoir taps; lay the map on them: cuechoir map --style tapped"

func (a *app) tapsRemoveCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "remove",
		Short:   "Remove all taps",
		Example: "  cuechoir taps remove",
		Args:    args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			n := 0
			_, err := a.edit("taps removed", func(s *score.Score) error {
				n = len(s.Taps)
				s.Taps = nil
				return nil
			})
			if err != nil {
				return err
			}
			if done, err := a.printJSON(map[string]int{"removed": n}); done {
				return err
			}
			a.say("%d taps removed.", n)
			return nil
		},
	}
}
