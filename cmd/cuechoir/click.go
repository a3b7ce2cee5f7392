package main

import (
	"strconv"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// clickFlags are how the click sounds, for click and sing.
type clickFlags struct {
	level         float64
	sound, counts string
	count         string
	none          bool
	free          int
	freeFrames    string
	subdivide     string
}

func (cf *clickFlags) register(c *cobra.Command) {
	f := c.Flags()
	f.Float64Var(&cf.level, "level", -18, "the click's accent in dBFS; start low")
	f.StringVar(&cf.sound, "sound", "tone", "tone, short, soft, low (the least highs to leak) or spoken (the beats' numbers)")
	f.StringVar(&cf.counts, "count-in-sound", "", "another sound for the count-in, spoken for instance")
	f.StringVar(&cf.count, "count-in", "", "before bar 1: 4, 4beats or 2bars (default: one bar)")
	f.BoolVar(&cf.none, "no-count-in", false, "start on bar 1 itself")
	f.IntVar(&cf.free, "free", 0, "free clicks in the place of the count-in, at the first bar's tempo")
	f.StringVar(&cf.freeFrames, "free-frames", "", "frames from one free click to the next: 12, 12.5 or 12-4 (twelve and four eighths)")
	f.StringVar(&cf.subdivide, "subdivide", "", "clicks in each beat: 2, 3, or metre (3 in 6/8 and its kin, else 2)")
	c.MarkFlagsMutuallyExclusive("count-in", "no-count-in", "free")
}

// options reads the words of the flags.
func (cf *clickFlags) options() (job.ClickOptions, error) {
	level := cf.level
	if level == 0 {
		level = -1e-9 // full scale; the zero value means the default
	}
	o := job.ClickOptions{
		Plan:  tempo.ClickPlan{NoCountIn: cf.none, Free: cf.free},
		Sound: tempo.ClickOptions{LevelDB: level, Sound: tempo.Sound(cf.sound), CountIn: tempo.Sound(cf.counts)},
	}
	var err error
	if o.Plan.CountInBeats, o.Plan.CountInBars, err = parseCountIn(cf.count); err != nil {
		return o, err
	}
	if cf.freeFrames != "" {
		if o.Plan.FreeFrames, err = tempo.ParseClick(cf.freeFrames); err != nil {
			return o, fault.New(fault.Usage, "--free-frames").Because(err)
		}
	}
	switch cf.subdivide {
	case "", "1":
	case "2":
		o.Plan.Subdivide = tempo.Halves
	case "3":
		o.Plan.Subdivide = tempo.Thirds
	case "metre":
		o.Plan.Subdivide = tempo.ByMetre
	default:
		return o, fault.New(fault.Usage, "%q is no subdivision", cf.subdivide).Mended("use 2, 3 or metre")
	}
	return o, nil
}

// parseCountIn reads "4", "4beats" or "2bars".
func parseCountIn(text string) (beats, bars int, err error) {
	if text == "" {
		return 0, 0, nil
	}
	number, into := strings.TrimSuffix(strings.TrimSuffix(text, "s"), "beat"), &beats
	if n, ok := strings.CutSuffix(strings.TrimSuffix(text, "s"), "bar"); ok {
		number, into = n, &bars
	}
	*into, err = strconv.Atoi(strings.TrimSpace(number))
	if err != nil || *into < 1 {
		return 0, 0, fault.New(fault.Usage, "%q is no count-in", text).Mended("use 4beats or 2bars, or --no-count-in")
	}
	return beats, bars, nil
}

// parseBars reads "3-6" or "3".
func parseBars(text string) (from, to int, err error) {
	if text == "" {
		return 0, 0, nil
	}
	a, b, ranged := strings.Cut(text, "-")
	from, err = strconv.Atoi(strings.TrimSpace(a))
	to = from
	if err == nil && ranged {
		to, err = strconv.Atoi(strings.TrimSpace(b))
	}
	if err != nil || from < 1 || to < from {
		return 0, 0, fault.New(fault.Usage, "%q are no bars", text).Mended("use 3-6, or 3 for one bar")
	}
	return from, to, nil
}

const clickHelp = `The click follows the map to the sample. The file starts with the count-in,
which may lie before the picture; its time reference says where. Chosen bars
are a file of their own, with their count-in.

A spoken number has its stressed onset on the beat; a consonant before the vowel
leads. Start with the volume low, and stop when it hurts.`

func (a *app) clickCmd() *cobra.Command {
	var cf clickFlags
	var twoPop bool
	var bars, table string
	c := &cobra.Command{
		Use:   "click [FILE.wav]",
		Short: "Render the click, with its count-in, to a WAV",
		Long:  clickHelp,
		Example: "  cuechoir click\n  cuechoir click rehearsal.wav --count-in 2bars --sound soft --count-in-sound spoken\n" +
			"  cuechoir click bars.wav --bars 5-8 --subdivide 2 --csv bars.csv",
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			o, err := cf.options()
			if err != nil {
				return err
			}
			if o.Plan.FromBar, o.Plan.ToBar, err = parseBars(bars); err != nil {
				return err
			}
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			o.TwoPop, o.CSV = twoPop, table
			if len(given) > 0 {
				o.Path = given[0]
			}
			res, err := job.Click(c.Context(), f, o)
			if err != nil {
				return err
			}
			return a.printClick(res)
		},
	}
	cf.register(c)
	f := c.Flags()
	f.BoolVar(&twoPop, "two-pop", false, "a 1 kHz pop of one frame, two seconds before the picture")
	f.StringVar(&bars, "bars", "", "these bars alone: 5-8, or 5")
	f.StringVar(&table, "csv", "", "write the schedule to this file too: a line for each click")
	return c
}

func (a *app) printClick(res job.ClickResult) error {
	done, err := a.printJSON(map[string]any{"path": res.Path, "first_sample": res.From, "samples": res.To - res.From,
		"sample_rate": res.SampleRate, "count_in_beats": res.CountIn, "beats": res.Beats, "clicks": res.Clicks})
	if done {
		return err
	}
	a.say("%s: %d beats after a count-in of %d, %s", res.Path, res.Beats, res.CountIn, seconds(res.To-res.From, res.SampleRate))
	if res.From < 0 {
		a.say("It starts %s before the picture; frame 0 is at its sample %d.", seconds(-res.From, res.SampleRate), -res.From)
	}
	return nil
}
