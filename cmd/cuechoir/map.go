package main

import (
	"fmt"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) mapCmd() *cobra.Command {
	var o job.MapOptions
	var style, within string
	var metres []string
	c := &cobra.Command{
		Use:   "map",
		Short: "Solve the tempo map whose beats land on the hits, and store it",
		Long: `Must-hits land exactly, want-hits within their tolerance where the map can
afford it. Several maps are found and ranked; the best is stored, or the one
you choose. The error of a hit is how late its beat comes, in frames.

Two styles look at no hits: follow lays the map on the reference's own beat (see
cuechoir beats), tapped on the beat you tapped (see cuechoir taps): the fewest
tempos that stay within a frame of every beat.`,
		Example: "  cuechoir map\n  cuechoir map --style steady\n  cuechoir map --tempo 96 --metres 4/4,3/4 --choose 2\n  cuechoir map --style follow --within 2\n  cuechoir map show",
		Args:    args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			o.Tempo.Style = tempo.Style(style)
			for _, m := range metres {
				metre, err := tempo.ParseMetre(m)
				if err != nil {
					return err
				}
				o.Tempo.Metres = append(o.Tempo.Metres, metre)
			}
			if s := o.Tempo.Style; s == tempo.Follow || s == tempo.Tapped {
				return a.followMap(c, o.Tempo, within)
			}
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			res, err := job.SolveMap(c.Context(), f, o)
			if len(res.Answers) == 0 {
				return err
			}
			s, lerr := f.Load()
			if lerr != nil {
				return lerr
			}
			if perr := a.printAnswers(s, res); perr != nil {
				return perr
			}
			if err != nil && res.Stored < 0 && fault.KindOf(err) == fault.NotMet && !a.json {
				a.say("Nothing was stored. To take the nearest map all the same: cuechoir map --nearest")
			}
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&style, "style", "stepped", "stepped (tempo changes on hits), steady (one tempo), gliding, follow or tapped")
	f.StringVar(&within, "within", "1", "frames that a map that follows a beat may lie off it")
	f.Float64Var(&o.Tempo.MinBPM, "min", 60, "slowest tempo in beats a minute")
	f.Float64Var(&o.Tempo.MaxBPM, "max", 168, "fastest tempo in beats a minute")
	f.Float64Var(&o.Tempo.TempoBPM, "tempo", 0, "the tempo wished for (default: a comfortable one)")
	f.Float64Var(&o.Tempo.MaxStep, "step", 0.12, "largest change of tempo between neighbours, 0.12 is 12 %")
	f.StringSliceVar(&metres, "metres", nil, "the metre, then those allowed as odd bars (default 4/4,3/4,2/4)")
	f.IntVar(&o.Tempo.Answers, "answers", 3, "how many maps to find")
	f.IntVar(&o.Choose, "choose", 1, "which of them to store")
	f.BoolVar(&o.Nearest, "nearest", false, "store the nearest map when not all must-hits can be met")
	c.AddCommand(&cobra.Command{
		Use: "show", Short: "Print the stored map", Example: "  cuechoir map show --json", Args: args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error { return a.showMap() },
	})
	return c
}

// landingRow, sectionRow and mapRow are what --json prints.
type landingRow struct {
	Frame       int64          `json:"frame"`
	Name        string         `json:"name,omitempty"`
	Weight      string         `json:"weight"`
	Place       string         `json:"place"`
	ErrorFrames timecode.Ratio `json:"error_frames"` // exact; above 0: the beat comes late
	Caught      bool           `json:"caught"`
	WouldCost   string         `json:"would_cost,omitempty"`
}

type sectionRow struct {
	Bars             int            `json:"bars"`
	Metre            string         `json:"metre"`
	FramesPerQuarter timecode.Ratio `json:"frames_per_quarter"`
	BPM              float64        `json:"bpm"`
}

type mapRow struct {
	Style    string         `json:"style"`
	Start    timecode.Ratio `json:"start_frame"`
	Stored   bool           `json:"stored"`
	Words    string         `json:"words,omitempty"`
	Sections []sectionRow   `json:"sections"`
	Bars     []barRow       `json:"bars"`
	Hits     []landingRow   `json:"hits"`
}

