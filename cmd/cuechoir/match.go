package main

import (
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/match"
	"cuechoir/engine/report"

	"github.com/spf13/cobra"
)

func (a *app) matchCmd() *cobra.Command {
	var picture, table string
	c := &cobra.Command{
		Use:   "match [STEM.wav]",
		Short: "Hold the stem beside the reference: too thin, too soft or loud, too early",
		Long: `Compares the stem (bounces/stem.wav) with the reference's own sound, shot by shot:
its level, its balance over four bands, and when its accents fall. One gain is
laid on the whole stem first, and the balance of the whole is told once, so of a
shot only what differs from the whole is told. Where "ms" is "?", the shot has too
few clear beginnings of sounds to say when they fall.`,
		Example: "  cuechoir match\n  cuechoir match --picture match.svg --csv match.csv\n  cuechoir match mix.wav --json",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			stem := ""
			if len(given) > 0 {
				stem = given[0]
			}
			res, err := job.Match(c.Context(), f, stem)
			if err != nil {
				return err
			}
			if picture != "" {
				if err := res.SavePicture(picture); err != nil {
					return err
				}
			}
			if table != "" {
				if err := res.SaveCSV(table); err != nil {
					return err
				}
			}
			return a.printMatch(res)
		},
	}
	c.Flags().StringVar(&picture, "picture", "", "draw both curves and accents to this SVG file")
	c.Flags().StringVar(&table, "csv", "", "write the table to this CSV file")
	return c
}

// matchRow is a shot as --json prints it; null is silence.
type matchRow struct {
	Shot        string             `json:"shot"`
	Timecode    string             `json:"timecode"`
	FromSample  int64              `json:"from_sample"`
	ToSample    int64              `json:"to_sample"`
	ReferenceDB *float64           `json:"reference_dbfs"`
	StemDB      *float64           `json:"stem_dbfs"`
	LevelOffDB  float64            `json:"level_off_db"`
	BandOffDB   map[string]float64 `json:"band_off_db"`
	Accents     int                `json:"accents"`
	Met         int                `json:"met"`
	Extra       int                `json:"extra"`
	AccentMS    *float64           `json:"accents_ms"` // null: the shot does not tell
	Agree       float64            `json:"accents_agree"`
	Told        []string           `json:"told"`
}

func (a *app) printMatch(res *job.MatchResult) error {
	var rows []matchRow
	t := report.Table{Head: []string{"shot", "time code", "level dB", "low", "middle", "high", "top", "accents", "ms", "told"}, Right: []bool{false, false, true, true, true, true, true, true, true}}
	for i, x := range res.Shots {
		r := matchRow{res.Name(i), res.Timecode(i), x.From, x.To, orNull(x.ReferenceDB), orNull(x.StemDB), x.LevelOffDB, bandsOf(x.BandOffDB), x.Accents, x.Met, x.Extra, nil, x.Agree, toldOf(x.Findings)}
		late := "?"
		if x.Placed {
			r.AccentMS, late = &x.AccentMS, fmt.Sprintf("%+.0f", x.AccentMS)
		}
		cells := []string{r.Shot, r.Timecode, fmt.Sprintf("%+.1f", x.LevelOffDB)}
		for b := range match.Bands {
			cells = append(cells, fmt.Sprintf("%+.1f", x.BandOffDB[b]))
		}
		rows = append(rows, r)
		t.Rows = append(t.Rows, append(cells, fmt.Sprintf("%d of %d", x.Met, x.Accents), late, x.Words()))
	}
	done, err := a.printJSON(map[string]any{"stem": res.File, "gain_db": res.GainDB, "band_off_db": bandsOf(res.BandOffDB), "told": toldOf(res.Findings), "window_samples": res.Window, "reference_curve_dbfs": res.Reference,
		"stem_curve_dbfs": res.Stem, "reference_accents": append([]int64{}, res.ReferenceAccent...), "stem_accents": append([]int64{}, res.StemAccent...), "shots": rows, "notes": append([]string{}, res.Notes...)})
	if done {
		return err
	}
	a.say("%s, after %+.1f dB over the whole:", res.File, res.GainDB)
	if err := a.table(t); err != nil {
		return err
	}
	if words := res.Words(); words != "" {
		a.say("Over the whole: %s.", words)
	}
	for _, n := range res.Notes {
		a.note("%s", n)
	}
	return nil
}

func bandsOf(db [len(match.Bands)]float64) map[string]float64 {
	out := map[string]float64{}
	for b, name := range match.Bands {
		out[name] = db[b]
	}
	return out
}

func toldOf(found []match.Finding) []string {
	out := []string{}
	for _, f := range found {
		out = append(out, f.Words())
	}
	return out
}
