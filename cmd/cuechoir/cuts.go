package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) cutsCmd() *cobra.Command {
	var csvTo, from string
	c := &cobra.Command{
		Use:   "cuts [FOLDER]",
		Short: "List the reference's cuts and shots; correct, find, import, export them",
		Long: `Cuts are frames where the picture changes. They are found when the score is made;
correct them here. A position is a frame (240), a time code (01:00:10:00) or
seconds (10.5s); a shot is s3. What you changed stays when the cuts are found
again, and every change can be taken back: cuechoir undo.

--csv writes the short table kind,first,last in frames: of a hard cut both are
the first frame of the new shot, else the first and the last mixed frame.`,
		Example: "  cuechoir cuts\n  cuechoir cuts move 240 242\n  cuechoir cuts split 01:00:12:03\n  cuechoir cuts harbour --csv -\n  cuechoir cuts harbour --import cuts.csv",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if err := a.takeFolder(c, given); err != nil {
				return err
			}
			changed := c.Flags().Changed
			switch {
			case changed("csv") && changed("import"):
				return fault.New(fault.Usage, "--csv and --import do not go together").Mended("give one of them")
			case changed("csv"):
				return a.exportCuts("shots", csvTo)
			case changed("import"):
				return a.importCuts(from, job.ImportCutsOptions{})
			}
			return a.listCuts()
		},
	}
	c.Flags().StringVar(&csvTo, "csv", "", "write kind,first,last to this file, or - for standard output")
	c.Flags().StringVar(&from, "import", "", "read cuts from this file, or - for standard input")
	c.AddCommand(a.cutsAddCmd(), a.cutsMoveCmd(), a.cutsSplitCmd(), a.cutsJoinCmd(), a.cutsRemoveCmd(), a.cutsNameCmd(),
		a.cutsKindCmd(), a.cutsEndCmd(), a.cutsFindCmd(), a.cutsImportCmd(), a.cutsExportCmd())
	return c
}

// takeFolder lets a command name the score's folder as its argument.
func (a *app) takeFolder(c *cobra.Command, given []string) error {
	if len(given) == 0 {
		return nil
	}
	if c.Flags().Changed("score") {
		return fault.New(fault.Usage, "the folder is given twice").Mended("give it once: %s %s", c.CommandPath(), given[0])
	}
	if _, err := os.Stat(given[0]); errors.Is(err, fs.ErrNotExist) {
		return fault.New(fault.Missing, "there is no folder %q, and no command %s %s", given[0], c.CommandPath(), given[0]).
			Mended("see: %s --help", c.CommandPath())
	}
	a.dir = given[0]
	return nil
}

// cutRow, shotRow and withdrawnRow are what --json prints.
type cutRow struct {
	Frame      int64   `json:"frame"`
	End        int64   `json:"end"`
	Timecode   string  `json:"timecode"`
	Sample     int64   `json:"sample"`
	Kind       string  `json:"kind"`
	Confidence float64 `json:"confidence"`
	Hand       bool    `json:"hand"`
	FoundAt    *int64  `json:"found_at,omitempty"` // where a moved cut was found
	Name       string  `json:"name,omitempty"`
}

// shotRow with the number 0 is a dark stretch between two shots.
type shotRow struct {
	Shot     int    `json:"shot"`
	First    int64  `json:"first"`
	Last     int64  `json:"last"`
	Frames   int64  `json:"frames"`
	Timecode string `json:"timecode"`
	Begins   string `json:"begins,omitempty"`
	Name     string `json:"name,omitempty"`
}

type cutsRow struct {
	Cuts    []cutRow  `json:"cuts"`
	Shots   []shotRow `json:"shots"`
	Removed []int64   `json:"removed"` // found cuts that a person took away
}

func cutsRowOf(s *score.Score) cutsRow {
	ref := s.Reference
	timecode := func(frame int64) string { return ref.Rate.Timecode(ref.Start + frame) }
	r := cutsRow{Cuts: []cutRow{}, Shots: []shotRow{}, Removed: []int64{}}
	found := map[int64]*int64{}
	for i, w := range s.Withdrawn {
		if w.Moved {
			found[w.To] = &s.Withdrawn[i].Frame
		} else {
			r.Removed = append(r.Removed, w.Frame)
		}
	}
	for _, c := range s.Cuts {
		r.Cuts = append(r.Cuts, cutRow{c.Frame, c.End, timecode(c.Frame), ref.Rate.SampleOf(c.Frame, s.SampleRate),
			string(c.Kind), c.Confidence, c.Hand, found[c.Frame], c.Name})
	}
	for _, x := range s.Shots() {
		r.Shots = append(r.Shots, shotRow{x.Number, x.First, x.Last, x.Last - x.First + 1, timecode(x.First), string(x.Begins), x.Name})
	}
	return r
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
	r := cutsRowOf(s)
	if done, err := a.printJSON(r); done {
		return err
	}
	if len(r.Cuts) == 0 {
		a.say("No cuts yet. Add them: cuechoir cuts add POSITION, or cuechoir cuts import FILE")
		return nil
	}
	if err := a.table(cutTable(r)); err != nil {
		return err
	}
	a.say("")
	return a.table(shotTable(r))
}

func cutTable(r cutsRow) report.Table {
	t := report.Table{Head: []string{"cut at", "time code", "kind", "until", "sure", "made by", "name"}, Right: []bool{true, false, false, true, true}}
	for _, c := range r.Cuts {
		until, by := "", "found"
		if c.End != c.Frame {
			until = fmt.Sprint(c.End)
		}
		if c.Hand {
			by = "hand"
		}
		if c.FoundAt != nil {
			by = fmt.Sprintf("hand, found at %d", *c.FoundAt)
		}
		t.Rows = append(t.Rows, []string{fmt.Sprint(c.Frame), c.Timecode, c.Kind, until, fmt.Sprintf("%.0f %%", c.Confidence*100), by, c.Name})
	}
	return t
}

func shotTable(r cutsRow) report.Table {
	t := report.Table{Head: []string{"shot", "first", "last", "frames", "time code", "begins with", "name"}, Right: []bool{true, true, true, true}}
	for _, x := range r.Shots {
		word, begins := fmt.Sprintf("s%d", x.Shot), x.Begins
		if x.Shot == 0 {
			word, begins = "dark", ""
		}
		t.Rows = append(t.Rows, []string{word, fmt.Sprint(x.First), fmt.Sprint(x.Last), fmt.Sprint(x.Frames), x.Timecode, begins, x.Name})
	}
	return t
}

// frameOf reads a position on the command line.
func frameOf(s *score.Score, position string) (int64, error) {
	frame, err := s.Axis().Parse(position, "")
	if err != nil {
		return 0, fault.New(fault.Usage, "").Because(err)
	}
	return frame, nil
}

// endOf reads the exclusive end of a transition, which may be the length.
func endOf(axis cutlist.Axis, position string) (int64, error) {
	axis.Frames++
	end, err := axis.Parse(position, "")
	if err != nil {
		return 0, fault.New(fault.Usage, "the end").Because(err)
	}
	return end, nil
}
