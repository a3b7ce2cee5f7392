package main

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"cuechoir/engine/score"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
	"cuechoir/tui"
	"cuechoir/tui/desk"

	"github.com/spf13/cobra"
)

// openFlags are the wishes of the workstation.
type openFlags struct {
	deviceFlags
	plain, ascii, contrast, silent bool
	keys, stage, input, at         string
	latency                        int64
	engine                         decoder.Engine
}

const openHelp = `The workstation: six stages over one strip of film. Spot marks the frames that the
music must land on, Map lays bars on them, Sing records takes, Check says what to
sing again, Mix balances, Bounce writes the stem. Each key is shown where it
works and listed by ?; cuechoir keys prints them, and --keys FILE changes them.
The same without the word: cuechoir FOLDER. A folder without a score asks for
the reference and makes one.

--plain speaks in lines, for a screen reader: type help there. NO_COLOR,
CUECHOIR_ASCII and CUECHOIR_CONTRAST in the environment do what the flags do.

Start with the volume low. Stop when it hurts: your ears and your voice come
before the take.`

func (of *openFlags) register(c *cobra.Command) {
	of.deviceFlags.register(c)
	decoderFlag(c, &of.engine)
	f := c.Flags()
	f.BoolVar(&of.plain, "plain", false, "lines in the place of pictures")
	f.BoolVar(&of.ascii, "ascii", false, "ASCII shapes alone")
	f.BoolVar(&of.contrast, "contrast", false, "white, yellow and black alone")
	f.BoolVar(&of.silent, "silent", false, "play without a sound device, by the clock")
	f.StringVar(&of.keys, "keys", "", "a file that changes keys (default: keys.txt in the settings' folder, when it is there)")
	f.StringVar(&of.stage, "stage", "spot", "the stage to begin in: spot, map, sing, check, mix or bounce")
	f.StringVar(&of.input, "input", "", "a sound file in the place of the microphone")
	f.StringVar(&of.at, "at", "0", "the position on which that file's first sample falls")
	f.Int64Var(&of.latency, "latency", 0, "the device's round trip in samples (default: as measured by cuechoir latency)")
}

// hide keeps the flags out of the help of the bare program: open lists them.
func (of *openFlags) hide(c *cobra.Command) {
	for _, name := range []string{"device", "channel", "output", "backend", "period", "decoder", "plain", "ascii", "contrast", "silent",
		"keys", "stage", "input", "at", "latency"} {
		c.Flags().MarkHidden(name) // it fails for a name that is not there alone
	}
}

// openOrHelp is cuechoir without a command: help, or a score's folder to open.
func (a *app) openOrHelp(c *cobra.Command, given []string, of *openFlags) error {
	if len(given) == 0 {
		return c.Help()
	}
	st, err := os.Stat(given[0])
	begins := errors.Is(err, fs.ErrNotExist) && len(given) == 1 && (isPath(given[0]) || score.CheckName(given[0]) == nil && len(c.SuggestionsFor(given[0])) == 0)
	if len(given) > 1 || !begins && (err != nil || !st.IsDir()) {
		e := fault.New(fault.Usage, "%q is no command, and no folder to open", given[0]).Mended("see: cuechoir --help")
		if near := c.SuggestionsFor(given[0]); len(near) > 0 {
			e = e.Mended("did you mean %s?", strings.Join(near, " or "))
		}
		return e
	}
	a.dir = given[0]
	return a.open(c, of)
}

// isPath reports a word that can only be meant as a folder that is not there
// yet, such as ./harbour.
func isPath(word string) bool { return strings.ContainsRune(word, filepath.Separator) }

func (a *app) openCmd() *cobra.Command {
	var of openFlags
	c := &cobra.Command{
		Use:     "open [FOLDER]",
		Short:   "The workstation: spot, map, sing, check, mix and bounce on the screen",
		Long:    openHelp,
		Example: "  cuechoir open harbour\n  cuechoir harbour\n  NO_COLOR=1 cuechoir open harbour --stage sing\n  cuechoir open harbour --plain",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if len(given) > 0 {
				a.dir = given[0]
			}
			return a.open(c, &of)
		},
	}
	of.register(c)
	return c
}

// open shows the score; where there is none it makes one first.
func (a *app) open(c *cobra.Command, of *openFlags) error {
	ctx := c.Context()
	o, err := of.screen()
	if err != nil {
		return err
	}
	if a.dir != "" && !hasScore(a.dir) {
		if err := a.begin(ctx, a.dir, of.engine); err != nil {
			return err
		}
	}
	f, s, err := a.loadRecovered()
	if err != nil {
		return err
	}
	defer f.Close()
	do, err := of.desk(s)
	if err != nil {
		return err
	}
	if c.Flags().Changed("latency") {
		do.RoundTrip = &of.latency
	}
	d := desk.New(f, do)
	defer d.Close()
	return a.showDesk(ctx, d, of.plain, o)
}

func (a *app) showDesk(ctx context.Context, d *desk.Desk, plain bool, o tui.Options) error {
	if plain {
		return tui.RunPlain(ctx, a.in, a.out, d, o)
	}
	screen, err := tui.NewScreen()
	if err != nil {
		return err
	}
	return tui.RunWith(ctx, screen, d, o)
}

// hasScore reports a folder that holds a score, or one that cannot be told:
// opening it will say what is wrong.
func hasScore(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, score.FileName))
	return !errors.Is(err, fs.ErrNotExist)
}

// screen reads how the screen is to look.
func (of *openFlags) screen() (tui.Options, error) {
	o := tui.OptionsFrom(os.Getenv)
	o.ASCII, o.Contrast = o.ASCII || of.ascii, o.Contrast || of.contrast
	var err error
	if o.Stage, err = tui.ParseStage(of.stage); err != nil {
		return o, err
	}
	o.Keys, err = readKeys(of.keys)
	return o, err
}

// desk reads what the work is done with.
func (of *openFlags) desk(s *score.Score) (desk.Options, error) {
	o := desk.Options{Device: of.deviceFlags.options(s.SampleRate), Channel: of.channel - 1, Silent: of.silent, Input: of.input, Engine: of.engine}
	var err error
	if o.InputAt, err = s.Axis().Parse(of.at, ""); err != nil {
		return o, fault.New(fault.Usage, "--at").Because(err)
	}
	return o, nil
}
