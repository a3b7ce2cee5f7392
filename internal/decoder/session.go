package decoder

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"cuechoir/internal/fault"
)

// Engine says which FFmpeg does the work. The zero value lets the
// environment variable CUECHOIR_DECODER decide, and without it takes a native
// ffmpeg when there is one.
type Engine string

const (
	Auto     Engine = ""
	Embedded Engine = "embedded"
	Native   Engine = "native"
)

// EngineEnv names the environment variable that forces an engine.
const EngineEnv = "CUECHOIR_DECODER"

// Options of a session. The zero value works.
type Options struct {
	Engine    Engine
	Within    string            // a folder that the file must not leave, links too; "" for no such bound
	MemoryMiB int               // bound of the sandbox; 0 means 1024, at most 4095
	Timeout   time.Duration     // of one step; 0 means two hours
	Idle      time.Duration     // longest silence of the decoder within a step; 0 means one minute
	Note      func(text string) // told, in plain words, what the person should know; may be nil
	Prepare   func()            // called twice a second while the embedded decoder is prepared; may be nil
}

// PrepareText is what to show while Prepare is called.
const PrepareText = "preparing the embedded video decoder (once per machine)"

func (o Options) withDefaults() Options {
	if o.MemoryMiB <= 0 {
		o.MemoryMiB = 1024
	}
	o.MemoryMiB = min(o.MemoryMiB, 4095)
	if o.Timeout <= 0 {
		o.Timeout = 2 * time.Hour
	}
	if o.Idle <= 0 {
		o.Idle = time.Minute
	}
	if o.Note == nil {
		o.Note = func(string) {}
	}
	if o.Prepare == nil {
		o.Prepare = func() {}
	}
	return o
}

// Level is how grave FFmpeg holds a message to be.
type Level int

const (
	Info Level = iota
	Warning
	Error
)

// Step is one call of a tool over the session's file: tool Before -i file
// After. Quiet flags, protocol and format bounds are added.
type Step struct {
	Tool    string // "ffmpeg" or "ffprobe"
	Before  []string
	After   []string
	Stdout  func(p []byte) error           // p is valid during the call; nil drops it
	Message func(level Level, line string) // a line of the log; may be nil; never called at the same time as Stdout
}

// Result of a step that ran to its end.
type Result struct {
	ExitCode int
	Errors   []string // what FFmpeg said of grave levels, at most 20 lines, each line once
}

const (
	maxErrorsKept = 20
	maxLogLine    = 4096
)

// Session is one media file with an engine. It is for one goroutine.
type Session struct {
	path   string // as the person gave it
	engine Engine
	opts   Options
	runner runner
}

// runner is one engine at work. run calls out and log from one goroutine at a
// time.
type runner interface {
	run(ctx context.Context, tool string, args []string, out, log func([]byte) error) (code int, err error)
	close() error
}

// Open checks the file and readies an engine for it. Errors: Missing,
// Unsupported (a folder, a pipe), Malformed (empty, or a link out of Within),
// Usage (an engine of another name).
func Open(ctx context.Context, path string, o Options) (*Session, error) {
	o = o.withDefaults()
	if strings.ContainsRune(path, 0) || path == "" {
		return nil, fault.New(fault.Usage, "%q is not a file name", path)
	}
	abs, err := filepath.Abs(path)
	if err == nil && o.Within != "" {
		o.Within, err = filepath.Abs(o.Within)
	}
	if err != nil {
		return nil, fault.New(fault.Unexpected, "the working folder cannot be found").Because(err)
	}
	m, err := openMount(abs, o.Within)
	if err != nil {
		return nil, named(err, path)
	}
	m.Close()
	engine, err := choose(o)
	if err != nil {
		return nil, err
	}
	s := &Session{path: path, engine: engine, opts: o}
	if engine == Native {
		s.runner, err = openNative(ctx, abs, o)
		if err != nil && o.Engine == Auto && os.Getenv(EngineEnv) == "" && ctx.Err() == nil {
			o.Note(fmt.Sprintf("%v; the embedded decoder does the work instead", err))
			s.engine = Embedded
		} else if err != nil {
			if ctx.Err() != nil {
				err = stopped(ctx)
			}
			return nil, named(err, path)
		}
	}
	if s.engine == Embedded {
		if s.runner, err = openEmbedded(ctx, abs, o); err != nil {
			return nil, named(err, path)
		}
	}
	return s, nil
}

