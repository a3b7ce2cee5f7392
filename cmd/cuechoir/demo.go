package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
	"cuechoir/projects-example/walk"

	"github.com/spf13/cobra"
)

func (a *app) demoCmd() *cobra.Command {
	var engine decoder.Engine
	c := &cobra.Command{
		Use:   "demo [FOLDER]",
		Short: "Do the whole job on the built-in example",
		Long: `An invented trailer is read, its cuts found, its tempo map solved, fifteen layers
are sung by a synthetic voice with planted faults, checked, mixed and bounced;
each step says what it found beside what is true. The score is left in FOLDER
(cuechoir-demo unless told), for you to look around in.`,
		Example: "  cuechoir demo\n  cuechoir demo somewhere/else --json",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			dir, err := demoFolder(given)
			if err != nil {
				return err
			}
			say := a.say
			if a.json {
				say = func(string, ...any) {}
			}
			res, err := walk.Run(c.Context(), walk.Options{Folder: dir, Engine: engine, Say: say, Progress: a.progress.show})
			if done, jerr := a.printJSON(res); jerr != nil || done && err == nil {
				return jerr
			}
			if err != nil {
				return err
			}
			a.say("\nLook around: cuechoir --score %s check, or open %s", dir, res.Files["picture"])
			return nil
		},
	}
	decoderFlag(c, &engine)
	return c
}

// demoFolder is the folder given, or the first free cuechoir-demo.
func demoFolder(given []string) (string, error) {
	if len(given) > 0 {
		return given[0], nil
	}
	for n := 1; n < 1000; n++ {
		dir := "cuechoir-demo"
		if n > 1 {
			dir = fmt.Sprintf("cuechoir-demo-%d", n)
		}
		if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
			return dir, nil
		}
	}
	return "", fault.New(fault.Conflict, "there are a thousand demos here already").Mended("name a folder: cuechoir demo FOLDER")
}
