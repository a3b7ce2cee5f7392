package main

import (
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// editMap changes the stored map and prints it.
func (a *app) editMap(label string, change func(*tempo.Grid) (tempo.Map, error)) error {
	f, err := a.folder()
	if err != nil {
		return err
	}
	defer f.Close()
	s, err := job.EditMap(f, label, change)
	if err != nil {
		return err
	}
	return a.printMap(s)
}

// barNumber reads a bar's number.
func barNumber(text string) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil {
		return 0, fault.New(fault.Usage, "%q is not a bar", text).Mended("give its number, such as 12")
	}
	return n, nil
}

// barRange reads FROM, or FROM TO.
func barRange(given []string) (from, to int, err error) {
	if from, err = barNumber(given[0]); err != nil || len(given) < 2 {
		return from, from, err
	}
	to, err = barNumber(given[1])
	return from, to, err
}

// barBeat reads "12.3"; "12" is its first beat.
func barBeat(text string) (bar, beat int, err error) {
	first, second, ok := strings.Cut(text, ".")
	bar, err1 := strconv.Atoi(first)
	beat = 1
	var err2 error
	if ok {
		beat, err2 = strconv.Atoi(second)
	}
	if err1 != nil || err2 != nil {
		return 0, 0, fault.New(fault.Usage, "%q is not a beat", text).Mended("give its bar and beat, such as 12.3")
	}
	return bar, beat, nil
}

func barsLabel(from, to int, done string) string {
	if from == to {
		return fmt.Sprintf("bar %d %s", from, done)
	}
	return fmt.Sprintf("bars %d to %d %s", from, to, done)
}

func (a *app) mapBarCmd() *cobra.Command {
	c := &cobra.Command{
		Use: "bar", Short: "Insert or delete bars", Example: "  cuechoir map bar insert 12\n  cuechoir map bar delete 12 13", Args: args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			return fault.New(fault.Usage, "say whether to insert or to delete").Mended("see: %s --help", c.CommandPath())
		},
	}
	var n int
	var metre string
	insert := &cobra.Command{
		Use: "insert BAR", Short: "Put a bar before another one", Args: args(cobra.ExactArgs(1)),
		Long:    "Put a bar before another one, at the tempo there. What follows comes later, as far\nas the next pinned beat; up to that the bars give way.",
		Example: "  cuechoir map bar insert 12\n  cuechoir map bar insert 12 --bars 2 --metre 3/4",
		RunE: func(_ *cobra.Command, given []string) error {
			bar, err := barNumber(given[0])
			if err != nil {
				return err
			}
			var m tempo.Metre
			if metre != "" {
				if m, err = tempo.ParseMetre(metre); err != nil {
					return err
				}
			}
			return a.editMap(score.CountLabel(n, "bar", fmt.Sprintf("inserted before bar %d", bar)), func(g *tempo.Grid) (tempo.Map, error) {
				return g.InsertBars(bar, n, m)
			})
		},
	}
	insert.Flags().IntVar(&n, "bars", 1, "how many")
	insert.Flags().StringVar(&metre, "metre", "", "their metre (default: the one there)")
	remove := &cobra.Command{
		Use: "delete BAR [TO]", Short: "Take bars out", Args: args(cobra.RangeArgs(1, 2)),
		Long:    "Take a bar out, or all from one to another. A bar that holds a pinned beat is kept.",
		Example: "  cuechoir map bar delete 12\n  cuechoir map bar delete 12 13",
		RunE: func(_ *cobra.Command, given []string) error {
			from, to, err := barRange(given)
			if err != nil {
				return err
			}
			return a.editMap(barsLabel(from, to, "deleted"), func(g *tempo.Grid) (tempo.Map, error) { return g.DeleteBars(from, to) })
		},
	}
	c.AddCommand(insert, remove)
	return c
}

