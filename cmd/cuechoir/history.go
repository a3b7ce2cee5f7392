package main

import (
	"fmt"
	"strconv"
	"time"

	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) undoCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "undo [N]",
		Short: "Take back the last edit, or the last N",
		Long: `Every edit of the score can be taken back, also days later: cuts, hits, the map,
layers. Takes, bounces and other files are never touched. An edit made after an
undo drops the steps that could have been redone.`,
		Example: "  cuechoir undo\n  cuechoir undo 3",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			return a.walkHistory(given, "taken back", (*score.Folder).Undo)
		},
	}
}

func (a *app) redoCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "redo [N]",
		Short:   "Do again what was taken back last, or the last N",
		Example: "  cuechoir redo\n  cuechoir redo 2",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			return a.walkHistory(given, "done again", (*score.Folder).Redo)
		},
	}
}

func (a *app) walkHistory(given []string, done string, walk func(*score.Folder, int) (*score.Score, []score.Step, error)) error {
	n := 1
	if len(given) > 0 {
		var err error
		if n, err = strconv.Atoi(given[0]); err != nil {
			return fault.New(fault.Usage, "%q is not a number of steps", given[0]).Mended("give a number from 1")
		}
	}
	f, err := a.folder()
	if err != nil {
		return err
	}
	defer f.Close()
	_, steps, err := walk(f, n)
	if err != nil {
		return err
	}
	h, err := f.History()
	if err != nil {
		return err
	}
	if a.json {
		_, err := a.printJSON(historyRowOf(h))
		return err
	}
	for _, s := range steps {
		a.say("%s: %s", done, s.Label)
	}
	a.say("%d more to undo, %d to redo.", h.Undoes, h.Redoes)
	return nil
}

// stepRow and historyRow are what --json prints. A step has undo or redo: the
// number of steps that takes it back, or does it again.
type stepRow struct {
	Label   string `json:"label"`
	When    string `json:"when,omitempty"`
	Outside bool   `json:"outside,omitempty"`
	Undo    int    `json:"undo,omitempty"`
	Redo    int    `json:"redo,omitempty"`
}

type historyRow struct {
	Undoes int       `json:"undoes"`
	Redoes int       `json:"redoes"`
	Steps  []stepRow `json:"steps"` // in the order in which they were done
}

func historyRowOf(h score.History) historyRow {
	r := historyRow{h.Undoes, h.Redoes, []stepRow{}}
	for i, s := range h.Steps {
		row := stepRow{Label: s.Label, Outside: s.Outside}
		if !s.When.IsZero() {
			row.When = s.When.Format(time.RFC3339)
		}
		if s.Undone {
			row.Redo = i - h.Undoes + 1
		} else {
			row.Undo = h.Undoes - i
		}
		r.Steps = append(r.Steps, row)
	}
	return r
}

func (a *app) historyCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "history",
		Short: "List the edits, and what takes each back",
		Long: fmt.Sprintf(`The newest edit stands first. The history lies in the score's folder (%s/)
and is kept for %d steps or %d MiB; the oldest go first. When score.toml was
changed in an editor, that is a step too.`, score.HistoryDir, score.MaxSteps, score.MaxHistoryBytes>>20),
		Example: "  cuechoir history\n  cuechoir history --json",
		Args:    args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			h, err := f.History()
			if err != nil {
				return err
			}
			return a.printHistory(historyRowOf(h))
		},
	}
}

func (a *app) printHistory(r historyRow) error {
	if done, err := a.printJSON(r); done {
		return err
	}
	if len(r.Steps) == 0 {
		a.say("No edits yet.")
		return nil
	}
	t := report.Table{Head: []string{"when", "what was done", ""}}
	for i := len(r.Steps) - 1; i >= 0; i-- {
		s := r.Steps[i]
		when, way := "", fmt.Sprintf("undo %d", s.Undo)
		if s.Redo > 0 {
			way = fmt.Sprintf("taken back; redo %d", s.Redo)
		}
		if at, err := time.Parse(time.RFC3339, s.When); err == nil {
			when = at.Local().Format("2006-01-02 15:04:05")
		}
		t.Rows = append(t.Rows, []string{when, s.Label, way})
	}
	return a.table(t)
}