// barRow is a bar line: where it lies on the picture and in samples from
// frame 0.
type barRow struct {
	Number  int            `json:"number"`
	Frame   timecode.Ratio `json:"frame"` // exact
	Sample  int64          `json:"sample"`
	Quarter timecode.Ratio `json:"quarter"` // from bar 1 beat 1
	Metre   string         `json:"metre"`
	BPM     float64        `json:"bpm"`
}

func mapRowOf(s *score.Score, m tempo.Map, landings []tempo.Landing) (mapRow, error) {
	r := mapRow{Style: string(m.Style), Start: m.Start, Sections: []sectionRow{}, Bars: []barRow{}, Hits: []landingRow{}}
	grid, err := tempo.NewGrid(m, s.Reference.Rate, s.Reference.Frames)
	if err != nil {
		return r, err
	}
	for _, b := range grid.Bars(s.SampleRate) {
		r.Bars = append(r.Bars, barRow{b.Number, b.Frame, b.Sample, b.Quarter, b.Metre.String(), b.BPM})
	}
	for _, x := range m.Sections {
		r.Sections = append(r.Sections, sectionRow{x.Bars, x.Metre.String(), x.FramesPerQuarter, x.BPM(s.Reference.Rate)})
	}
	for _, l := range landings {
		h := s.Hits[l.Hit]
		r.Hits = append(r.Hits, landingRow{h.Frame, h.Name, weight(h.Must), l.Place.String(), l.ErrorFrames, l.Caught, l.WouldCost})
	}
	return r, nil
}

func (a *app) printAnswers(s *score.Score, res job.MapResult) error {
	rows := []mapRow{}
	for i, x := range res.Answers {
		r, err := mapRowOf(s, x.Map, x.Landings)
		if err != nil {
			return err
		}
		r.Words, r.Stored = x.Words, i == res.Stored
		rows = append(rows, r)
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	for i, r := range rows {
		mark := " "
		if r.Stored {
			mark = "*"
		}
		a.say("%s %d. %s", mark, i+1, r.Words)
	}
	show := max(res.Stored, 0)
	if res.Stored >= 0 {
		a.say("\nStored is number %d (another: --choose N).", res.Stored+1)
	}
	return a.mapTables(rows[show])
}

func (a *app) showMap() error {
	f, s, err := a.load()
	if err != nil {
		return err
	}
	defer f.Close()
	landings, err := job.Landings(s)
	if err != nil {
		return err
	}
	r, err := mapRowOf(s, *s.Map, landings)
	if err != nil {
		return err
	}
	r.Stored = true
	if done, err := a.printJSON(r); done {
		return err
	}
	return a.mapTables(r)
}

func (a *app) mapTables(r mapRow) error {
	t := report.Table{Head: []string{"bar", "bars", "metre", "BPM", "frames a quarter"}, Right: []bool{true, true, false, true, true}}
	bar := 1
	for _, x := range r.Sections {
		t.Rows = append(t.Rows, []string{fmt.Sprint(bar), fmt.Sprint(x.Bars), x.Metre, fmt.Sprintf("%.2f", x.BPM), x.FramesPerQuarter.String()})
		bar += x.Bars
	}
	a.say("\nBar 1 begins at frame %s.", frameWords(r.Start))
	if err := a.table(t); err != nil {
		return err
	}
	if len(r.Hits) == 0 {
		return nil
	}
	a.say("")
	h := report.Table{Head: []string{"hit", "frame", "weight", "bar.beat", "error in frames", "", "if missed, catching it takes"}, Right: []bool{false, true, false, true, true}}
	for _, l := range r.Hits {
		caught := "caught"
		if !l.Caught {
			caught = "missed"
		}
		h.Rows = append(h.Rows, []string{l.Name, fmt.Sprint(l.Frame), l.Weight, l.Place, errorWords(l.ErrorFrames), caught, l.WouldCost})
	}
	return a.table(h)
}

// frameWords is a rational frame, short.
func frameWords(r timecode.Ratio) string {
	if r.Den <= 1 {
		return r.String()
	}
	return strings.TrimRight(fmt.Sprintf("%.3f", r.Float()), "0")
}

func errorWords(r timecode.Ratio) string {
	if r.Sign() == 0 {
		return "0"
	}
	return fmt.Sprintf("%+.2f", r.Float())
}