func (a *app) mapMetreCmd() *cobra.Command {
	return &cobra.Command{
		Use: "metre BAR [TO] METRE", Short: "Give bars another metre", Args: args(cobra.RangeArgs(2, 3)),
		Long:    "Give a bar another metre, or all from one to another. A bar that gets shorter loses\nits last beats.",
		Example: "  cuechoir map metre 12 3/4\n  cuechoir map metre 12 20 6/8",
		RunE: func(_ *cobra.Command, given []string) error {
			last := len(given) - 1
			m, err := tempo.ParseMetre(given[last])
			if err != nil {
				return err
			}
			from, to, err := barRange(given[:last])
			if err != nil {
				return err
			}
			return a.editMap(barsLabel(from, to, "in "+m.String()), func(g *tempo.Grid) (tempo.Map, error) { return g.SetMetre(from, to, m) })
		},
	}
}

func (a *app) mapPinCmd() *cobra.Command {
	return &cobra.Command{
		Use: "pin BAR.BEAT POSITION", Short: "Tie a beat to a frame, for good", Args: args(cobra.ExactArgs(2)),
		Long: `Tie a beat to a frame: it stays there through every edit and every new solve, until
it is unpinned. The bars up to the pinned beats on either side give way; before
the first one bar 1 stays where it is, after the last one the rest is shifted.`,
		Example: "  cuechoir map pin 12.1 480\n  cuechoir map pin 12.3 01:00:20:12",
		RunE: func(_ *cobra.Command, given []string) error {
			bar, beat, err := barBeat(given[0])
			if err != nil {
				return err
			}
			f, s, err := a.load()
			if err != nil {
				return err
			}
			f.Close()
			frame, err := frameOf(s, given[1])
			if err != nil {
				return err
			}
			p := tempo.Pin{Bar: bar, Beat: beat, Frame: frame}
			return a.editMap("beat "+p.String()+" pinned", func(g *tempo.Grid) (tempo.Map, error) { return g.PinBeat(bar, beat, frame) })
		},
	}
}

func (a *app) mapUnpinCmd() *cobra.Command {
	return &cobra.Command{
		Use: "unpin BAR.BEAT", Short: "Let a pinned beat go; nothing moves", Args: args(cobra.ExactArgs(1)),
		Example: "  cuechoir map unpin 12.1",
		RunE: func(_ *cobra.Command, given []string) error {
			bar, beat, err := barBeat(given[0])
			if err != nil {
				return err
			}
			return a.editMap(fmt.Sprintf("beat %d.%d unpinned", bar, beat), func(g *tempo.Grid) (tempo.Map, error) { return g.Unpin(bar, beat) })
		},
	}
}

func (a *app) mapScaleCmd() *cobra.Command {
	var times string
	var frames int64
	var bpm float64
	c := &cobra.Command{
		Use: "scale FROM TO", Short: "Make bars longer or shorter: by a factor, to frames, or to a tempo", Args: args(cobra.ExactArgs(2)),
		Example: "  cuechoir map scale 5 8 --times 1.1\n  cuechoir map scale 5 8 --frames 240\n  cuechoir map scale 5 8 --bpm 84",
		RunE: func(c *cobra.Command, given []string) error {
			from, to, err := barRange(given)
			if err != nil {
				return err
			}
			byTimes, byFrames, byBPM := c.Flags().Changed("times"), c.Flags().Changed("frames"), c.Flags().Changed("bpm")
			change := func(g *tempo.Grid) (tempo.Map, error) { return g.SetTempo(from, to, bpm) }
			switch {
			case byTimes && !byFrames && !byBPM:
				x, err := timecode.ParseRatio(times)
				if err != nil {
					return fault.New(fault.Usage, "").Because(err)
				}
				change = func(g *tempo.Grid) (tempo.Map, error) { return g.Scale(from, to, x) }
			case byFrames && !byTimes && !byBPM:
				change = func(g *tempo.Grid) (tempo.Map, error) { return g.ScaleTo(from, to, frames) }
			case !byBPM || byTimes || byFrames:
				return fault.New(fault.Usage, "say how long the bars shall be").Mended("give one of --times, --frames, --bpm")
			}
			return a.editMap(barsLabel(from, to, "scaled"), change)
		},
	}
	c.Flags().StringVar(&times, "times", "", "times as long: 1.1, or 11/10")
	c.Flags().Int64Var(&frames, "frames", 0, "frames that they last in all")
	c.Flags().Float64Var(&bpm, "bpm", 0, "one tempo, in beats a minute")
	return c
}

