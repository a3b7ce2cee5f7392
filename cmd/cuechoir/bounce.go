package main

import (
	"fmt"
	"strings"
	"time"

	"cuechoir/engine/bounce"
	"cuechoir/engine/job"

	"github.com/spf13/cobra"
)

func (a *app) bounceCmd() *cobra.Command {
	var o job.BounceOptions
	var target targetFlag
	c := &cobra.Command{
		Use:   "bounce [FILE.wav]",
		Short: "Render the stem: exactly the reference's length, as broadcast wave",
		Long: `The stem has exactly as many samples as the reference lasts, so it drops on the
timeline at its time code. Its true peak is kept at or below the ceiling: where
the sum is hotter, the whole mix is lowered, or the peaks alone (cuechoir mix
master --limit), and that is said. Layers without a take are left out and named.
Stems lie before the master and sum to the mix before it.`,
		Example: "  cuechoir bounce\n  cuechoir bounce --target r128 --stems\n  cuechoir bounce score.wav --bits 16",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			f, err := a.recovered()
			if err != nil {
				return err
			}
			defer f.Close()
			if len(given) > 0 {
				o.Path = given[0]
			}
			if o.Target, err = target.of(c); err != nil {
				return err
			}
			o.Created = time.Now()
			o.Progress = a.progress.show
			res, err := job.Bounce(c.Context(), f, o)
			if err != nil {
				return err
			}
			return a.printBounce(res)
		},
	}
	f := c.Flags()
	f.IntVar(&o.Bits, "bits", 24, "16 (dithered), 24 or 32 (float)")
	target.register(c, "integrated loudness to reach: r128 (EBU R 128: -23 LUFS), streaming (-14, common practice), reference (as loud as the reference), or LUFS")
	f.Float64Var(&o.CeilingDBTP, "ceiling", bounce.DefaultCeilingDBTP, "true peak that is never passed, in dBTP")
	f.BoolVar(&o.Stems, "stems", false, "a file for each group too, at the same gain")
	return c
}

// targetFlag is --target, a loudness.
type targetFlag string

func (t *targetFlag) register(c *cobra.Command, what string) {
	c.Flags().StringVar((*string)(t), "target", "", what)
}

// of is the target that is wished for; nil when none is.
func (t targetFlag) of(c *cobra.Command) (*job.Target, error) {
	if !c.Flags().Changed("target") {
		return nil, nil
	}
	target, err := job.ParseTarget(string(t))
	if err != nil {
		return nil, err
	}
	return &target, nil
}

// fileRow is a bounced file as --json prints it.
type fileRow struct {
	Path           string   `json:"path"`
	Group          string   `json:"group,omitempty"`
	IntegratedLUFS *float64 `json:"integrated_lufs"`
	RangeLU        *float64 `json:"range_lu"`
	TruePeakDBTP   *float64 `json:"true_peak_dbtp"`
	SamplePeakDBFS *float64 `json:"sample_peak_dbfs"`
}

func rowOf(b bounce.File) fileRow {
	l := b.Loudness
	return fileRow{b.Path, b.Group, orNull(l.IntegratedLUFS), orNull(l.RangeLU), orNull(l.TruePeakDBTP), orNull(l.SamplePeakDBFS)}
}

func (a *app) printBounce(res job.BounceResult) error {
	files := []fileRow{rowOf(res.Mix)}
	for _, s := range res.Stems {
		files = append(files, rowOf(s))
	}
	done, err := a.printJSON(map[string]any{
		"files": files, "samples": res.Samples, "sample_rate": res.SampleRate, "gain_db": res.GainDB, "trim_db": res.TrimDB,
		"limited_db": res.LimitedDB, "target_lufs": res.Target, "target_miss_lu": res.TargetMissLU, "layers": res.Layers, "unsung": append([]string{}, res.Unsung...), "muted": append([]string{}, res.Muted...),
	})
	if done {
		return err
	}
	for i, f := range files {
		a.say("%s: %d samples at %d Hz (%s), %s integrated, %s true peak", f.Path, res.Samples, res.SampleRate,
			seconds(res.Samples, res.SampleRate), level(f.IntegratedLUFS, "LUFS"), level(f.TruePeakDBTP, "dBTP"))
		if i == 0 && len(files) > 1 {
			a.say("stems of the groups, which sum to the mix before the master:")
		}
	}
	if res.TrimDB < 0 {
		a.say("The sum was hotter than the ceiling: all layers are lowered by %.1f dB.", -res.TrimDB)
	}
	if res.LimitedDB > 0 {
		a.say("The limiter took up to %.1f dB from peaks.", res.LimitedDB)
	}
	if res.TargetMissLU < -0.05 {
		a.say("The ceiling did not allow the loudness asked for: it is %.1f LU below.", -res.TargetMissLU)
	}
	a.say("%d layers: %s", len(res.Layers), strings.Join(res.Layers, ", "))
	for _, n := range res.Notes {
		a.note("%s", n)
	}
	if len(res.Unsung) > 0 {
		a.note("not sung yet, so not in the stem: %s", strings.Join(res.Unsung, ", "))
	}
	if len(res.Muted) > 0 {
		a.note("muted: %s", strings.Join(res.Muted, ", "))
	}
	return nil
}

func level(x *float64, unit string) string {
	if x == nil {
		return "silent"
	}
	return fmt.Sprintf("%.1f %s", *x, unit)
}
