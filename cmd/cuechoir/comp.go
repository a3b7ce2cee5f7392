package main

import (
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

const compHelp = `A comp is the best of several takes: over the take in use lie stretches of
others. Each joint moves to the quietest moment of both takes within 120 ms and
is a crossfade of 20 ms; its place is kept. Takes are never changed, and each
step can be taken back: cuechoir undo.`

func (a *app) compCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "comp LAYER",
		Short:   "Put a layer together from the best of its takes",
		Long:    compHelp,
		Example: "  cuechoir comp bass\n  cuechoir comp set bass 12-13 003\n  cuechoir comp best bass",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			comp, err := job.ShowComp(f, given[0])
			if err != nil {
				return err
			}
			return a.printComp(s, comp)
		},
	}
	c.AddCommand(a.compSetCmd(), a.compPhraseCmd(), a.compBestCmd(), a.compClearCmd())
	return c
}

func (a *app) compSetCmd() *cobra.Command {
	var fade float64
	c := &cobra.Command{
		Use:   "set LAYER [BAR[-BAR]] TAKE",
		Short: "Have bars of a layer come from a take",
		Long: `The bars come from the take, whatever was there before. Without bars the take
sounds for all that it was sung for: a punched take for the bars punched.`,
		Example: "  cuechoir comp set bass 12-13 003\n  cuechoir comp set bass 004",
		Args:    args(cobra.RangeArgs(2, 3)),
		RunE: func(c *cobra.Command, given []string) error {
			w := job.CompWish{Layer: given[0], Take: given[len(given)-1]}
			return a.layComp(&w, fade, c.Flags().Changed("fade"), func(f *score.Folder, s *score.Score) (err error) {
				if len(given) == 2 {
					w.Where = "what it was sung for"
					w.From, w.To, err = job.TakeStretch(f, w.Layer, w.Take)
					return err
				}
				return barsWish(s, given[1], &w)
			})
		},
	}
	c.Flags().Float64Var(&fade, "fade", 20, "length of the crossfades in ms, up to 1000; takes that overlap by less fade in less")
	return c
}

func (a *app) compPhraseCmd() *cobra.Command {
	var fade float64
	c := &cobra.Command{
		Use:     "phrase LAYER [PHRASE[-PHRASE] TAKE]",
		Short:   "List the phrases of a part, or have some come from a take",
		Long:    "A phrase ends where the part rests for a quarter of a second or more. Without a\ntake the phrases are listed by number.",
		Example: "  cuechoir comp phrase bass\n  cuechoir comp phrase bass 2 003",
		Args:    args(oneOrThree),
		RunE: func(c *cobra.Command, given []string) error {
			if len(given) == 1 {
				return a.listPhrases(given[0])
			}
			w := job.CompWish{Layer: given[0], Take: given[2]}
			return a.layComp(&w, fade, c.Flags().Changed("fade"), func(_ *score.Folder, s *score.Score) error {
				from, to, err := parseBars(given[1])
				if err != nil || from == 0 {
					return fault.New(fault.Usage, "%q is no phrase", given[1]).Mended("use 2, or 2-3 for several")
				}
				w.Where = "phrase " + given[1]
				w.From, w.To, err = job.PhraseStretch(s, w.Layer, from, to)
				return err
			})
		},
	}
	c.Flags().Float64Var(&fade, "fade", 20, "length of the crossfades in ms, up to 1000; takes that overlap by less fade in less")
	return c
}

func oneOrThree(c *cobra.Command, given []string) error {
	if len(given) == 2 {
		return fmt.Errorf("a phrase needs a take")
	}
	return cobra.RangeArgs(1, 3)(c, given)
}

// barsWish reads bars into a wish.
func barsWish(s *score.Score, bars string, w *job.CompWish) error {
	from, to, err := parseBars(bars)
	if err != nil {
		return err
	}
	if from == 0 {
		return fault.New(fault.Usage, "no bars are named").Mended("use 3-6, or 3 for one bar")
	}
	w.Where = "bar " + bars
	x, _, err := job.FindStretch(s, from, to, "")
	w.From, w.To = x.From, x.To
	return err
}

// layComp opens the score, has place fill in the wish's stretch, lays it and
// prints the comp.
func (a *app) layComp(w *job.CompWish, fade float64, faded bool, place func(*score.Folder, *score.Score) error) error {
	f, s, err := a.load()
	if err != nil {
		return err
	}
	defer f.Close()
	if err := place(f, s); err != nil {
		return err
	}
	if faded {
		if !(fade >= 1 && fade <= 1000) {
			return fault.New(fault.Usage, "a crossfade of %g ms is outside 1 to 1000", fade)
		}
		w.Fade = int64(fade * float64(s.SampleRate) / 1000)
	}
	comp, err := job.SetComp(f, *w)
	if err != nil {
		return err
	}
	return a.printComp(s, comp)
}

func (a *app) compClearCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "clear LAYER [BAR[-BAR]]",
		Short:   "Leave a layer, or bars of it, to the take in use",
		Example: "  cuechoir comp clear bass\n  cuechoir comp clear bass 12",
		Args:    args(cobra.RangeArgs(1, 2)),
		RunE: func(_ *cobra.Command, given []string) error {
			if len(given) == 2 {
				w := job.CompWish{Layer: given[0]}
				return a.layComp(&w, 0, false, func(_ *score.Folder, s *score.Score) error { return barsWish(s, given[1], &w) })
			}
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			comp, err := job.ClearComp(f, given[0])
			if err != nil {
				return err
			}
			return a.printComp(s, comp)
		},
	}
}

