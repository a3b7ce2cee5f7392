package main

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

// begin is the guided start: it asks for the reference until a score is made of
// it, or the person gives up with an empty line.
func (a *app) begin(ctx context.Context, dir string, engine decoder.Engine) error {
	a.say("There is no score in %s yet. Its reference is the film, or the sound, that the", dir)
	a.say("music must fit: its length, rate, sound and cuts are read from it.")
	in := bufio.NewReader(a.in)
	a.in = in // what it has read ahead is read on
	for {
		fmt.Fprint(a.out, "Reference file (empty to leave): ")
		text, err := in.ReadString('\n')
		path := strings.Trim(strings.TrimSpace(text), `"'`)
		if path == "" {
			if err != nil {
				a.say("")
			}
			return fault.New(fault.Missing, "there is no score in %s, and no reference to make one of", dir).
				Mended("make one: cuechoir new %s --reference FILE", dir)
		}
		res, err := job.New(ctx, dir, job.NewOptions{Reference: unhomed(path), Engine: engine, Progress: a.progress.show})
		a.progress.clear()
		if err == nil {
			return a.printNew(dir, res)
		}
		if ctx.Err() != nil || fault.KindOf(err) == fault.Conflict {
			return err
		}
		a.say("That did not do: %v", err)
	}
}

// unhomed puts the home folder in the place of a leading ~, as a shell does
// where the path is typed there.
func unhomed(path string) string {
	home, err := os.UserHomeDir()
	if rest, ok := strings.CutPrefix(path, "~/"); ok && err == nil {
		return filepath.Join(home, rest)
	}
	return path
}
