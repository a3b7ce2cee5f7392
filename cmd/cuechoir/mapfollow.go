package main

import (
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// followMap lays the map on a beat, by the flags of map: --min, --max and
// --tempo say what beat is looked for when they are given.
func (a *app) followMap(c *cobra.Command, wished tempo.Options, within string) error {
	o := job.FollowOptions{Style: wished.Style}
	var err error
	if o.Within, err = timecode.ParseRatio(within); err != nil {
		return fault.New(fault.Usage, "--within").Because(err)
	}
	changed := c.Flags().Changed
	if changed("min") {
		o.Beats.MinBPM = wished.MinBPM
	}
	if changed("max") {
		o.Beats.MaxBPM = wished.MaxBPM
	}
	if changed("tempo") {
		o.Beats.ExpectBPM = wished.TempoBPM
	}
	if len(wished.Metres) > 1 {
		return fault.New(fault.Usage, "a map that follows a beat has one metre").Mended("give one: --metres 3/4")
	}
	if len(wished.Metres) == 1 {
		o.Metre = wished.Metres[0]
	}
	f, err := a.folder()
	if err != nil {
		return err
	}
	defer f.Close()
	res, err := job.FollowMap(c.Context(), f, o, a.progress.show)
	a.progress.clear()
	if err != nil {
		return err
	}
	if !a.json {
		a.say("%s.\nThe map lies within %s frames of every one of them.", beatsWords(res.Beats), fmt.Sprintf("%.2f", res.Largest.Float()))
	}
	return a.showMap()
}
