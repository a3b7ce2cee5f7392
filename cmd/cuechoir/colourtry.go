package main

import (
	"fmt"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) colourTryCmd() *cobra.Command {
	var where stretchFlags
	var df deviceFlags
	var play bool
	var colours []string
	var volumeDB float64
	c := &cobra.Command{
		Use:   "try LAYER [FILE.wav]",
		Short: "Hear two bars of a layer in all colours, one after the other",
		Long: `The layer as sung, mended, and then in each colour, with its number said before
it: pick one by ear. Without --bars it is the first two bars of the layer's part.
--play plays it; else it is written to a WAV, bounces/LAYER-colours.wav unless
you name one. Nothing in the score changes.

Start with the volume low: a colour can be brighter than the voice.`,
		Example: "  cuechoir colour try bass --play\n  cuechoir colour try bass --bars 3-4 --colours low-brass,bass,strings\n  cuechoir colour bass low-brass",
		Args:    args(cobra.RangeArgs(1, 2)),
		RunE: func(c *cobra.Command, given []string) error {
			if err := checkVolume(volumeDB); err != nil {
				return err
			}
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			x, _, err := where.of(s)
			if err != nil {
				return err
			}
			path := ""
			switch {
			case len(given) == 2:
				path = given[1]
			case !play:
				path = f.Path(score.BouncesDir + "/" + given[0] + "-colours.wav")
			}
			if path != "" && !strings.HasSuffix(strings.ToLower(path), ".wav") {
				return fault.New(fault.Usage, "%q is no WAV file's name", path).Mended("end it with .wav")
			}
			row, err := job.TryColours(c.Context(), f, given[0], colours, x, a.progress.show)
			if err != nil {
				return err
			}
			if path != "" {
				if err := row.Write(path); err != nil {
					return err
				}
			}
			if err := a.printTried(row, path); err != nil || !play {
				return err
			}
			dev, err := a.openOutput(&df, row.SampleRate)
			if err != nil {
				return err
			}
			defer dev.Close()
			_, err = row.Play(c.Context(), dev, volumeDB, func(t job.ColourTry) { a.note("%2d  %s", t.Number, t.Colour) })
			return err
		},
	}
	df.registerOutput(c)
	f := c.Flags()
	f.StringVar(&where.bars, "bars", "", "bars A-B or one bar (default: the first two of the part)")
	f.StringVar(&where.span, "shot", "", "a shot, or FROM..TO")
	f.BoolVar(&play, "play", false, "play it")
	f.StringSliceVar(&colours, "colours", nil, "these alone (default: all)")
	f.Float64Var(&volumeDB, "volume", -6, "of what is played, in dB, at most 0; start low")
	return c
}

// triedColour is a colour of a row as --json prints it.
type triedColour struct {
	Number int    `json:"number"`
	Colour string `json:"colour"`
	From   int64  `json:"from"` // samples of the row
	To     int64  `json:"to"`
}

func (a *app) printTried(row *job.ColourRow, path string) error {
	rows := []triedColour{}
	t := report.Table{Head: []string{"", "colour", "at"}, Right: []bool{true, false, true}}
	for _, x := range row.Tries {
		rows = append(rows, triedColour(x))
		t.Rows = append(t.Rows, []string{fmt.Sprint(x.Number), x.Colour, fmt.Sprintf("%.1f s", float64(x.From)/float64(row.SampleRate))})
	}
	out := map[string]any{"layer": row.Layer, "samples": len(row.Samples), "sample_rate": row.SampleRate, "down_db": row.DownDB, "colours": rows}
	if path != "" {
		out["file"] = path
	}
	if done, err := a.printJSON(out); done {
		return err
	}
	if err := a.table(t); err != nil {
		return err
	}
	if path != "" {
		a.say("%s: %.1f s. Take one: cuechoir colour %s NAME", path, float64(len(row.Samples))/float64(row.SampleRate), row.Layer)
	}
	return nil
}
