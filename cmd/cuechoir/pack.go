package main

import (
	"fmt"

	"cuechoir/engine/job"

	"github.com/spf13/cobra"
)

const packHelp = `A pack for a friend who sings elsewhere: one sound to sing to (click, a plain tone
of the part, the reference's own sound, all quiet, and chirps at both ends), the
same with the click alone, the part to learn from, and a page of instructions.

The chirps must come into the friend's microphone: one earpiece is held to it
while they sound. Then cuechoir pack take lays the recording on the timeline by
itself, its clock mended. Make the pack when the map is done: a layer's new pack
takes the place of its last.`

func (a *app) packCmd() *cobra.Command {
	var cf clickFlags
	var o job.PackOptions
	c := &cobra.Command{
		Use:     "pack LAYER",
		Short:   "Make a pack for a friend who sings elsewhere; take in what comes back",
		Long:    packHelp,
		Example: "  cuechoir pack alto\n  cuechoir pack alto --out for-ada.zip --count-in 2bars --no-reference\n  cuechoir pack take alto from-ada.m4a",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			click, err := cf.options()
			if err != nil {
				return err
			}
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			o.Layer, o.Click, o.Progress = given[0], click, a.progress.show
			res, err := job.Pack(c.Context(), f, o)
			if err != nil {
				return err
			}
			return a.printPack(res)
		},
	}
	cf.register(c)
	f := c.Flags()
	f.StringVar(&o.Path, "out", "", "a .zip, or a new folder (default: bounces/pack-LAYER.zip)")
	f.BoolVar(&o.NoGuide, "no-guide", false, "without the plain tone of the part")
	f.BoolVar(&o.NoReference, "no-reference", false, "without the reference's own sound")
	c.AddCommand(a.packTakeCmd())
	return c
}

func (a *app) printPack(res job.PackResult) error {
	l := res.Layout
	files := []string{}
	for _, file := range res.Letter.Files {
		files = append(files, file.Name)
	}
	done, err := a.printJSON(map[string]any{"path": res.Path, "layer": res.Letter.Layer, "sounds": files, "guide": res.Letter.Guide, "reference": res.Letter.Reference,
		"sample_rate": l.SampleRate, "first_sample": l.Start(), "samples": l.Stop() - l.Start(), "notes": append([]string{}, res.Notes...)})
	if done {
		return err
	}
	for _, n := range res.Notes {
		a.note("%s", n)
	}
	a.say("%s: %s of %s to sing to, and instructions", res.Path, seconds(l.Stop()-l.Start(), l.SampleRate), res.Letter.Layer)
	a.say("Send it. When the recording is back: cuechoir pack take %s FILE", res.Letter.Layer)
	return nil
}

const packTakeHelp = `Lays a friend's recording on the timeline as a new take: by the chirps of the pack,
else by the click that leaked from the headphones, else by the singing against the
part. A clock that ran fast or slow is mended. Any sound file or video will do, of any rate.
What cannot be placed is refused, with the reason.`

func (a *app) packTakeCmd() *cobra.Command {
	var o job.PackTakeOptions
	c := &cobra.Command{
		Use:     "take LAYER FILE",
		Short:   "Place a friend's recording by itself",
		Long:    packTakeHelp,
		Example: "  cuechoir pack take alto from-ada.m4a\n  cuechoir pack take alto from-ada.m4a --json",
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(c *cobra.Command, given []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			o.Layer, o.File, o.Progress = given[0], given[1], a.progress.show
			res, err := job.PackTake(c.Context(), f, o)
			if err != nil {
				return err
			}
			done, err := a.printJSON(map[string]any{"take": res.Take, "notes": append([]string{}, res.Notes...)})
			if done {
				return err
			}
			for _, n := range res.Notes {
				a.note("%s", n)
			}
			a.printTake(s, res.Take)
			a.say("%s", placed(res))
			a.say("Next: cuechoir check %s", o.Layer)
			return nil
		},
	}
	decoderFlag(c, &o.Engine)
	return c
}

// placed says how sure the place is.
func placed(res job.PackTakeResult) string {
	al := res.Alignment
	clock := "its clock taken to be right"
	if al.PaceKnown {
		clock = fmt.Sprintf("its clock %+.1f ppm off, mended", al.PPM)
	}
	return fmt.Sprintf("Placed by %s (%d agree within %.2f ms), %s; within ±%.1f ms, sure to %.0f %%", al.Way, al.Points, al.ResidualMs, clock, al.WithinMs, 100*al.Confidence)
}
