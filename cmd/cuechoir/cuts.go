package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) cutsCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "cuts",
		Short:   "List, add, remove, import the reference's cuts",
		Long:    "Cuts are frames where the picture changes. They are found when the score is made;\nmend the list here. A position is a frame (240), a time code (01:00:10:00) or seconds (10.5s).",
		Example: "  cuechoir cuts\n  cuechoir cuts add 240 01:00:12:03\n  cuechoir cuts import cuts.csv",
		Args:    args(cobra.NoArgs),
		RunE:    func(*cobra.Command, []string) error { return a.listCuts() },
	}
	c.AddCommand(a.cutsAddCmd(), a.cutsRemoveCmd(), a.cutsImportCmd(), a.cutsExportCmd())
	return c
}

// cutRow is a cut as --json prints it.
type cutRow struct {
	Frame      int64   `json:"frame"`
	End        int64   `json:"end"`
	Timecode   string  `json:"timecode"`
	Sample     int64   `json:"sample"`
	Kind       string  `json:"kind"`
	Confidence float64 `json:"confidence"`
	Name       string  `json:"name,omitempty"`
}

func (a *app) listCuts() error {
	f, s, err := a.load()
	if err != nil {
		return err
	}
	defer f.Close()
	return a.printCuts(s)
}

func (a *app) printCuts(s *score.Score) error {
	ref := s.Reference
	rows := []cutRow{}
	t := report.Table{Head: []string{"frame", "time code", "kind", "until", "sure", "name"}, Right: []bool{true, false, false, true, true, false}}
	for _, c := range s.Cuts {
		rows = append(rows, cutRow{c.Frame, c.End, ref.Rate.Timecode(ref.Start + c.Frame), ref.Rate.SampleOf(c.Frame, s.SampleRate),
			string(c.Kind), c.Confidence, c.Name})
		until := ""
		if c.End != c.Frame {
			until = fmt.Sprint(c.End)
		}
		t.Rows = append(t.Rows, []string{fmt.Sprint(c.Frame), ref.Rate.Timecode(ref.Start + c.Frame), string(c.Kind), until,
			fmt.Sprintf("%.0f %%", c.Confidence*100), c.Name})
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	if len(rows) == 0 {
		a.say("No cuts yet. Add them: cuechoir cuts add POSITION, or cuechoir cuts import FILE.csv")
		return nil
	}
	return a.table(t)
}

func (a *app) cutsAddCmd() *cobra.Command {
	var kind, end, name string
	c := &cobra.Command{
		Use:     "add POSITION...",
		Short:   "Add cuts, or change those that stand there",
		Example: "  cuechoir cuts add 240\n  cuechoir cuts add 01:00:20:00 --kind dissolve --end 01:00:21:00",
		Args:    args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			s, err := a.edit(score.CountLabel(len(given), "cut", "added or changed"), func(s *score.Score) error {
				for _, p := range given {
					cut, err := cutAt(s, p, kind, end, name)
					if err != nil {
						return err
					}
					s.Cuts = cutlist.Merge(s.Cuts, []cutlist.Cut{cut})
				}
				return nil
			})
			if err != nil {
				return err
			}
			return a.printCuts(s)
		},
	}
	c.Flags().StringVar(&kind, "kind", "cut", "cut, dissolve, fade-out or fade-in")
	c.Flags().StringVar(&end, "end", "", "the first frame that is whole again (for a dissolve or fade)")
	c.Flags().StringVar(&name, "name", "", "a word for the cut")
	return c
}

func cutAt(s *score.Score, position, kind, end, name string) (cutlist.Cut, error) {
	axis := s.Axis()
	frame, err := axis.Parse(position, "")
	if err != nil {
		return cutlist.Cut{}, fault.New(fault.Usage, "").Because(err)
	}
	cut := cutlist.Cut{Frame: frame, End: frame, Kind: cutlist.Kind(kind), Confidence: 1, Name: name}
	if end != "" {
		axis.Frames++ // an end is exclusive
		if cut.End, err = axis.Parse(end, ""); err != nil {
			return cut, fault.New(fault.Usage, "--end").Because(err)
		}
	}
	if err := cut.Validate(s.Reference.Frames); err != nil {
		return cut, fault.New(fault.Usage, "").Because(err)
	}
	return cut, nil
}

