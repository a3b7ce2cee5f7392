package main

import (
	"fmt"
	"slices"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

const colourHelp = `A colour makes the voice the part that it stands for: a recipe of processors, a
line each, which is copied into the score and is yours to change from then on.
It is made each time the layer is heard; takes stay as they are, and check
judges them as sung. A colour keeps a layer as loud as it was; a line "gain
-3 dB" changes that. Mends come before it.`

func (a *app) colourCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "colour LAYER [NAME|none]",
		Short:   "Make the voice of a layer brass, strings, drums, a crowd",
		Long:    colourHelp,
		Example: "  cuechoir colour list\n  cuechoir colour try bass --play\n  cuechoir colour bass low-brass\n  cuechoir colour edit bass --add \"lowpass 900 Hz\"\n  cuechoir audition bass --bars 3-4\n  cuechoir colour bass none",
		Args:    args(cobra.RangeArgs(1, 2)),
		RunE: func(_ *cobra.Command, given []string) error {
			if len(given) == 1 {
				return a.showColour(given[0])
			}
			lines := []string{}
			if given[1] != "none" {
				var err error
				if lines, err = recipeNamed(given[1]); err != nil {
					return err
				}
			}
			return a.setColour(given[0], "colour of "+given[0]+": "+given[1], lines)
		},
	}
	c.AddCommand(a.colourListCmd(), a.colourShowCmd(), a.colourEditCmd(), a.colourFileCmd(), a.colourExampleCmd(), a.colourExamplesCmd(), a.colourTryCmd())
	return c
}

// recipeRow is a colour as --json prints it.
type recipeRow struct {
	Name  string   `json:"name"`
	What  string   `json:"what"`
	Lines []string `json:"lines"`
}

func (a *app) colourListCmd() *cobra.Command {
	var lines bool
	c := &cobra.Command{
		Use:     "list",
		Short:   "List the colours, or the lines that a colour is made of",
		Example: "  cuechoir colour list\n  cuechoir colour list --lines",
		Args:    args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			t := report.Table{Head: []string{"colour", "what for"}, Right: []bool{false, false}}
			var rows any
			if lines {
				t.Head = []string{"line", "what it does"}
				all := []map[string]string{}
				for _, l := range voice.Lines() {
					all = append(all, map[string]string{"line": l.Form, "what": l.What})
					t.Rows = append(t.Rows, []string{l.Form, l.What})
				}
				rows = all
			} else {
				all := []recipeRow{}
				for _, r := range voice.Recipes() {
					all = append(all, recipeRow(r))
					t.Rows = append(t.Rows, []string{r.Name, r.What})
				}
				rows = all
			}
			if done, err := a.printJSON(rows); done {
				return err
			}
			return a.table(t)
		},
	}
	c.Flags().BoolVar(&lines, "lines", false, "the kinds of line, with usual values")
	return c
}

func (a *app) colourShowCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "show LAYER|NAME",
		Short:   "Show the lines of a layer's colour, or of a colour by its name",
		Example: "  cuechoir colour show strings\n  cuechoir colour show bass",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			r, ok := voice.FindRecipe(given[0])
			if l, err := a.layerOf(given[0]); err == nil {
				return a.printColour(l)
			}
			if ok {
				if done, err := a.printJSON(recipeRow(r)); done {
					return err
				}
				a.say("%s: %s", r.Name, r.What)
				a.sayLines(r.Lines)
				return nil
			}
			return a.showColour(given[0])
		},
	}
}

