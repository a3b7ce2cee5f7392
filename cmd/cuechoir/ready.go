package main

import (
	"cuechoir/engine/bounce"
	"cuechoir/engine/job"
	"cuechoir/engine/report"

	"github.com/spf13/cobra"
)

// readyRow is a line of the checklist as --json prints it.
type readyRow struct {
	What    string `json:"what"`
	Layer   string `json:"layer,omitempty"`
	Stand   string `json:"stand"` // done, look or in the way
	Words   string `json:"words"`
	Command string `json:"command,omitempty"`
}

func (a *app) readyCmd() *cobra.Command {
	var o job.ReadyOptions
	var target targetFlag
	var strict bool
	c := &cobra.Command{
		Use:   "ready",
		Short: "Say what still stands in the way of handing the stem over",
		Long: `Goes through the work in its order: map and hits, layers that are missing, what
sounds (dropouts, clipping, tuning, time, what could not be judged), and the
stem (there, newer than all it is made of, exactly the reference's length, true
peak, loudness). Each line that is not done ends with the command that mends it.
What is only worth a look stands in nobody's way. With --strict it answers 10
when anything stands in the way.`,
		Example: "  cuechoir ready\n  cuechoir ready --target r128 --strict\n  cuechoir ready --json",
		Args:    args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			f, err := a.recovered()
			if err != nil {
				return err
			}
			defer f.Close()
			if o.Target, err = target.of(c); err != nil {
				return err
			}
			o.Progress = a.progress.show
			lines, err := job.Ready(c.Context(), f, o)
			if err != nil {
				return err
			}
			if err := a.printReady(lines); err != nil {
				return err
			}
			return job.ReadyVerdict(lines, strict)
		},
	}
	f := c.Flags()
	f.StringVar(&o.Stem, "stem", "", "the stem's file (default: bounces/stem.wav)")
	target.register(c, "loudness the stem should have: r128, streaming, reference, or LUFS; ±0.5 LU is met (EBU R 128)")
	f.Float64Var(&o.CeilingDBTP, "ceiling", bounce.DefaultCeilingDBTP, "true peak that it should not pass, in dBTP")
	f.BoolVar(&strict, "strict", false, "answer 10 when anything stands in the way")
	return c
}

func (a *app) printReady(lines []job.ReadyLine) error {
	rows := []readyRow{}
	t := report.Table{Head: []string{"", "what", "layer", "how it stands", "mend it"}}
	marks := map[job.Stand]string{job.Done: "done", job.Look: "look", job.InTheWay: "TO DO"}
	for _, l := range lines {
		rows = append(rows, readyRow{l.What, l.Layer, string(l.Stand), l.Words, l.Command})
		t.Rows = append(t.Rows, []string{marks[l.Stand], l.What, l.Layer, l.Words, l.Command})
	}
	n := job.InTheWayOf(lines)
	if done, err := a.printJSON(map[string]any{"ready": n == 0, "in_the_way": n, "lines": rows}); done {
		return err
	}
	if err := a.table(t); err != nil {
		return err
	}
	if n == 0 {
		a.say("Ready: nothing stands in the way.")
	} else if n == 1 {
		a.say("Not ready: 1 thing stands in the way.")
	} else {
		a.say("Not ready: %d things stand in the way.", n)
	}
	return nil
}
