package main

import (
	"cuechoir/engine/job"

	"github.com/spf13/cobra"
)

func (a *app) verifyCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "verify",
		Short:   "Look at a whole score: document, reference, every take's checksum",
		Example: "  cuechoir verify",
		Args:    args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			checked, err := job.Verify(c.Context(), f, a.progress.show)
			if checked == nil {
				return err
			}
			type row struct {
				What  string `json:"what"`
				Sound bool   `json:"sound"`
				Error string `json:"error,omitempty"`
			}
			rows := []row{}
			for _, k := range checked {
				r := row{What: k.What, Sound: k.Err == nil}
				if k.Err != nil {
					r.Error = k.Err.Error()
				}
				rows = append(rows, r)
			}
			if done, jerr := a.printJSON(rows); done {
				if jerr != nil {
					return jerr
				}
				return err
			}
			for _, r := range rows {
				if !r.Sound {
					a.say("broken  %s: %s", r.What, r.Error)
				}
			}
			if err == nil {
				a.say("All %d things are sound.", len(rows))
			}
			return err
		},
	}
}
