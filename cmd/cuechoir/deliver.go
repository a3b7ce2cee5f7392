package main

import (
	"cuechoir/engine/job"

	"github.com/spf13/cobra"
)

func (a *app) deliverCmd() *cobra.Command {
	var o job.DeliverOptions
	var target targetFlag
	c := &cobra.Command{
		Use:   "deliver [FOLDER]",
		Short: "Make the folder that is handed over: stem, stems, cue sheet, markers, MIDI, preview",
		Long: `Bounces anew and writes a new folder, whole or not at all: stem.wav and stems/ as
broadcast wave, cuesheet.csv and cuesheet.html (a page with pictures and players),
markers.csv and markers.edl, map.mid with the map and the parts, and preview.mp4,
the reference's picture with the stem, where ffmpeg and the video are found.
Without a name it is bounces/delivery. See first: cuechoir ready.`,
		Example: "  cuechoir deliver\n  cuechoir deliver handover --target r128 --video trailer.mp4",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			f, err := a.recovered()
			if err != nil {
				return err
			}
			defer f.Close()
			if len(given) > 0 {
				o.Folder = given[0]
			}
			if o.Bounce.Target, err = target.of(c); err != nil {
				return err
			}
			o.Bounce.Progress = a.progress.show
			res, err := job.Deliver(c.Context(), f, o)
			if err != nil {
				return err
			}
			done, err := a.printJSON(map[string]any{"folder": res.Folder, "files": res.Files, "notes": append([]string{}, res.Notes...)})
			if done {
				return err
			}
			a.say("%s:", res.Folder)
			for _, name := range res.Files {
				a.say("  %s", name)
			}
			for _, n := range res.Notes {
				a.note("%s", n)
			}
			return nil
		},
	}
	f := c.Flags()
	target.register(c, "integrated loudness to reach: r128, streaming, reference, or LUFS")
	f.StringVar(&o.Video, "video", "", "the reference's video (default: looked for in the score's folder and beside it)")
	f.IntVar(&o.Bounce.Bits, "bits", 24, "16, 24 or 32 (float)")
	return c
}