// Engine is the engine at work: Embedded or Native.
func (s *Session) Engine() Engine { return s.engine }

// Close ends the session and waits for what it started.
func (s *Session) Close() error { return s.runner.close() }

// choose resolves Options.Engine and the environment.
func choose(o Options) (Engine, error) {
	want := o.Engine
	if want == Auto {
		want = Engine(os.Getenv(EngineEnv))
	}
	switch want {
	case Embedded, Native:
		return want, nil
	case Auto:
		if nativeTools().ffmpeg != "" {
			return Native, nil
		}
		return Embedded, nil
	}
	return "", fault.New(fault.Usage, "%q is not a video decoder", want).
		Mended("set %s to embedded or native, or leave it out", EngineEnv)
}

// named puts the file's name, as the person gave it, into an error.
func named(err error, path string) error {
	if f, ok := err.(*fault.Error); ok {
		return f.In(path, f.Place)
	}
	return fault.New(fault.Unexpected, "the video decoder failed").In(path, "").Because(err)
}

// readable lists the containers that are opened. It keeps out the formats of
// FFmpeg that are lists of other files (hls, dash, concat, image sequences) or
// that look for parts of their own name beside them (mlv), and so would let a
// stranger's file read other files of this machine.
const readable = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpeg,mpegts,mpegvideo,mpegtsraw,mxf,ogg,flv,asf,wtv,nut,gif,dv,gxf," +
	"yuv4mpegpipe,h264,hevc,m4v,mjpeg,ivf,obu,av1,vc1,rm,swf,nsv,r3d," +
	"wav,w64,aiff,flac,mp3,aac,ac3,eac3,dts,caf,au,amr,ape,wv,tta,opus"

// MaxPoints bounds the points of a picture, 64 Mi: twice what 8K has. maxBlock
// bounds what FFmpeg takes of memory at once, in bytes.
const (
	MaxPoints = 64 << 20
	maxBlock  = 512 << 20
)

// Run carries out one step. It returns an error when the tool could not run
// to its end: cancelled (Interrupted), out of time (OverLimit), broken down
// (Malformed), or what Stdout returned. A tool that ended with a code other
// than 0 is no error here: see Result.
func (s *Session) Run(ctx context.Context, st Step) (Result, error) {
	level := []string{"-hide_banner", "-loglevel", "repeat+level+info"}
	guard := []string{"-protocol_whitelist", "file,pipe", "-format_whitelist", readable,
		"-max_pixels", strconv.Itoa(MaxPoints), "-max_alloc", strconv.Itoa(maxBlock)}
	var args []string
	if st.Tool == "ffmpeg" {
		args = append(args, "-nostdin", "-nostats")
	}
	args = append(append(append(args, level...), guard...), st.Before...)
	args = append(append(args, "-i", inputMark), st.After...)

	var res Result
	lines := &lineSplitter{emit: func(line string) {
		level, text := parseLog(line)
		if level == Error {
			res.keep(inWords(text, s.path))
		}
		if st.Message != nil {
			st.Message(level, text)
		}
	}}
	var callers error // what Stdout returned goes back as it is
	out := func(p []byte) error {
		if st.Stdout != nil {
			callers = st.Stdout(p)
		}
		return callers
	}
	ctx, cancel := context.WithTimeoutCause(ctx, s.opts.Timeout, errTimeout)
	defer cancel()
	ctx, wd := watch(ctx, s.opts.Idle)
	defer wd.stop()
	code, err := s.runner.run(ctx, st.Tool, args, wd.around(out), wd.around(lines.write))
	lines.flush()
	res.ExitCode = code
	if callers != nil {
		return res, callers
	}
	if err != nil {
		return res, named(s.explain(ctx, err), s.path)
	}
	return res, nil
}

// source is what FFmpeg puts before its words: the part of it that speaks, and
// where that lies in memory.
var source = regexp.MustCompile(`^\[([^\]@]+) @ (?:0x)?[0-9a-f]+\] `)