func (a *app) mapHoldCmd() *cobra.Command {
	return &cobra.Command{
		Use: "hold BAR.BEAT FRAMES", Short: "Hold a beat for frames beyond its length; 0 lets it go", Args: args(cobra.ExactArgs(2)),
		Example: "  cuechoir map hold 12.4 36\n  cuechoir map hold 12.4 0",
		RunE: func(_ *cobra.Command, given []string) error {
			bar, beat, err := barBeat(given[0])
			if err != nil {
				return err
			}
			frames, err := strconv.ParseInt(given[1], 10, 64)
			if err != nil {
				return fault.New(fault.Usage, "%q is not a number of frames", given[1])
			}
			return a.editMap(fmt.Sprintf("beat %d.%d held %d frames", bar, beat, frames), func(g *tempo.Grid) (tempo.Map, error) { return g.Hold(bar, beat, frames) })
		},
	}
}

func (a *app) mapSilenceCmd() *cobra.Command {
	var off bool
	c := &cobra.Command{
		Use: "silence FROM TO", Short: "Let the parts rest in bars, which are counted on", Args: args(cobra.ExactArgs(2)),
		Example: "  cuechoir map silence 12 14\n  cuechoir map silence 12 14 --off",
		RunE: func(_ *cobra.Command, given []string) error {
			from, to, err := barRange(given)
			if err != nil {
				return err
			}
			done := "silent"
			if off {
				done = "sung again"
			}
			return a.editMap(barsLabel(from, to, done), func(g *tempo.Grid) (tempo.Map, error) { return g.Silence(from, to, !off) })
		},
	}
	c.Flags().BoolVar(&off, "off", false, "let them sing again")
	return c
}

func (a *app) mapExportCmd() *cobra.Command {
	var form string
	c := &cobra.Command{
		Use: "export FILE", Short: "Write the map as MIDI (tempo, metre, markers) or as a table of bars", Args: args(cobra.ExactArgs(1)),
		Long: `A name that ends in .mid gets a Standard MIDI File of type 1: tempo, metre, and
markers for the picture's start, cuts and hits. .csv gets the bars: number, metre,
exact frame, sample, time code, BPM. - is standard output. The click has a table
of its own: cuechoir click --help.`,
		Example: "  cuechoir map export map.mid\n  cuechoir map export bars.csv\n  cuechoir map export - --form csv",
		RunE: func(_ *cobra.Command, given []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			data, err := job.ExportMap(s, form, given[0])
			if err != nil {
				return err
			}
			if given[0] == "-" {
				_, err = a.out.Write(data)
				return err
			}
			if err := writeNew(given[0], string(data)); err != nil {
				return err
			}
			a.note("%s written", given[0])
			return nil
		},
	}
	c.Flags().StringVar(&form, "form", "", "mid or csv (default: by the file's name)")
	return c
}

func (a *app) mapImportCmd() *cobra.Command {
	var start string
	c := &cobra.Command{
		Use: "import FILE", Short: "Take tempos and metres from a MIDI file as the map", Args: args(cobra.ExactArgs(1)),
		Example: "  cuechoir map import map.mid\n  cuechoir map import theirs.mid --start 01:00:02:00",
		RunE: func(_ *cobra.Command, given []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			var at *int64
			if start != "" {
				frame, err := frameOf(s, start)
				if err != nil {
					return err
				}
				at = &frame
			}
			var in io.Reader = a.in
			if given[0] != "-" {
				file, err := os.Open(given[0])
				if err != nil {
					return fault.New(fault.Missing, "the file cannot be read").In(given[0], "").Because(err)
				}
				defer file.Close()
				in = file
			}
			s, notes, err := job.ImportMap(f, in, given[0], at)
			if err != nil {
				return err
			}
			for _, n := range notes {
				a.note("%s", n)
			}
			return a.printMap(s)
		},
	}
	c.Flags().StringVar(&start, "start", "", "where the file begins on the picture (default: as its marker says, or frame 0)")
	return c
}