// choiceRow is a choice as --json prints it.
type choiceRow struct {
	Name  string             `json:"name"`
	Take  string             `json:"take"` // "": none holds it
	From  int64              `json:"from_sample"`
	To    int64              `json:"to_sample"`
	Costs map[string]float64 `json:"costs"` // 0: faultless, 1: as far off as is tolerated
	Words string             `json:"words"`
}

func (a *app) compBestCmd() *cobra.Command {
	var by string
	c := &cobra.Command{
		Use:   "best LAYER",
		Short: "Put the layer together from the takes with the best figures, and say why",
		Long: `Each take is checked against the part; each phrase comes from the take that is
least out of tune and time there, with the notes it has missed and its gaps
counted. Between equals the better rated wins, and takes do not change for
nothing. It replaces the layer's comp; cuechoir undo takes it back.`,
		Example: "  cuechoir comp best bass\n  cuechoir comp best bass --by bar",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if by != "bar" && by != "phrase" {
				return fault.New(fault.Usage, "--by %s is not known", by).Mended("use bar or phrase")
			}
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			res, err := job.BestComp(c.Context(), f, given[0], by == "bar", a.progress.show)
			if err != nil {
				return err
			}
			rows := []choiceRow{}
			for _, x := range res.Choices {
				rows = append(rows, choiceRow{x.Name, x.Take, x.From, x.To, x.Costs, x.Words})
			}
			if done, err := a.printJSON(map[string]any{"choices": rows, "comp": compRowOf(s, res.Comp)}); done {
				return err
			}
			for _, r := range rows {
				a.say("%s", r.Words)
			}
			return a.printComp(s, res.Comp)
		},
	}
	c.Flags().StringVar(&by, "by", "phrase", "what comes from one take: a phrase, or a bar")
	return c
}

// spanRow and compRow are what --json prints of a comp.
type spanRow struct {
	Take     string  `json:"take"`
	From     int64   `json:"from_sample"` // as wished
	To       int64   `json:"to_sample"`
	In       int64   `json:"in_sample"` // the middles of the crossfades
	InFade   int64   `json:"in_fade_samples"`
	Out      int64   `json:"out_sample"`
	OutFade  int64   `json:"out_fade_samples"`
	Timecode string  `json:"timecode"`
	End      string  `json:"end_timecode"`
	MovedIn  float64 `json:"in_moved_ms"`
	MovedOut float64 `json:"out_moved_ms"`
}

type compRow struct {
	Layer string    `json:"layer"`
	Base  string    `json:"take"`
	Spans []spanRow `json:"comp"`
	Notes []string  `json:"remarks"`
}

func compRowOf(s *score.Score, c job.Comp) compRow {
	row := compRow{c.Layer, c.Base, []spanRow{}, append([]string{}, c.Notes...)}
	at := func(sample int64) string {
		return s.Reference.Rate.Timecode(s.Reference.Start + s.Reference.Rate.FrameOf(sample, s.SampleRate))
	}
	ms := func(samples int64) float64 { return 1000 * float64(samples) / float64(s.SampleRate) }
	for _, x := range c.Spans {
		row.Spans = append(row.Spans, spanRow{x.Take, x.From, x.To, x.In.At, x.In.Fade, x.Out.At, x.Out.Fade,
			at(x.From), at(x.To), ms(x.In.At - x.From), ms(x.Out.At - x.To)})
	}
	return row
}

func (a *app) printComp(s *score.Score, c job.Comp) error {
	row := compRowOf(s, c)
	if done, err := a.printJSON(row); done {
		return err
	}
	for _, n := range row.Notes {
		a.note("%s: %s", c.Layer, n)
	}
	if len(row.Spans) == 0 {
		a.say("%s: take %s throughout.", c.Layer, c.Base)
		return nil
	}
	a.say("%s: take %s, and over it:", c.Layer, c.Base)
	t := report.Table{Head: []string{"take", "from", "to", "joints moved by", "crossfades"}, Right: []bool{false, false, false, true, true}}
	for _, x := range row.Spans {
		t.Rows = append(t.Rows, []string{x.Take, x.Timecode, x.End, fmt.Sprintf("%+.0f and %+.0f ms", x.MovedIn, x.MovedOut),
			fmt.Sprintf("%.0f and %.0f ms", 1000*float64(x.InFade)/float64(s.SampleRate), 1000*float64(x.OutFade)/float64(s.SampleRate))})
	}
	return a.table(t)
}

// phraseRow is a phrase as --json prints it.
type phraseRow struct {
	Number   int    `json:"number"`
	FromBar  int    `json:"from_bar"`
	ToBar    int    `json:"to_bar"`
	Notes    int    `json:"notes"`
	From     int64  `json:"from_sample"`
	To       int64  `json:"to_sample"`
	Timecode string `json:"timecode"`
}

func (a *app) listPhrases(layer string) error {
	f, s, err := a.load()
	if err != nil {
		return err
	}
	defer f.Close()
	phrases, err := job.Phrases(s, layer)
	if err != nil {
		return err
	}
	rows := []phraseRow{}
	t := report.Table{Head: []string{"phrase", "bars", "notes", "from"}, Right: []bool{true, true, true}}
	for _, p := range phrases {
		r := phraseRow{p.Number, p.Bar, p.End, p.Last - p.First + 1, p.From, p.To,
			s.Reference.Rate.Timecode(s.Reference.Start + s.Reference.Rate.FrameOf(p.NotesFrom, s.SampleRate))}
		rows = append(rows, r)
		t.Rows = append(t.Rows, []string{fmt.Sprint(r.Number), fmt.Sprintf("%d to %d", r.FromBar, r.ToBar), fmt.Sprint(r.Notes), r.Timecode})
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	return a.table(t)
}