func (a *app) cutsRemoveCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "remove POSITION...",
		Short:   "Remove cuts; the hits on them stay",
		Example: "  cuechoir cuts remove 240",
		Args:    args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			s, err := a.edit(score.CountLabel(len(given), "cut", "removed"), func(s *score.Score) error {
				for _, p := range given {
					frame, err := s.Axis().Parse(p, "")
					if err != nil {
						return fault.New(fault.Usage, "").Because(err)
					}
					kept := s.Cuts[:0:0]
					for _, c := range s.Cuts {
						if c.Frame != frame {
							kept = append(kept, c)
						}
					}
					if len(kept) == len(s.Cuts) {
						return fault.New(fault.Missing, "there is no cut at frame %d", frame).Mended("list them: cuechoir cuts")
					}
					s.Cuts = kept
				}
				return nil
			})
			if err != nil {
				return err
			}
			return a.printCuts(s)
		},
	}
}

func (a *app) cutsImportCmd() *cobra.Command {
	var replace, strict bool
	c := &cobra.Command{
		Use:   "import FILE.csv",
		Short: "Read cuts from a table",
		Long: `The table has the columns frame (or timecode, or seconds), kind, end, name;
a header line is optional. Time codes are on the reference's own clock. A line
that cannot be read is told with its number, and the others are read.`,
		Example: "  cuechoir cuts import cuts.csv\n  cuechoir cuts import - --replace < cuts.csv",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			s, err := a.edit("cuts imported from "+given[0], func(s *score.Score) error {
				return a.withTable(given[0], func(r io.Reader, name string) error {
					cuts, problems, err := cutlist.ReadCSV(r, name, s.Axis())
					if err != nil {
						return err
					}
					if err := a.tellProblems(name, problems, strict, len(cuts), "cuts"); err != nil {
						return err
					}
					if replace {
						s.Cuts = nil
					}
					s.Cuts = cutlist.Merge(s.Cuts, cuts)
					return nil
				})
			})
			if err != nil {
				return err
			}
			return a.printCuts(s)
		},
	}
	c.Flags().BoolVar(&replace, "replace", false, "put them in the place of the cuts that are there")
	c.Flags().BoolVar(&strict, "strict", false, "take nothing when a line cannot be read")
	return c
}

// withTable opens a file, or the standard input for "-".
func (a *app) withTable(path string, read func(r io.Reader, name string) error) error {
	if path == "-" {
		return read(a.in, "standard input")
	}
	f, err := os.Open(path)
	if err != nil {
		return fault.New(fault.Missing, "the file cannot be opened").In(path, "").Because(err)
	}
	defer f.Close()
	return read(f, path)
}

// tellProblems prints each line that could not be read. It fails when none
// could, or with strict when any could not.
func (a *app) tellProblems(name string, problems []cutlist.Problem, strict bool, read int, what string) error {
	const most = 20
	for i, p := range problems {
		if i == most {
			a.note("%s: and %d more lines", name, len(problems)-most)
			break
		}
		a.note("%s, line %d passed over: %s", name, p.Line, p.What)
	}
	switch {
	case read == 0 && len(problems) == 0:
		return fault.New(fault.Malformed, "the table holds no %s", what).In(name, "").Mended("see the columns with --help")
	case read == 0, strict && len(problems) > 0:
		return fault.New(fault.Malformed, "%s", problems[0].What).In(name, fmt.Sprintf("line %d", problems[0].Line)).
			Mended("mend the table; nothing was taken from it")
	}
	return nil
}

func (a *app) cutsExportCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "export [FILE.csv]",
		Short:   "Write the cuts as a table",
		Example: "  cuechoir cuts export > cuts.csv",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			var b strings.Builder
			if err := cutlist.WriteCSV(&b, s.Cuts, s.Axis()); err != nil {
				return err
			}
			if len(given) == 0 {
				_, err = io.WriteString(a.out, b.String())
				return err
			}
			return writeNew(given[0], b.String())
		},
	}
}

// writeNew writes a file that must not exist yet.
func writeNew(path, text string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return fault.New(fault.Conflict, "the file was not written").In(path, "").Because(err).Mended("choose a name that is free")
	}
	if _, err := io.WriteString(f, text); err != nil {
		f.Close()
		return fault.New(fault.DiskFull, "the file was not written whole").In(path, "").Because(err)
	}
	return f.Close()
}
