// Command cuechoir is the workstation of one person who sings a whole score
// to a reference trailer: cuts, tempo map, click, takes, tuning, stem.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"os"
	"os/signal"
	"syscall"

	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

func main() {
	decoder.ServeIfAsked()    // the video decoder runs in a process of its own: this same program
	log.SetOutput(io.Discard) // the FLAC reader would print on it, over the screen
	os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// run is the program as a function: arguments and streams in, exit code out.
func run(args []string, in io.Reader, out, errw io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer stop()
	go func() { // a second Ctrl-C ends the program at once
		<-ctx.Done()
		stop()
	}()
	app := &app{in: in, out: out, err: errw}
	root := app.root()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errw)
	err := root.ExecuteContext(ctx)
	app.progress.clear()
	if err == nil {
		return 0
	}
	if fault.KindOf(err) == fault.Unexpected && !app.started {
		err = fault.New(fault.Usage, "").Because(err).Mended("see: cuechoir --help")
	}
	err = settle(ctx, err)
	app.tell(err)
	return fault.ExitCode(err)
}

// settle gives an error that came of an interrupt its kind.
func settle(ctx context.Context, err error) error {
	if errors.Is(err, context.Canceled) && ctx.Err() != nil && fault.KindOf(err) != fault.Interrupted {
		return fault.New(fault.Interrupted, "stopped; what was finished is kept, nothing is half-made")
	}
	return err
}

// tell prints one error: a line, or a JSON object with --json.
func (a *app) tell(err error) {
	if a.json {
		line, merr := json.Marshal(map[string]any{"error": map[string]any{
			"kind": fault.KindOf(err).String(), "message": err.Error(), "exit_code": fault.ExitCode(err)}})
		if merr == nil {
			fmt.Fprintln(a.err, string(line))
			return
		}
	}
	fmt.Fprintln(a.err, "cuechoir:", printable(err.Error()))
}
