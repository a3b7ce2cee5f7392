package main

import (
	"cuechoir/engine/job"
	"cuechoir/engine/tempo"

	"github.com/spf13/cobra"
)

// clickFlags are how the click sounds, for click and sing.
type clickFlags struct {
	level float64
	sound string
	count int
	none  bool
}

func (cf *clickFlags) register(c *cobra.Command) {
	f := c.Flags()
	f.Float64Var(&cf.level, "level", -18, "the click's accent in dBFS; start low")
	f.StringVar(&cf.sound, "sound", "tone", "tone, or soft (leaks less from the headphones)")
	f.IntVar(&cf.count, "count-in", 0, "beats before bar 1 (default: one bar)")
	f.BoolVar(&cf.none, "no-count-in", false, "start on bar 1 itself")
	c.MarkFlagsMutuallyExclusive("count-in", "no-count-in")
}

func (cf *clickFlags) options() job.ClickOptions {
	level := cf.level
	if level == 0 {
		level = -1e-9 // full scale; the zero value means the default
	}
	return job.ClickOptions{CountInBeats: cf.count, NoCountIn: cf.none, Sound: tempo.ClickOptions{LevelDB: level, Sound: tempo.Sound(cf.sound)}}
}

func (a *app) clickCmd() *cobra.Command {
	var cf clickFlags
	var twoPop bool
	c := &cobra.Command{
		Use:     "click [FILE.wav]",
		Short:   "Render the click, with its count-in, to a WAV",
		Long:    "The click follows the map to the sample. The file starts with the count-in,\nwhich may lie before the picture; its time reference says where.",
		Example: "  cuechoir click\n  cuechoir click rehearsal.wav --count-in 8 --sound soft",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			o := cf.options()
			o.TwoPop = twoPop
			if len(given) > 0 {
				o.Path = given[0]
			}
			res, err := job.Click(c.Context(), f, o)
			if err != nil {
				return err
			}
			done, err := a.printJSON(map[string]any{"path": res.Path, "first_sample": res.From, "samples": res.To - res.From,
				"sample_rate": res.SampleRate, "count_in_beats": res.CountIn, "beats": res.Beats})
			if done {
				return err
			}
			a.say("%s: %d beats after a count-in of %d, %s", res.Path, res.Beats, res.CountIn, seconds(res.To-res.From, res.SampleRate))
			if res.From < 0 {
				a.say("It starts %s before the picture; frame 0 is at its sample %d.", seconds(-res.From, res.SampleRate), -res.From)
			}
			return nil
		},
	}
	cf.register(c)
	c.Flags().BoolVar(&twoPop, "two-pop", false, "a 1 kHz pop of one frame, two seconds before the picture")
	return c
}
