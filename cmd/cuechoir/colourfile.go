package main

import (
	"fmt"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
	"cuechoir/projects-example/walk"

	"github.com/spf13/cobra"
)

// recipeNamed is a colour's lines by its name.
func recipeNamed(name string) ([]string, error) {
	r, ok := voice.FindRecipe(name)
	if !ok {
		return nil, fault.New(fault.Missing, "there is no colour %q", name).Mended("list them: cuechoir colour list")
	}
	return r.Lines, nil
}

// colourLines are the lines that a person names: a colour, lines of one, or none.
func colourLines(given []string) ([]string, error) { return job.ColourLines(strings.Join(given, ";")) }

func (a *app) colourFileCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "file NAME IN OUT.wav",
		Short: "Write a sound file in a colour: a stem with the old optical sound",
		Long: `The file stays as long to the sample and as loud (ITU-R BS.1770), and keeps its
channels and its time reference; it is 24 bit, its true peak at most -1 dBTP. Colours that follow
one voice are at home on a layer; old-optical is for a voice-over or a mix too.`,
		Example: "  cuechoir colour file old-optical bounces/stem.wav bounces/stem-old.wav",
		Args:    args(cobra.ExactArgs(3)),
		RunE: func(c *cobra.Command, given []string) error {
			lines, err := recipeNamed(given[0])
			if err != nil {
				return err
			}
			res, err := job.ColourFile(c.Context(), lines, given[1], given[2])
			if err != nil {
				return err
			}
			if done, err := a.printJSON(map[string]any{"file": given[2], "samples": res.Frames, "sample_rate": res.SampleRate, "channels": res.Channels,
				"lufs": orNull(res.LUFS), "was_lufs": orNull(res.WasLUFS), "true_peak_dbtp": orNull(res.TruePeakDBTP), "down_db": res.DownDB}); done {
				return err
			}
			a.say("%s: %d samples in %s, %.1f LUFS integrated (it was %.1f), %.1f dBTP true peak", given[2], res.Frames, given[0], res.LUFS, res.WasLUFS, res.TruePeakDBTP)
			if res.DownDB > 0 {
				a.note("it was made %.1f dB softer to keep its true peak at -1 dBTP", res.DownDB)
			}
			return nil
		},
	}
}

func (a *app) colourExampleCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "example NAME OUT.wav",
		Short:   "Write a few notes of a synthetic voice, as sung and then in a colour",
		Example: "  cuechoir colour example low-brass brass.wav",
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, given []string) error {
			lines, err := recipeNamed(given[0])
			if err != nil {
				return err
			}
			frames, err := job.ColourExample(lines, score.DefaultSampleRate, given[1])
			if err != nil {
				return err
			}
			if done, err := a.printJSON(map[string]any{"file": given[1], "samples": frames}); done {
				return err
			}
			a.say("%s: four seconds as sung, then in %s. Start with the volume low.", given[1], given[0])
			return nil
		},
	}
}

func (a *app) colourExamplesCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "examples FOLDER",
		Short: "Write each colour as a line of the built-in example gives it",
		Long: `A WAV a colour, three seconds, sung by the example's synthetic voice: brass from
its trumpet's line, a snare from its "ta"s. The folder is made when it is not
there. Start with the volume low.`,
		Example: "  cuechoir colour examples colours",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			all, err := walk.ColourExamples(c.Context(), given[0])
			if err != nil {
				return err
			}
			if done, err := a.printJSON(all); done {
				return err
			}
			t := report.Table{Head: []string{"colour", "sung by", "file"}}
			for _, e := range all {
				t.Rows = append(t.Rows, []string{e.Colour, fmt.Sprintf("%s, bar %d", e.Layer, e.Bar), e.File})
			}
			return a.table(t)
		},
	}
}

func (a *app) doubleCmd() *cobra.Command {
	var o job.DoubleOptions
	c := &cobra.Command{
		Use:   "double LAYER NEW",
		Short: "Make a layer that sings another's notes as another singer would",
		Long: `The new layer's take is LAYER's sound as it is sung now; one line of its colour
has it drift in pitch and time on its own, the same for the same seed. Fader, pan
and strip are its own: put the two left and right.`,
		Example: "  cuechoir double alto alto-2\n  cuechoir double alto alto-3 --seed 3 --apart 14 --late 30",
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(c *cobra.Command, given []string) error {
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			o.Of, o.Name = given[0], given[1]
			l, info, err := job.Double(c.Context(), f, o)
			if err != nil {
				return err
			}
			if done, err := a.printJSON(map[string]any{"layer": l.Name, "of": o.Of, "take": info.ID, "lines": l.Colour}); done {
				return err
			}
			a.say("%s: doubles %s, take %s", l.Name, o.Of, info.ID)
			a.sayLines(l.Colour)
			return nil
		},
	}
	c.Flags().IntVar(&o.Seed, "seed", 2, "which singer it is")
	c.Flags().Float64Var(&o.Apart, "apart", 10, "how far it drifts in pitch, in cents, to 100")
	c.Flags().Float64Var(&o.LateMS, "late", 20, "how late it may be, in ms, to 120")
	return c
}
