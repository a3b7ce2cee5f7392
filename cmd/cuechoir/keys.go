package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"cuechoir/engine/report"
	"cuechoir/internal/fault"
	"cuechoir/tui"

	"github.com/spf13/cobra"
)

// readKeys reads a file of keys; without a name, the one in the settings'
// folder, when it is there.
func readKeys(path string) (*tui.Keys, error) {
	given := path != ""
	if !given {
		dir, err := os.UserConfigDir()
		if err != nil {
			return tui.UsualKeys(), nil
		}
		path = filepath.Join(dir, "cuechoir", "keys.txt")
	}
	f, err := os.Open(path)
	if !given && errors.Is(err, fs.ErrNotExist) {
		return tui.UsualKeys(), nil
	}
	if err != nil {
		return nil, fault.New(fault.Missing, "the file of keys cannot be opened").In(path, "").Because(err)
	}
	defer f.Close()
	return tui.ReadKeys(f, path)
}

func (a *app) keysCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "keys [FILE]",
		Short: "Print the workstation's keys, and check a file that changes them",
		Long: `Prints each action of the workstation with its keys. A file changes them, a line
each: an action, an equals sign and its keys with spaces between. # begins a
remark, no keys leave the action without one.

	must = m f5
	play = space p

It is read from keys.txt in the settings' folder (cuechoir/ in what your system
keeps settings in), or from where open --keys says.`,
		Example: "  cuechoir keys\n  cuechoir keys mine.txt --json",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			path := ""
			if len(given) > 0 {
				path = given[0]
			}
			k, err := readKeys(path)
			if err != nil {
				return err
			}
			lines := k.Lines()
			if done, err := a.printJSON(lines); done {
				return err
			}
			t := report.Table{Head: []string{"stage", "action", "keys", "does"}}
			for _, l := range lines {
				stage := l.Stage
				if stage == "" {
					stage = "all"
				}
				t.Rows = append(t.Rows, []string{stage, l.Action, strings.Join(l.Keys, " "), l.Words})
			}
			return a.table(t)
		},
	}
}
