package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"

	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) hitsCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "hits",
		Short:   "List, add, remove, import the frames that the music must land on",
		Long:    "A hit is a frame that the music lands on. A must-hit lands exactly; a want-hit\nlands within its tolerance where the map can afford it.",
		Example: "  cuechoir hits add 240 --must --name \"the door\"\n  cuechoir hits add --all-cuts --want --tolerance 2\n  cuechoir hits",
		Args:    args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			return a.printHits(s)
		},
	}
	c.AddCommand(a.hitsAddCmd(), a.hitsRemoveCmd(), a.hitsImportCmd())
	return c
}

// hitRow is a hit as --json prints it.
type hitRow struct {
	Frame     int64  `json:"frame"`
	Timecode  string `json:"timecode"`
	Weight    string `json:"weight"`
	Tolerance int64  `json:"tolerance_frames"`
	Lands     string `json:"lands"`
	Bar       int    `json:"bar,omitempty"`
	Beat      int    `json:"beat,omitempty"`
	OnCut     bool   `json:"on_cut"`
	Name      string `json:"name,omitempty"`
}

func weight(must bool) string {
	if must {
		return "must"
	}
	return "want"
}

func (a *app) printHits(s *score.Score) error {
	ref := s.Reference
	onCut := map[int64]bool{}
	for _, c := range s.Cuts {
		onCut[c.Frame], onCut[c.End] = true, true
	}
	rows := []hitRow{}
	t := report.Table{Head: []string{"frame", "time code", "weight", "tolerance", "lands on", "at", "cut", "name"}, Right: []bool{true, false, false, true}}
	for _, h := range s.Hits {
		r := hitRow{h.Frame, ref.Rate.Timecode(ref.Start + h.Frame), weight(h.Must), h.Tolerance, string(h.Lands), h.Bar, h.Beat, onCut[h.Frame], h.Name}
		rows = append(rows, r)
		at, cut := "", "-"
		if h.Bar > 0 {
			at = fmt.Sprintf("%d.%d", h.Bar, max(h.Beat, 1))
		}
		if r.OnCut {
			cut = "yes"
		}
		t.Rows = append(t.Rows, []string{fmt.Sprint(h.Frame), r.Timecode, r.Weight, fmt.Sprint(h.Tolerance), r.Lands, at, cut, h.Name})
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	if len(rows) == 0 {
		a.say("No hits yet. Mark the cuts that matter: cuechoir hits add POSITION --must")
		return nil
	}
	return a.table(t)
}

// hitFlags are the properties that hits add can set.
type hitFlags struct {
	must, want, allCuts bool
	tolerance           int64
	lands, at, name     string
}

func (a *app) hitsAddCmd() *cobra.Command {
	var hf hitFlags
	c := &cobra.Command{
		Use:   "add [POSITION...]",
		Short: "Add hits, or change those that stand there",
		Long: `A position is a frame (240), a time code (01:00:10:00) or seconds (10.5s).
On a hit that stands there already, only what you give is changed.`,
		Example: "  cuechoir hits add 240 --must --lands bar --at 5.1 --name \"the door\"\n  cuechoir hits add --all-cuts --want --tolerance 2",
		RunE: func(c *cobra.Command, given []string) error {
			if len(given) == 0 && !hf.allCuts {
				return fault.New(fault.Usage, "no position given").Mended("see: %s --help", c.CommandPath())
			}
			s, err := a.editAs(func(s *score.Score) (string, error) {
				n, err := hf.apply(c, s, given)
				return score.CountLabel(n, "hit", "added or changed"), err
			})
			if err != nil {
				return err
			}
			return a.printHits(s)
		},
	}
	f := c.Flags()
	f.BoolVar(&hf.must, "must", false, "the music lands here exactly (this is the default)")
	f.BoolVar(&hf.want, "want", false, "the music lands here if the map can afford it")
	f.Int64Var(&hf.tolerance, "tolerance", 0, "frames either way that still count (a want-hit has 1 unless told)")
	f.StringVar(&hf.lands, "lands", "bar", "what falls here: bar, beat or half")
	f.StringVar(&hf.at, "at", "", "the bar and beat that falls here, as BAR or BAR.BEAT")
	f.StringVar(&hf.name, "name", "", "a word for the hit")
	f.BoolVar(&hf.allCuts, "all-cuts", false, "all cuts that are not hits yet")
	c.MarkFlagsMutuallyExclusive("must", "want")
	return c
}

// apply adds or changes hits and reports how many.
func (hf *hitFlags) apply(c *cobra.Command, s *score.Score, given []string) (int, error) {
	var frames []int64
	for _, p := range given {
		frame, err := s.Axis().Parse(p, "")
		if err != nil {
			return 0, fault.New(fault.Usage, "").Because(err)
		}
		frames = append(frames, frame)
	}
	if hf.allCuts {
		is := map[int64]bool{}
		for _, h := range s.Hits {
			is[h.Frame] = true
		}
		for _, cut := range s.Cuts {
			if !is[cut.Frame] {
				frames = append(frames, cut.Frame)
			}
		}
	}
	for _, frame := range frames {
		h := tempo.Hit{Frame: frame, Must: true, Lands: tempo.LandsBar}
		for _, old := range s.Hits {
			if old.Frame == frame {
				h = old
			}
		}
		if err := hf.set(c, &h); err != nil {
			return 0, err
		}
		s.Hits = score.MergeHits(s.Hits, []tempo.Hit{h})
	}
	return len(frames), nil
}

func (hf *hitFlags) set(c *cobra.Command, h *tempo.Hit) error {
	changed := c.Flags().Changed
	switch {
	case hf.want && h.Must:
		h.Must, h.Tolerance = false, score.DefaultWantTolerance
	case hf.must && !h.Must:
		h.Must, h.Tolerance = true, 0
	}
	if changed("tolerance") {
		h.Tolerance = hf.tolerance
	}
	if changed("lands") {
		h.Lands = tempo.Lands(hf.lands)
	}
	if changed("name") {
		h.Name = hf.name
	}
	if !changed("at") {
		return nil
	}
	bar, beat, split := strings.Cut(hf.at, ".")
	var err error
	if h.Bar, err = strconv.Atoi(bar); err == nil && split {
		h.Beat, err = strconv.Atoi(beat)
	} else {
		h.Beat = min(h.Bar, 1)
	}
	if err != nil || h.Bar < 0 || h.Beat < 0 {
		return fault.New(fault.Usage, "--at %q is not BAR or BAR.BEAT", hf.at).Mended("write 5 or 5.3; 0 lifts the wish")
	}
	if h.Beat > 1 && h.Lands == tempo.LandsBar {
		h.Lands = tempo.LandsBeat
	}
	return nil
}

func (a *app) hitsRemoveCmd() *cobra.Command {
	var all bool
	c := &cobra.Command{
		Use:     "remove POSITION...",
		Short:   "Remove hits",
		Example: "  cuechoir hits remove 240\n  cuechoir hits remove --all",
		RunE: func(c *cobra.Command, given []string) error {
			if len(given) == 0 && !all {
				return fault.New(fault.Usage, "no position given").Mended("see: %s --help", c.CommandPath())
			}
			s, err := a.editAs(func(s *score.Score) (string, error) {
				before := len(s.Hits)
				if all {
					s.Hits = nil
				}
				err := removeHits(s, given)
				return score.CountLabel(before-len(s.Hits), "hit", "removed"), err
			})
			if err != nil {
				return err
			}
			return a.printHits(s)
		},
	}
	c.Flags().BoolVar(&all, "all", false, "remove every hit")
	return c
}

func removeHits(s *score.Score, positions []string) error {
	for _, p := range positions {
		frame, err := s.Axis().Parse(p, "")
		if err != nil {
			return fault.New(fault.Usage, "").Because(err)
		}
		kept := s.Hits[:0:0]
		for _, h := range s.Hits {
			if h.Frame != frame {
				kept = append(kept, h)
			}
		}
		if len(kept) == len(s.Hits) {
			return fault.New(fault.Missing, "there is no hit at frame %d", frame).Mended("list them: cuechoir hits")
		}
		s.Hits = kept
	}
	return nil
}

func (a *app) hitsImportCmd() *cobra.Command {
	var replace, strict bool
	c := &cobra.Command{
		Use:   "import FILE.csv",
		Short: "Read hits from a table",
		Long: `The table has the columns frame (or timecode, or seconds), weight (must or want),
tolerance, lands (bar, beat, half), name, bar, beat; a header line is optional.
A line that cannot be read is told with its number, and the others are read.`,
		Example: "  cuechoir hits import hits.csv",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			s, err := a.edit("hits imported from "+filepath.Base(given[0]), func(s *score.Score) error {
				return a.withTable(given[0], func(r io.Reader, name string) error {
					hits, problems, err := score.ReadHits(r, name, s.Axis())
					if err != nil {
						return err
					}
					if err := a.tellProblems(name, problems, strict, len(hits), "hits"); err != nil {
						return err
					}
					if replace {
						s.Hits = nil
					}
					s.Hits = score.MergeHits(s.Hits, hits)
					return nil
				})
			})
			if err != nil {
				return err
			}
			return a.printHits(s)
		},
	}
	c.Flags().BoolVar(&replace, "replace", false, "put them in the place of the hits that are there")
	c.Flags().BoolVar(&strict, "strict", false, "take nothing when a line cannot be read")
	return c
}
