package decoder

import (
	"bufio"
	"context"
	"encoding/binary"
	"encoding/gob"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"

	"cuechoir/internal/fault"
)

// embedded is the parent's end of a decoder child.
type embedded struct {
	cmd    *exec.Cmd
	in     io.WriteCloser
	enc    *gob.Encoder
	pipe   *os.File
	out    *bufio.Reader
	rest   *tail
	opts   Options
	kill   context.CancelFunc
	buf    []byte
	ended  <-chan struct{}
	closed bool
}

func openEmbedded(ctx context.Context, abs string, o Options) (runner, error) {
	if isChild() || os.Getenv(childEnv) != "" {
		return nil, fault.New(fault.Unexpected, "the video decoder was started inside itself").
			Mended("the program must call decoder.ServeIfAsked first thing")
	}
	prog, err := os.Executable()
	if err != nil {
		return nil, fault.New(fault.Unexpected, "this program's own file cannot be found, so the embedded decoder cannot start").Because(err)
	}
	if _, err := os.Stat(prog); err != nil && runtime.GOOS == "linux" {
		prog = "/proc/self/exe" // the file was replaced while the program runs
	}
	dir, note := cacheDir()
	if note != "" {
		o.Note(note)
	}
	// The child lives as long as the session, not as long as ctx.
	life, kill := context.WithCancel(context.WithoutCancel(ctx))
	e := &embedded{opts: o, rest: &tail{}, kill: kill, cmd: exec.CommandContext(life, prog, childArg)}
	e.cmd.Env = append(os.Environ(), childEnv+"=1")
	e.cmd.Stderr = e.rest
	e.cmd.WaitDelay = 5 * time.Second
	in, err := e.cmd.StdinPipe()
	if err != nil {
		kill()
		return nil, err
	}
	// A pipe of our own: cmd's would be closed by Wait before it is read out.
	out, childOut, err := os.Pipe()
	if err != nil {
		kill()
		return nil, err
	}
	e.cmd.Stdout, e.pipe = childOut, out
	e.in, e.enc, e.out = in, gob.NewEncoder(in), bufio.NewReaderSize(out, recordPayload)
	e.ended, err = startTied(e.cmd)
	childOut.Close()
	if err != nil {
		kill()
		out.Close()
		return nil, fault.New(fault.Unexpected, "the embedded decoder could not be started").Because(err)
	}
	if err := e.greet(ctx, setup{Path: abs, Within: o.Within, MemoryMiB: o.MemoryMiB, CacheDir: dir}); err != nil {
		e.close()
		return nil, err
	}
	return e, nil
}

// greet sends the setup and waits until the child is ready to decode.
func (e *embedded) greet(ctx context.Context, s setup) error {
	stop := context.AfterFunc(ctx, e.kill)
	defer stop()
	hello := time.AfterFunc(20*time.Second, e.kill) // another program would never say it
	defer hello.Stop()
	k, p, err := readRecord(e.out, &e.buf)
	if err != nil || k != recHello || string(p) != helloText {
		if ctx.Err() != nil {
			return stopped(ctx)
		}
		return fault.New(fault.Unexpected, "this program did not answer as its own video decoder (%s)", e.rest.firstLine()).
			Mended("the program must call decoder.ServeIfAsked first thing")
	}
	hello.Stop()
	if err := e.enc.Encode(s); err != nil {
		return e.gone(ctx)
	}
	for {
		k, p, err := readRecord(e.out, &e.buf)
		switch {
		case err != nil:
			return e.gone(ctx)
		case k == recReady:
			return nil
		case k == recPrepare:
			e.opts.Prepare()
		case k == recNote:
			e.opts.Note(string(p))
		case k == recFault:
			return childFault(p)
		}
	}
}

func stopped(ctx context.Context) error {
	return fault.New(fault.Interrupted, "reading the video was stopped").Because(context.Cause(ctx))
}

// gone explains a child that ended without a word.
func (e *embedded) gone(ctx context.Context) error {
	if ctx.Err() != nil {
		return stopped(ctx)
	}
	return fault.New(fault.Malformed, "the video decoder broke down on this file (%s)", e.rest.firstLine()).
		Mended("try another copy of the video, or convert it to MP4 with H.264 first")
}

// childFault reads the fault that sendFault wrote.
func childFault(p []byte) error {
	if len(p) == 0 {
		return fault.New(fault.Unexpected, "the video decoder failed without saying why")
	}
	text, mend, _ := strings.Cut(string(p[1:]), "\x00")
	f := fault.New(fault.Kind(p[0]), "%s", text)
	f.Mend = mend
	return f
}

func (e *embedded) run(ctx context.Context, tool string, args []string, out, log func([]byte) error) (int, error) {
	stop := context.AfterFunc(ctx, e.kill)
	defer stop()
	// The child keeps the deadline too; ours comes first by a little.
	left := e.opts.Timeout + time.Second
	if err := e.enc.Encode(order{Tool: tool, Args: args, TimeoutMS: left.Milliseconds()}); err != nil {
		return 0, e.gone(ctx)
	}
	for {
		k, p, err := readRecord(e.out, &e.buf)
		if err != nil {
			return 0, e.gone(ctx)
		}
		switch k {
		case recOut:
			err = out(p)
		case recErr:
			err = log(p)
		case recNote:
			e.opts.Note(string(p))
		case recDeadline:
			return 0, errTimeout
		case recFault:
			return 0, childFault(p)
		case recExit:
			if len(p) == 4 {
				return int(int32(binary.LittleEndian.Uint32(p))), nil
			}
		}
		if err != nil {
			e.kill() // what the caller no longer wants need not be decoded
			return 0, err
		}
	}
}

func (e *embedded) close() error {
	if e.closed {
		return nil
	}
	e.closed = true
	e.in.Close() // the child ends at this
	e.kill()     // and at this, if it cannot
	<-e.ended
	e.pipe.Close()
	return nil
}
