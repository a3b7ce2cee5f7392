package main

import (
	"bytes"
	"context"
	"os"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) pictureCmd() *cobra.Command {
	var mapOnly bool
	c := &cobra.Command{
		Use:     "picture [FILE.svg]",
		Short:   "Draw the score: cuts, bars, hits, notes against targets, findings",
		Long:    "Draws the whole score with what the check finds, or with --map the map alone:\ncuts, hits and how far each is off, bars, and the curve of the tempo.",
		Example: "  cuechoir picture\n  cuechoir picture tonight.svg\n  cuechoir picture --map map.svg",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			p, path, err := a.gatherPicture(c.Context(), f, s, mapOnly)
			if err != nil {
				return err
			}
			if len(given) > 0 {
				path = given[0]
			}
			var b bytes.Buffer
			if err := report.SVG(&b, p); err != nil {
				return err
			}
			if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
				return fault.New(fault.Missing, "the picture cannot be written").In(path, "").Because(err)
			}
			if done, err := a.printJSON(map[string]any{"path": path}); done {
				return err
			}
			a.say("%s", path)
			return nil
		},
	}
	c.Flags().BoolVar(&mapOnly, "map", false, "draw the map alone")
	return c
}

// gatherPicture is what is drawn, and where it goes when no file is named.
func (a *app) gatherPicture(ctx context.Context, f *score.Folder, s *score.Score, mapOnly bool) (report.Picture, string, error) {
	if mapOnly {
		p, err := job.MapPicture(s)
		return p, f.Path(score.BouncesDir + "/map.svg"), err
	}
	reports, err := job.Check(ctx, f, "", a.progress.show)
	if err != nil && fault.KindOf(err) != fault.Missing { // nothing sung yet is a picture too
		return report.Picture{}, "", err
	}
	p, err := job.Picture(s, reports, nil)
	return p, f.Path(score.BouncesDir + "/picture.svg"), err
}