func (a *app) colourEditCmd() *cobra.Command {
	var add string
	var drop int
	c := &cobra.Command{
		Use:     "edit LAYER [LINE...]",
		Short:   "Change the lines of a layer's colour",
		Long:    "The lines take the place of the layer's own, in their order; --add puts one at\nthe end, --drop takes one out by its number.",
		Example: "  cuechoir colour edit bass \"pitch -12 st\" \"drive 6 dB\" \"lowpass 900 Hz\"\n  cuechoir colour edit bass --add \"gain -3 dB\"\n  cuechoir colour edit bass --drop 2",
		Args:    args(cobra.MinimumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			layer, lines := given[0], given[1:]
			adds, drops := c.Flags().Changed("add"), c.Flags().Changed("drop")
			ways := 0
			for _, used := range []bool{adds, drops, len(lines) > 0} {
				if used {
					ways++
				}
			}
			if ways != 1 {
				return fault.New(fault.Usage, "give all lines, or --add, or --drop").Mended("see: cuechoir colour edit --help")
			}
			if adds || drops {
				l, err := a.layerOf(layer)
				if err != nil {
					return err
				}
				lines = slices.Clone(l.Colour)
				if adds {
					lines = append(lines, add)
				} else if drop < 1 || drop > len(lines) {
					return fault.New(fault.Usage, "the colour of %s has no line %d", layer, drop).Mended("see them: cuechoir colour show %s", layer)
				} else {
					lines = slices.Delete(lines, drop-1, drop)
				}
			}
			return a.setColour(layer, "colour of "+layer+" edited", lines)
		},
	}
	c.Flags().StringVar(&add, "add", "", "a line to put at the end")
	c.Flags().IntVar(&drop, "drop", 0, "the number of a line to take out, from 1")
	return c
}

func (a *app) setColour(layer, label string, lines []string) error {
	f, err := a.folder()
	if err != nil {
		return err
	}
	defer f.Close()
	l, err := job.SetColour(f, layer, label, lines)
	if err != nil {
		return err
	}
	return a.printColour(l)
}

func (a *app) layerOf(name string) (*score.Layer, error) {
	f, s, err := a.load()
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return job.Layer(s, name)
}

func (a *app) showColour(layer string) error {
	l, err := a.layerOf(layer)
	if err != nil {
		return err
	}
	return a.printColour(l)
}

func (a *app) printColour(l *score.Layer) error {
	name := job.ColourName(l.Colour)
	if done, err := a.printJSON(map[string]any{"layer": l.Name, "colour": name, "lines": append([]string{}, l.Colour...)}); done {
		return err
	}
	switch name {
	case "none":
		a.say("%s: no colour.", l.Name)
	case "own":
		a.say("%s: a colour of its own", l.Name)
	default:
		a.say("%s: %s", l.Name, name)
	}
	a.sayLines(l.Colour)
	return nil
}

func (a *app) sayLines(lines []string) {
	for i, l := range lines {
		a.say("  %d  %s", i+1, l)
	}
}

func (a *app) auditionCmd() *cobra.Command {
	var where stretchFlags
	c := &cobra.Command{
		Use:   "audition LAYER [FILE.wav]",
		Short: "Write a layer as it is heard, mended and in its colour, to a WAV",
		Long: `Mono, 24 bit, before fader and mix; its time reference says where it begins. The
file is bounces/LAYER-heard.wav unless you name one. Start with the volume low:
a colour can be brighter than the voice.`,
		Example: "  cuechoir audition bass\n  cuechoir audition bass --bars 12-13 try.wav",
		Args:    args(cobra.RangeArgs(1, 2)),
		RunE: func(c *cobra.Command, given []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			x, _, err := where.of(s)
			if err != nil {
				return err
			}
			if _, err := job.Layer(s, given[0]); err != nil {
				return err
			}
			path := f.Path(score.BouncesDir + "/" + given[0] + "-heard.wav")
			if len(given) == 2 {
				path = given[1]
			}
			if !strings.HasSuffix(strings.ToLower(path), ".wav") {
				return fault.New(fault.Usage, "%q is no WAV file's name", path).Mended("end it with .wav")
			}
			samples, down, err := job.Audition(c.Context(), f, given[0], x, path)
			if err != nil {
				return err
			}
			if done, err := a.printJSON(map[string]any{"file": path, "samples": samples, "down_db": down}); done {
				return err
			}
			words := ""
			if down > 0 {
				words = fmt.Sprintf(", %.1f dB lower so that it does not clip", down)
			}
			a.say("%s: %.2f s%s", path, float64(samples)/float64(s.SampleRate), words)
			return nil
		},
	}
	c.Flags().StringVar(&where.bars, "bars", "", "bars A-B or one bar (default: all)")
	c.Flags().StringVar(&where.span, "shot", "", "a shot, or FROM..TO")
	return c
}
