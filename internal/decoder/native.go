package decoder

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"time"

	"cuechoir/internal/fault"
)

type tools struct{ ffmpeg, ffprobe string }

func nativeTools() tools {
	look := func(name string) string {
		p, err := exec.LookPath(name)
		if err != nil {
			return ""
		}
		return p
	}
	return tools{look("ffmpeg"), look("ffprobe")}
}

// native runs programs found on PATH.
type native struct {
	path  string
	tools tools
}

// openNative checks that both programs are there and new enough. The oldest
// FFmpeg that knows all our arguments is 5.1 (July 2022: -fps_mode).
func openNative(ctx context.Context, abs string, o Options) (runner, error) {
	t := nativeTools()
	switch {
	case t.ffmpeg == "":
		return nil, fault.New(fault.Missing, "there is no ffmpeg on this machine's PATH").
			Mended("install it, or leave out %s to use the embedded decoder", EngineEnv)
	case t.ffprobe == "":
		return nil, fault.New(fault.Missing, "there is an ffmpeg on this machine's PATH but no ffprobe")
	}
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	out, err := exec.CommandContext(ctx, t.ffmpeg, "-version").Output()
	if err != nil {
		return nil, fault.New(fault.Missing, "the ffmpeg on this machine's PATH does not run").Because(err)
	}
	first, _, _ := strings.Cut(string(out), "\n")
	if tooOld(first) {
		return nil, fault.New(fault.Unsupported, "the ffmpeg on this machine's PATH is older than 5.1 (%.60s)", first)
	}
	return &native{path: abs, tools: t}, nil
}

// tooOld reads "ffmpeg version 5.1.9-0+deb12u1 Copyright ..."; versions that
// are not numbers (builds of a day) count as new.
func tooOld(version string) bool {
	f := strings.Fields(strings.TrimPrefix(version, "ffmpeg version "))
	if len(f) == 0 {
		return false
	}
	nums := strings.FieldsFunc(strings.TrimPrefix(f[0], "n"), func(r rune) bool { return r < '0' || r > '9' })
	if len(nums) < 2 || !strings.HasPrefix(strings.TrimPrefix(f[0], "n"), nums[0]+".") {
		return false
	}
	major, _ := strconv.Atoi(nums[0])
	minor, _ := strconv.Atoi(nums[1])
	return major < 5 || major == 5 && minor < 1
}

func (n *native) close() error { return nil }

func (n *native) run(ctx context.Context, tool string, args []string, out, log func([]byte) error) (int, error) {
	prog := n.tools.ffmpeg
	if tool == "ffprobe" {
		prog = n.tools.ffprobe
	}
	argv := make([]string, len(args))
	for i, a := range args {
		argv[i] = strings.ReplaceAll(a, inputMark, "file:"+n.path)
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	cmd := exec.CommandContext(ctx, prog, argv...)
	cmd.WaitDelay = 5 * time.Second
	cmd.Env = append(cmd.Environ(), "AV_LOG_FORCE_NOCOLOR=1")
	var mu sync.Mutex // out and log never run at the same time
	pump := func(f func([]byte) error) io.Writer { return &callWriter{mu: &mu, f: f, quit: cancel} }
	cmd.Stdout, cmd.Stderr = pump(out), pump(log)
	ended, err := startTied(cmd)
	if err != nil {
		return 0, fault.New(fault.Missing, "%s could not be started", tool).Because(err)
	}
	boundMemory(cmd.Process.Pid)
	<-ended
	if cause := context.Cause(ctx); cause != nil {
		return 0, cause
	}
	if code := cmd.ProcessState.ExitCode(); code >= 0 {
		return code, nil
	}
	return 0, fault.New(fault.Malformed, "the video decoder broke down on this file (%s)", cmd.ProcessState).
		Mended("try another copy of the video, or convert it to MP4 with H.264 first")
}

// callWriter hands what a program writes to a function; the function's error
// stops the program.
type callWriter struct {
	mu   *sync.Mutex
	f    func([]byte) error
	quit context.CancelCauseFunc
}

func (c *callWriter) Write(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.f(p); err != nil {
		c.quit(err)
		return 0, err
	}
	return len(p), nil
}

// tail keeps the last bytes written to it.
type tail struct {
	mu sync.Mutex
	b  bytes.Buffer
}

const tailBytes = 8 << 10

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b.Write(p)
	if extra := t.b.Len() - tailBytes; extra > 0 {
		t.b.Next(extra)
	}
	return len(p), nil
}

func (t *tail) firstLine() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	line, _, _ := strings.Cut(strings.TrimSpace(t.b.String()), "\n")
	if len(line) > 200 {
		line = line[:200]
	}
	return fmt.Sprintf("%q", line)
}
