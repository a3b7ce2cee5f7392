package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"unicode"

	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// app is what all commands share: the streams and the global options.
type app struct {
	in       io.Reader
	out, err io.Writer

	json     bool
	dir      string // --score
	quiet    bool
	progress progressLine
	started  bool // the command line was understood and its command runs
}

const longHelp = `cuechoir makes the score of a re-shot trailer from one voice.

It finds the cuts of the reference, solves a tempo map whose beats land on the
cuts that matter, plays a click, records layers of voice over it, says which
notes drift out of tune or time, mixes, and bounces a stem that lasts exactly
as long as the reference.

A score is a folder. Commands work on the one you are in, or on --score.`

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		SuggestionsMinimumDistance: 2, // letters that a word may be off by
		Use:                        "cuechoir",
		Short:                      "One voice, a whole score, on the frame",
		Long:                       longHelp,
		Example:                    "  cuechoir demo\n  cuechoir new harbour --reference trailer.mp4\n  cuechoir --score harbour check",
		SilenceUsage:               true,
		SilenceErrors:              true,
		Args:                       cobra.ArbitraryArgs,
	}
	var of openFlags
	of.register(root)
	of.hide(root)
	root.RunE = func(c *cobra.Command, given []string) error { return a.openOrHelp(c, given, &of) }
	pf := root.PersistentFlags()
	pf.BoolVar(&a.json, "json", false, "print data as JSON")
	pf.BoolVar(&a.quiet, "quiet", false, "no progress on the way")
	pf.StringVarP(&a.dir, "score", "s", os.Getenv("CUECHOIR_SCORE"), "the score's folder (default: this folder or the nearest above)")
	root.PersistentPreRun = func(*cobra.Command, []string) {
		a.progress = progressLine{w: a.err, off: a.quiet || a.json, live: isTerminal(a.err)}
	}
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return fault.New(fault.Usage, "").Because(err).Mended("see: %s --help", c.CommandPath())
	})
	for _, make := range []func() *cobra.Command{
		a.newCmd, a.cutsCmd, a.hitsCmd, a.beatsCmd, a.tapsCmd, a.mapCmd, a.clickCmd, a.rehearseCmd, a.layerCmd, a.sketchCmd, a.rangeCmd, a.singCmd, a.playCmd, a.packCmd, a.takesCmd, a.compCmd, a.mendCmd, a.colourCmd, a.auditionCmd, a.doubleCmd,
		a.checkCmd, a.mixCmd, a.measureCmd, a.bounceCmd, a.matchCmd, a.readyCmd, a.deliverCmd, a.pictureCmd, a.stillCmd, a.devicesCmd, a.latencyCmd, a.verifyCmd, a.openCmd, a.keysCmd, a.demoCmd, a.manCmd,
		a.undoCmd, a.redoCmd, a.historyCmd,
	} {
		root.AddCommand(make())
	}
	a.markStart(root)
	return root
}

// markStart has every command say that it began: an error before that is one
// of the command line.
func (a *app) markStart(c *cobra.Command) {
	if work := c.RunE; work != nil {
		c.RunE = func(c *cobra.Command, given []string) error {
			a.started = true
			return work(c, given)
		}
	}
	for _, sub := range c.Commands() {
		a.markStart(sub)
	}
}

// args wraps cobra's argument checks so that their errors are of kind Usage.
func args(check cobra.PositionalArgs) cobra.PositionalArgs {
	return func(c *cobra.Command, given []string) error {
		if err := check(c, given); err != nil {
			return fault.New(fault.Usage, "").Because(err).Mended("see: %s --help", c.CommandPath())
		}
		return nil
	}
}

// folder opens the score that the command is about.
func (a *app) folder() (*score.Folder, error) {
	if a.dir != "" {
		return score.Open(a.dir)
	}
	dir, err := os.Getwd()
	if err != nil {
		return nil, fault.New(fault.Missing, "this folder cannot be read").Because(err)
	}
	for d := dir; ; d = filepath.Dir(d) {
		if _, err := os.Stat(filepath.Join(d, score.FileName)); err == nil {
			return score.Open(d)
		} else if !errors.Is(err, fs.ErrNotExist) || d == filepath.Dir(d) {
			break
		}
	}
	return nil, fault.New(fault.Missing, "there is no score in this folder or above it").
		Mended("go into a score's folder, name one with --score FOLDER, or make one: cuechoir new FOLDER --reference FILE")
}

// load opens the folder and reads the score.
func (a *app) load() (*score.Folder, *score.Score, error) {
	f, err := a.folder()
	if err != nil {
		return nil, nil, err
	}
	s, err := f.Load()
	if err != nil {
		f.Close()
		return nil, nil, err
	}
	return f, s, nil
}

// edit opens the folder and changes the score; label is the step's name in
// the history.
func (a *app) edit(label string, change func(*score.Score) error) (*score.Score, error) {
	return a.editAs(func(s *score.Score) (string, error) { return label, change(s) })
}

// editAs is edit with a label that is known only when the change is made.
func (a *app) editAs(change func(*score.Score) (string, error)) (*score.Score, error) {
	f, err := a.folder()
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return f.EditAs(change)
}

// printJSON prints v, indented, when --json is on, and says whether it did.
func (a *app) printJSON(v any) (bool, error) {
	if !a.json {
		return false, nil
	}
	enc := json.NewEncoder(a.out)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return true, enc.Encode(v)
}

func (a *app) say(format string, args ...any) {
	a.progress.clear()
	fmt.Fprintln(a.out, printable(fmt.Sprintf(format, args...)))
}

// note prints an aside on the error stream, so that data stays clean.
func (a *app) note(format string, args ...any) {
	a.progress.clear()
	fmt.Fprintln(a.err, printable("note: "+fmt.Sprintf(format, args...)))
}

func (a *app) table(t report.Table) error {
	a.progress.clear()
	return t.Write(a.out)
}

// printable keeps what a file's name or text may hold from steering the
// terminal: control characters become "?", but for line ends.
func printable(s string) string {
	return strings.Map(func(c rune) rune {
		if c == '\n' || c == '\t' {
			return c
		}
		if unicode.IsControl(c) || unicode.Is(unicode.Bidi_Control, c) {
			return '?'
		}
		return c
	}, s)
}