// inWords is a line without the addresses in it and without the file's name,
// which whoever tells it puts before it.
func inWords(line, path string) string {
	line = source.ReplaceAllString(line, "$1: ")
	if strings.HasPrefix(line, "file:") || strings.HasPrefix(line, mountPoint+"/") {
		for _, name := range [...]string{filepath.Base(path) + ": ", "input" + plainExt(path) + ": "} {
			if i := strings.Index(line, name); i >= 0 {
				return line[i+len(name):]
			}
		}
	}
	return line
}

func (r *Result) keep(line string) {
	for _, have := range r.Errors {
		if have == line {
			return
		}
	}
	if len(r.Errors) < maxErrorsKept {
		r.Errors = append(r.Errors, line)
	}
}

var (
	errTimeout = fmt.Errorf("out of time")
	errIdle    = fmt.Errorf("silent for too long")
)

func (s *Session) explain(ctx context.Context, err error) error {
	switch cause := context.Cause(ctx); {
	case cause == errTimeout || err == errTimeout:
		return fault.New(fault.OverLimit, "decoding took longer than %v and was stopped", s.opts.Timeout).
			Mended("try a shorter or smaller copy of the video")
	case cause == errIdle:
		return fault.New(fault.Malformed, "the video decoder hung on this file for %v and was stopped", s.opts.Idle).
			Mended("try another copy of the video")
	case cause != nil:
		return fault.New(fault.Interrupted, "reading the video was stopped").Because(cause)
	}
	return err
}

// watchdog cancels a step whose decoder neither sends nor ends.
type watchdog struct {
	mu     sync.Mutex
	last   time.Time
	inside int // callbacks at work: the caller's time is not the decoder's
	quit   context.CancelCauseFunc
	done   chan struct{}
}

func watch(ctx context.Context, idle time.Duration) (context.Context, *watchdog) {
	ctx, quit := context.WithCancelCause(ctx)
	w := &watchdog{last: time.Now(), quit: quit, done: make(chan struct{})}
	go func() {
		t := time.NewTicker(max(idle/8, time.Millisecond))
		defer t.Stop()
		for {
			select {
			case <-w.done:
				return
			case <-t.C:
				w.mu.Lock()
				late := w.inside == 0 && time.Since(w.last) > idle
				w.mu.Unlock()
				if late {
					quit(errIdle)
					return
				}
			}
		}
	}()
	return ctx, w
}

func (w *watchdog) around(f func([]byte) error) func([]byte) error {
	return func(p []byte) error {
		w.enter(1)
		defer w.enter(-1)
		return f(p)
	}
}

func (w *watchdog) enter(d int) {
	w.mu.Lock()
	w.inside += d
	w.last = time.Now()
	w.mu.Unlock()
}

func (w *watchdog) stop() { close(w.done); w.quit(nil) }

// lineSplitter cuts a log into lines, each at most maxLogLine bytes.
type lineSplitter struct {
	part []byte
	emit func(string)
}

func (l *lineSplitter) write(p []byte) error {
	for len(p) > 0 {
		i := bytes.IndexByte(p, '\n')
		if i < 0 {
			l.part = append(l.part, p[:min(len(p), max(0, maxLogLine-len(l.part)))]...)
			return nil
		}
		l.part = append(l.part, p[:min(i, max(0, maxLogLine-len(l.part)))]...)
		l.flush()
		p = p[i+1:]
	}
	return nil
}

func (l *lineSplitter) flush() {
	if len(l.part) > 0 {
		l.emit(strings.TrimRight(string(l.part), "\r"))
		l.part = l.part[:0]
	}
}

// parseLog takes the level mark that "-loglevel level" adds out of a line.
func parseLog(line string) (Level, string) {
	for _, m := range []struct {
		mark  string
		level Level
	}{{"[info] ", Info}, {"[warning] ", Warning}, {"[error] ", Error}, {"[fatal] ", Error}, {"[panic] ", Error}} {
		if i := strings.Index(line, m.mark); i == 0 || i > 0 && strings.HasSuffix(line[:i], "] ") {
			return m.level, line[:i] + line[i+len(m.mark):]
		}
	}
	return Info, line
}
