package main

import (
	"fmt"
	"strconv"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

const mendHelp = `Edits of what was sung, made each time the layer is heard. The takes stay as
they are, check judges them as sung, and cuechoir undo takes an edit back.

  retune  brings notes to the part's pitch, or without a part to the nearest of
          the scale. The vibrato is kept. What moves slower than --speed is
          evened out: 20 ms straightens every scoop, 400 ms leaves the phrase its
          own way.
  retime  has notes begin on the grid (the part's own places; without a part the
          nearest eighth), on the hits, or where another layer's notes begin (a
          tight double). Consonants stay as sharp as they were; vowels and rests
          give way, to half or twice their length.
  clear   leaves the layer as it was sung.

An edit of the same kind over the same bars takes the other's place; where two
meet, the later one counts. An amount of 0 leaves bars alone.`

func (a *app) mendCmd() *cobra.Command {
	var amount, speed, bars, to string
	c := &cobra.Command{
		Use:   "mend LAYER [retune|retime|clear]",
		Short: "Bring sung notes to their pitch and their time",
		Long:  mendHelp,
		Example: `  cuechoir mend bass retune --amount 80% --speed 120ms
  cuechoir mend bass retune --bars 12-13 --amount 100%
  cuechoir mend tenor retime --to bass --amount 70%
  cuechoir mend bass`,
		Args: args(cobra.RangeArgs(1, 2)),
		RunE: func(c *cobra.Command, given []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			what := ""
			if len(given) == 2 {
				what = given[1]
			}
			if (what == "" || what == "clear") && (c.Flags().Changed("amount") || c.Flags().Changed("speed") || c.Flags().Changed("bars") || c.Flags().Changed("to")) {
				return fault.New(fault.Usage, "what is to be done is not said").Mended("say retune or retime: cuechoir mend %s retune", given[0])
			}
			var rep job.MendReport
			switch what {
			case "":
				rep, err = job.Mends(c.Context(), f, given[0])
			case "clear":
				rep, err = job.ClearMends(c.Context(), f, given[0])
			case score.Retune, score.Retime:
				var m score.Mend
				if m, err = readMend(c, s, what, amount, speed, bars, to); err == nil {
					rep, err = job.AddMend(c.Context(), f, given[0], m)
				}
			default:
				err = fault.New(fault.Usage, "%q is no way to mend", what).Mended("use retune, retime or clear")
			}
			if err != nil {
				return err
			}
			return a.printMends(s, rep)
		},
	}
	c.Flags().StringVar(&amount, "amount", "100%", "how much of the way, 0% to 100%")
	c.Flags().StringVar(&speed, "speed", "120ms", "retune: what is slower than this is evened out, 0ms to 2000ms")
	c.Flags().StringVar(&bars, "bars", "", "bars A-B or one bar (default: all)")
	c.Flags().StringVar(&to, "to", score.ToGrid, "retime: grid, hits or a layer")
	return c
}

// readMend reads the flags of an edit.
func readMend(c *cobra.Command, s *score.Score, what, amount, speed, bars, to string) (m score.Mend, err error) {
	m.Do = what
	percent, err := strconv.ParseFloat(strings.TrimSuffix(amount, "%"), 64)
	if err != nil || !(percent >= 0 && percent <= 100) {
		return m, fault.New(fault.Usage, "--amount %q is not 0%% to 100%%", amount).Mended("use --amount 80%%")
	}
	m.Amount = percent / 100
	other := map[string]string{score.Retune: "to", score.Retime: "speed"}[what]
	if c.Flags().Changed(other) {
		return m, fault.New(fault.Usage, "a %s has no --%s", what, other)
	}
	if what == score.Retune {
		if m.SpeedMS, err = strconv.ParseFloat(strings.TrimSuffix(speed, "ms"), 64); err != nil || !(m.SpeedMS >= 0 && m.SpeedMS <= score.MaxMendSpeedMS) {
			return m, fault.New(fault.Usage, "--speed %q is not 0ms to %dms", speed, score.MaxMendSpeedMS).Mended("use --speed 120ms")
		}
	} else {
		m.To = to
	}
	if bars == "" {
		return m, nil
	}
	x, _, err := (&stretchFlags{bars: bars}).of(s)
	m.From, m.By = x.From, x.To
	return m, err
}

// mendRow and mendedRow are what --json prints.
type (
	mendRow struct {
		Do      string  `json:"do"`
		To      string  `json:"to,omitempty"`
		Amount  float64 `json:"amount"`
		SpeedMS float64 `json:"speed_ms"`
		From    int64   `json:"from_sample"` // both 0: all of the layer
		By      int64   `json:"to_sample"`
	}
	mendedRow struct {
		Bar          int     `json:"bar"`
		Beat         string  `json:"beat"`
		Name         string  `json:"note"`
		Sample       int64   `json:"sample"`
		Cents        float64 `json:"cents"`
		Milliseconds float64 `json:"ms"`
	}
)

func (a *app) printMends(s *score.Score, rep job.MendReport) error {
	mends, notes := []mendRow{}, []mendedRow{}
	for _, m := range rep.Mends {
		mends = append(mends, mendRow{m.Do, m.To, m.Amount, m.SpeedMS, m.From, m.By})
	}
	for _, n := range rep.Notes {
		notes = append(notes, mendedRow(n))
	}
	if done, err := a.printJSON(map[string]any{"layer": rep.Layer, "mends": mends, "notes": notes, "unsure": rep.Left, "short": rep.Short}); done {
		return err
	}
	if len(mends) == 0 {
		a.say("%s: as it was sung.", rep.Layer)
		return nil
	}
	for _, m := range mends {
		a.say("%s: %s", rep.Layer, mendWords(s, m))
	}
	if rep.Left > 0 {
		a.note("%d notes were heard too unsurely to be retuned: sing them again", rep.Left)
	}
	if rep.Short > 0 {
		a.note("%d notes could not go all the way: a vowel or rest beside them would be under half or over twice its length", rep.Short)
	}
	if len(notes) == 0 {
		a.say("No note changes.")
		return nil
	}
	t := report.Table{Head: []string{"bar.beat", "note", "up by cents", "later by ms"}, Right: []bool{false, false, true, true}}
	for _, n := range notes {
		place := "-"
		if n.Bar > 0 {
			place = fmt.Sprintf("%d.%s", n.Bar, n.Beat)
		}
		t.Rows = append(t.Rows, []string{place, n.Name, signed(n.Cents), signed(n.Milliseconds)})
	}
	return a.table(t)
}

// signed is a figure with its sign, or a dot for what rounds to nothing.
func signed(v float64) string {
	if v > -0.5 && v < 0.5 {
		return "."
	}
	return fmt.Sprintf("%+.0f", v)
}

func mendWords(s *score.Score, m mendRow) string {
	words := fmt.Sprintf("%s by %.0f %%", m.Do, 100*m.Amount)
	if m.Do == score.Retune {
		words += fmt.Sprintf(" at %.0f ms", m.SpeedMS)
	} else {
		words += " to " + m.To
	}
	if m.From == 0 && m.By == 0 {
		return words
	}
	at := func(sample int64) string {
		return s.Reference.Rate.Timecode(s.Reference.Start + s.Reference.Rate.FrameOf(sample, s.SampleRate))
	}
	return words + ", " + at(m.From) + " to " + at(m.By)
}
