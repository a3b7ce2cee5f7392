package main

import (
	"cuechoir/engine/job"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) mapCmd() *cobra.Command {
	var o job.MapOptions
	var style, within string
	var metres []string
	c := &cobra.Command{
		Use:   "map [FOLDER]",
		Short: "Solve the tempo map whose beats land on the hits, and store it; show, edit, export it",
		Long: `Must-hits land exactly, want-hits within their tolerance where the map can
afford it. Several maps are found and ranked; the best is stored, or the one
you choose. The error of a hit is how late its beat comes, in frames.

Two styles look at no hits: follow lays the map on the reference's own beat (see
cuechoir beats), tapped on the beat you tapped (see cuechoir taps): the fewest
tempos that stay within a frame of every beat.

A stored map can be edited: bars, metres, holds, silence, passages. A beat that
is pinned to a frame stays there through every edit and every new solve.`,
		Example: "  cuechoir map\n  cuechoir map --style steady\n  cuechoir map --tempo 96 --metres 4/4,3/4 --choose 2\n  cuechoir map harbour --style gliding --json\n  cuechoir map --style follow --within 2\n  cuechoir map show",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if err := a.takeFolder(c, given); err != nil {
				return err
			}
			o.Tempo.Style = tempo.Style(style)
			return a.solveMap(c, o, metres, within)
		},
	}
	f := c.Flags()
	f.StringVar(&style, "style", "stepped", "stepped (tempo changes on hits), steady (one tempo), gliding, follow or tapped")
	f.StringVar(&within, "within", "1", "frames that a map that follows a beat may lie off it")
	f.Float64Var(&o.Tempo.MinBPM, "min", 60, "slowest tempo in beats a minute")
	f.Float64Var(&o.Tempo.MaxBPM, "max", 168, "fastest tempo in beats a minute")
	f.Float64Var(&o.Tempo.TempoBPM, "tempo", 0, "the tempo wished for (default: a comfortable one)")
	f.Float64Var(&o.Tempo.MaxStep, "step", 0.12, "largest change of tempo between neighbours, 0.12 is 12 %")
	f.StringSliceVar(&metres, "metres", nil, "the metre, then those allowed as odd bars (default 4/4,3/4,2/4)")
	f.IntVar(&o.Tempo.Answers, "answers", 3, "how many maps to find")
	f.IntVar(&o.Choose, "choose", 1, "which of them to store")
	f.BoolVar(&o.Nearest, "nearest", false, "store the nearest map when not all must-hits can be met")
	c.AddCommand(&cobra.Command{
		Use: "show", Short: "Print the stored map", Example: "  cuechoir map show --json", Args: args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error { return a.showMap() },
	}, a.mapBarCmd(), a.mapMetreCmd(), a.mapPinCmd(), a.mapUnpinCmd(), a.mapScaleCmd(), a.mapHoldCmd(), a.mapSilenceCmd(), a.mapExportCmd(), a.mapImportCmd())
	return c
}

// solveMap finds maps, stores one and prints them.
func (a *app) solveMap(c *cobra.Command, o job.MapOptions, metres []string, within string) error {
	for _, m := range metres {
		metre, err := tempo.ParseMetre(m)
		if err != nil {
			return err
		}
		o.Tempo.Metres = append(o.Tempo.Metres, metre)
	}
	if s := o.Tempo.Style; s == tempo.Follow || s == tempo.Tapped {
		return a.followMap(c, o.Tempo, within)
	}
	f, err := a.folder()
	if err != nil {
		return err
	}
	defer f.Close()
	res, err := job.SolveMap(c.Context(), f, o)
	if len(res.Answers) == 0 {
		return err
	}
	s, lerr := f.Load()
	if lerr != nil {
		return lerr
	}
	if perr := a.printAnswers(s, res); perr != nil {
		return perr
	}
	for _, x := range res.Gone {
		a.note("%s of the old map are gone: undo brings the old map back", x)
	}
	if err != nil && res.Stored < 0 && fault.KindOf(err) == fault.NotMet && !a.json {
		a.say("Nothing was stored. To take the nearest map all the same: cuechoir map --nearest")
	}
	return err
}
