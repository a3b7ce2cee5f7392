package main

import (
	"cuechoir/engine/job"

	"github.com/spf13/cobra"
)

func (a *app) cutsFindCmd() *cobra.Command {
	var o job.FindCutsOptions
	c := &cobra.Command{
		Use:   "find [FILE]",
		Short: "Find the cuts again, and keep what you changed",
		Long: `Reads the reference's video, which is looked for in the score's folder and beside
it, or the video given, which must have the same frames. Cuts that you made,
moved, named or changed stay; those that you removed do not come back, nor does
one found within 3 frames of them. All others are replaced by what is found.`,
		Example: "  cuechoir cuts find\n  cuechoir cuts find ~/films/trailer.mp4",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			o.Progress = a.progress.show
			if len(given) > 0 {
				o.Video = given[0]
			}
			res, err := job.FindCuts(c.Context(), f, o)
			if err != nil {
				return err
			}
			for _, n := range res.Notes {
				a.note("%s", n)
			}
			a.note("found in %s: %d as before, %d new, %d gone; kept as you made them: %d, left out as you wished: %d",
				res.Video, res.Same, res.Added, res.Gone, res.Kept, res.LeftOut)
			return a.printCuts(res.Score)
		},
	}
	decoderFlag(c, &o.Engine)
	return c
}
