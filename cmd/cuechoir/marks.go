package main

import (
	"fmt"
	"strconv"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) takesRateCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "rate LAYER TAKE RATING",
		Short:   "Rate a take from 1 to 5; 0 takes the rating back",
		Example: "  cuechoir takes rate bass 002 4",
		Args:    args(cobra.ExactArgs(3)),
		RunE: func(_ *cobra.Command, given []string) error {
			n, err := strconv.Atoi(given[2])
			if err != nil {
				return fault.New(fault.Usage, "%q is no rating", given[2]).Mended("use 1 to %d, or 0 to take it back", score.MaxRating)
			}
			return a.mark(given, func(f *score.Folder) (score.Mark, error) { return job.RateTake(f, given[0], given[1], n) })
		},
	}
}

func (a *app) takesNoteCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "note LAYER TAKE WORDS",
		Short:   "Keep words on a take; \"\" takes them back",
		Example: "  cuechoir takes note bass 002 \"the best breath before bar 9\"",
		Args:    args(cobra.MinimumNArgs(3)),
		RunE: func(_ *cobra.Command, given []string) error {
			words := strings.Join(given[2:], " ")
			return a.mark(given, func(f *score.Folder) (score.Mark, error) { return job.NoteTake(f, given[0], given[1], words) })
		},
	}
}

func (a *app) takesNudgeCmd() *cobra.Command {
	c := &cobra.Command{
		Use:   "nudge LAYER TAKE BY",
		Short: "Move a take by frames, ms or samples",
		Long: `The take is moved wherever it is used; its sound is not changed. Nudges add up:
+ is later, - earlier; f are frames, ms milliseconds, a number alone samples. 0
puts the take back where it was sung.`,
		Example: "  cuechoir takes nudge bass 002 +2f\n  cuechoir takes nudge bass 002 -12ms\n  cuechoir takes nudge bass 002 +480",
		Args:    args(cobra.MinimumNArgs(3)),
		RunE: func(c *cobra.Command, given []string) error {
			if err := a.lateFlags(c, given[3:]); err != nil {
				return err
			}
			return a.mark(given, func(f *score.Folder) (score.Mark, error) { return job.NudgeTake(f, given[0], given[1], given[2]) })
		},
	}
	c.Flags().SetInterspersed(false) // -12ms is a distance, not a flag
	return c
}

// lateFlags reads flags behind a distance, which ended the flags since it may
// begin with a dash.
func (a *app) lateFlags(c *cobra.Command, rest []string) error {
	c.Flags().SetInterspersed(true)
	if err := c.ParseFlags(rest); err != nil {
		return c.FlagErrorFunc()(c, err)
	}
	if extra := c.Flags().Args(); len(extra) > 0 {
		return fault.New(fault.Usage, "%q is one word too many", extra[0]).Mended("see: %s --help", c.CommandPath())
	}
	return nil
}

// takeMarkRow is what is said of a take as --json prints it.
type takeMarkRow struct {
	Layer  string  `json:"layer"`
	Take   string  `json:"take"`
	Rating int     `json:"rating"`
	Nudge  int64   `json:"nudge_samples"`
	Millis float64 `json:"nudge_ms"`
	Note   string  `json:"note"`
}

// mark changes what is said of a take and prints it.
func (a *app) mark(given []string, change func(*score.Folder) (score.Mark, error)) error {
	f, s, err := a.load()
	if err != nil {
		return err
	}
	defer f.Close()
	m, err := change(f)
	if err != nil {
		return err
	}
	row := takeMarkRow{given[0], m.Take, m.Rating, m.Nudge, 1000 * float64(m.Nudge) / float64(s.SampleRate), m.Note}
	if done, err := a.printJSON(row); done {
		return err
	}
	a.say("take %s of %s: %s", row.Take, row.Layer, markWords(s, m))
	return nil
}

// markWords is what is said of a take in a line.
func markWords(s *score.Score, m score.Mark) string {
	var out []string
	if m.Rating > 0 {
		out = append(out, fmt.Sprintf("rated %d of %d", m.Rating, score.MaxRating))
	}
	if m.Nudge != 0 {
		frame := float64(s.SampleRate) * float64(s.Reference.Rate.Den) / float64(s.Reference.Rate.Num)
		out = append(out, fmt.Sprintf("moved by %+d samples (%+.1f ms, %+.2f frames)", m.Nudge, 1000*float64(m.Nudge)/float64(s.SampleRate), float64(m.Nudge)/frame))
	}
	if m.Note != "" {
		out = append(out, "“"+m.Note+"”")
	}
	if len(out) == 0 {
		return "as it was sung"
	}
	return strings.Join(out, ", ")
}
