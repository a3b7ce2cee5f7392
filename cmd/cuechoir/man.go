package main

import (
	"os"

	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

func (a *app) manCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "man FOLDER",
		Short:   "Write manual pages, one a command",
		Example: "  cuechoir man ./man1",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if err := os.MkdirAll(given[0], 0o777); err != nil {
				return fault.New(fault.Missing, "the folder cannot be made").In(given[0], "").Because(err)
			}
			root := c.Root()
			root.DisableAutoGenTag = true // the same pages on every day
			if err := doc.GenManTree(root, &doc.GenManHeader{Title: "CUECHOIR", Section: "1"}, given[0]); err != nil {
				return fault.New(fault.Unexpected, "writing the manual").In(given[0], "").Because(err)
			}
			a.say("manual pages are in %s; read one with: man %s/cuechoir.1", given[0], given[0])
			return nil
		},
	}
}
