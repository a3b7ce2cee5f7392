package main

import (
	"bytes"
	"os"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) pictureCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "picture [FILE.svg]",
		Short:   "Draw the score: cuts, bars, hits, notes against targets, findings",
		Example: "  cuechoir picture\n  cuechoir picture tonight.svg",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			reports, err := job.Check(c.Context(), f, "", a.progress.show)
			if err != nil && fault.KindOf(err) != fault.Missing { // nothing sung yet is a picture too
				return err
			}
			p, err := job.Picture(s, reports, nil)
			if err != nil {
				return err
			}
			path := f.Path(score.BouncesDir + "/picture.svg")
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
}
