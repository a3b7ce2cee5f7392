package main

import (
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/rehearse"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

const rehearseHelp = `Three count beeps, the start frame, then a beep each second, each fifth longer:
to learn a shot by, to the second. Over it the reference's own sound, or silence.
SHOT is a shot's number as cuts lists it (3 or s3) or its
name; FROM..TO are two positions, the second left out.

Slower keeps the pitch, and the seconds slow down with the shot. An .mp4 shows the
reference's picture and a counter; it needs ffmpeg. The start frame is white.

Start with the volume low. Stop when it hurts.`

func (a *app) rehearseCmd() *cobra.Command {
	var o job.RehearseOptions
	var gap, speed string
	c := &cobra.Command{
		Use:   "rehearse SHOT|FROM..TO",
		Short: "Write a shot as a loop to rehearse with: count, start, a beep each second",
		Long:  rehearseHelp,
		Example: "  cuechoir rehearse 3\n  cuechoir rehearse \"the door\" --loops 5 --speed 0.75 --spoken\n" +
			"  cuechoir rehearse 01:00:10:00..01:00:20:00 --silent --out door.mp4",
		Args: args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			o.What, o.Progress, o.NeedsSound = given[0], a.progress.show, c.Flags().Changed("reference")
			if o.LevelDB == 0 {
				o.LevelDB = -1e-9 // full scale; the zero value means the default
			}
			var err error
			if o.Gap, err = timecode.ParseRatio(gap); err != nil {
				return fault.New(fault.Usage, "--gap").Because(err).Mended("write seconds: 2 or 1.5")
			}
			if o.Speed, err = timecode.ParseRatio(speed); err != nil || o.Speed.Sign() <= 0 {
				return fault.New(fault.Usage, "%q is no speed", speed).Mended("use 0.5 (half) to 2 (double)")
			}
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			res, err := job.Rehearse(c.Context(), f, o)
			if err != nil {
				return err
			}
			return a.printRehearsal(res)
		},
	}
	f := c.Flags()
	f.IntVar(&o.Loops, "loops", 1, "how often, 1 to 100")
	f.StringVar(&gap, "gap", "2", "seconds of silence between two times, before the count")
	f.StringVar(&speed, "speed", "1", "0.75 is slower at the same pitch; 0.5 to 2")
	f.Float64Var(&o.ReferenceDB, "reference", -12, "level of the reference's sound in dB, at most 0")
	f.BoolVar(&o.Silent, "silent", false, "without the reference's sound")
	f.BoolVar(&o.Spoken, "spoken", false, "\"one, two, three, go\" in the place of the count beeps")
	f.Float64Var(&o.LevelDB, "level", -18, "the beeps in dBFS; start low")
	f.StringVar(&o.Path, "out", "", "the file, .wav or .mp4 (default: bounces/rehearse-....wav)")
	c.MarkFlagsMutuallyExclusive("reference", "silent")
	return c
}

// passRow and markRow are what --json prints of a rehearsal, in samples from
// the file's beginning.
type passRow struct {
	Start      int64 `json:"start_sample"`
	StartFrame int64 `json:"start_frame"`
	End        int64 `json:"end_sample"`
}

type markRow struct {
	Sample int64         `json:"sample"`
	Kind   rehearse.Kind `json:"kind"`
	Number int           `json:"number"`
	Pass   int           `json:"pass"`
}

func (a *app) printRehearsal(res job.RehearseResult) error {
	p := res.Plan
	var passes []passRow
	for _, x := range p.Passes {
		passes = append(passes, passRow{x.Start, x.StartFrame, x.End})
	}
	var marks []markRow
	for _, m := range p.Marks {
		marks = append(marks, markRow{m.Sample, m.Kind, m.Number, m.Pass + 1})
	}
	done, err := a.printJSON(map[string]any{"path": res.Path, "shot": res.Shot.Name, "from_frame": p.From, "to_frame": p.To, "speed": p.Speed,
		"sample_rate": p.SampleRate, "samples": p.Length, "frames": p.Frames, "reference": res.Reference, "picture": res.Picture,
		"passes": passes, "marks": marks, "notes": append([]string{}, res.Notes...)})
	if done {
		return err
	}
	for _, n := range res.Notes {
		a.note("%s", n)
	}
	often := "once"
	if n := len(p.Passes); n > 1 {
		often = fmt.Sprintf("%d times", n)
	}
	a.say("%s: %s, %s of it, %s, in %s", res.Path, res.Shot.Name, seconds(p.SpanSamples(), p.SampleRate), often, seconds(p.Length, p.SampleRate))
	a.say("The start frame is at sample %d (%s). Volume low at first.", p.Passes[0].Start, seconds(p.Passes[0].Start, p.SampleRate))
	return nil
}
