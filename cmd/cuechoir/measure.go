package main

import (
	"cuechoir/engine/job"

	"github.com/spf13/cobra"
)

// measured is what --json prints of the mix; null is silence.
type measured struct {
	IntegratedLUFS *float64 `json:"integrated_lufs"`
	RangeLU        float64  `json:"range_lu"`
	MaxMomentary   *float64 `json:"max_momentary_lufs"`
	MaxShortTerm   *float64 `json:"max_short_term_lufs"`
	TruePeakDBTP   *float64 `json:"true_peak_dbtp"`
	Samples        int64    `json:"samples"`
}

func (a *app) measureCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "measure",
		Short:   "Measure the mix as it stands, and write nothing",
		Long:    "Mixes the layers as a bounce does, before its gain, and says how loud it is\n(ITU-R BS.1770, EBU R 128).",
		Example: "  cuechoir measure\n  cuechoir measure --json",
		Args:    args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			m, err := job.MeasureMix(c.Context(), f, a.progress.show)
			if err != nil {
				return err
			}
			l := m.Loudness
			done, err := a.printJSON(measured{orNull(l.IntegratedLUFS), l.RangeLU, orNull(l.MaxMomentaryLUFS), orNull(l.MaxShortTermLUFS),
				orNull(l.TruePeakDBTP), l.Frames})
			if done {
				return err
			}
			a.say("%.1f LUFS integrated, range %.1f LU, at most %.1f momentary and %.1f short-term; true peak %.1f dBTP", l.IntegratedLUFS,
				l.RangeLU, l.MaxMomentaryLUFS, l.MaxShortTermLUFS, l.TruePeakDBTP)
			return nil
		},
	}
}
