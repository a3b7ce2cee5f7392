package main

import (
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/take"

	"github.com/spf13/cobra"
)

func (a *app) takesCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "takes [LAYER]",
		Short:   "List the takes; choose the one in use; rate, note, nudge them",
		Long:    "Takes are never changed and never overwritten. The newest is in use unless you\nchoose another. A take that was cut off (a crash, a pulled plug) is mended here.",
		Example: "  cuechoir takes\n  cuechoir takes use bass 002",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			only := ""
			if len(given) > 0 {
				only = given[0]
			}
			return a.listTakes(only)
		},
	}
	c.AddCommand(&cobra.Command{
		Use:     "use LAYER TAKE",
		Short:   "Put one take in use, or \"newest\"",
		Example: "  cuechoir takes use bass 002\n  cuechoir takes use bass newest",
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, given []string) error {
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			id := given[1]
			if id == "newest" {
				id = ""
			}
			if err := job.UseTake(f, given[0], id); err != nil {
				return err
			}
			return a.listTakes(given[0])
		},
	})
	c.AddCommand(a.takesRateCmd(), a.takesNoteCmd(), a.takesNudgeCmd(), a.takesHealthCmd())
	return c
}

// takeRow is a take as --json prints it.
type takeRow struct {
	take.Info
	Timecode string `json:"timecode"`
	InUse    bool   `json:"in_use"`
	Place    string `json:"placement"`
	InComp   bool   `json:"in_comp"`
	Rating   int    `json:"rating"`
	Nudge    int64  `json:"nudge_samples"`
	Note     string `json:"note"`
}

// placeOf says whether a take's place on the timeline can be trusted.
func placeOf(i take.Info) string {
	switch {
	case i.Rate != nil:
		return fmt.Sprintf("the device ran at %.0f Hz from %s on", i.Rate.Hz, seconds(i.Rate.Sample, i.SampleRate))
	case i.Slipped != 0:
		return fmt.Sprintf("slipped by about %d samples", i.Slipped)
	case i.RoundTripKnown == take.Unknown:
		return "not known"
	case i.RoundTripKnown == take.AssumedZero:
		return "not measured"
	case i.HeardAstray():
		return fmt.Sprintf("the click is heard %d samples off", i.Heard.Lag)
	case i.RoundTripKnown == take.ByEar:
		return "by the click heard"
	case len(i.Dropouts) > 0:
		return "sure, with gaps"
	case i.Heard != nil:
		return "sure, the click is heard there"
	}
	return "sure"
}

func (a *app) listTakes(only string) error {
	f, s, err := a.loadRecovered()
	if err != nil {
		return err
	}
	defer f.Close()
	layers, err := job.Takes(f, only)
	if err != nil {
		return err
	}
	rows := []takeRow{}
	t := report.Table{Head: []string{"layer", "take", "", "starts", "length", "peak", "dropouts", "device", "round trip", "place", "said of it"},
		Right: []bool{false, false, false, false, true, true, true, false, true, false}}
	for _, l := range layers {
		layer := s.Layer(l.Layer)
		for _, i := range l.Takes {
			m := layer.MarkOf(i.ID)
			r := takeRow{i, s.Reference.Rate.Timecode(s.Reference.Start + s.Reference.Rate.FrameOf(i.Start, i.SampleRate)), i.ID == l.InUse, placeOf(i),
				layer.InComp(i.ID), m.Rating, m.Nudge, m.Note}
			rows = append(rows, r)
			mark := ""
			if r.InUse {
				mark = "in use"
			}
			if r.InComp {
				mark += " in the comp"
			}
			if i.Useful != nil {
				mark += " patch"
			}
			if i.State != take.Whole {
				mark += " " + string(i.State)
			}
			said := ""
			if m != (score.Mark{Take: i.ID}) {
				said = markWords(s, m)
			}
			t.Rows = append(t.Rows, []string{l.Layer, i.ID, mark, r.Timecode, seconds(i.Frames, i.SampleRate), decibels(i.Peak),
				fmt.Sprint(len(i.Dropouts)), i.Device, fmt.Sprintf("%d (%s)", i.RoundTrip, i.RoundTripKnown), r.Place, said})
		}
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	if len(rows) == 0 {
		a.say("No takes yet. Sing a layer: cuechoir sing LAYER")
		return nil
	}
	return a.table(t)
}
