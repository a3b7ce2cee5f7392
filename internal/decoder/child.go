package decoder

import (
	"bufio"
	"context"
	"encoding/gob"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"runtime/debug"
	"strings"
	"time"

	"codeberg.org/gruf/go-ffmpreg/wasm"
	"github.com/tetratelabs/wazero"
	"github.com/tetratelabs/wazero/experimental"

	"cuechoir/internal/fault"
)

// What marks a process as a decoder child: its only argument and a variable
// in its environment, both, so that nothing typed by a person does.
const (
	childArg = "decoder-child"
	childEnv = "CUECHOIR_DECODER_CHILD"
)

func isChild() bool {
	return os.Getenv(childEnv) == "1" && len(os.Args) == 2 && os.Args[1] == childArg
}

// ServeIfAsked does nothing unless this process was started as a decoder
// child; then it serves its parent and ends the process. Call it first thing
// in main, and in TestMain of packages whose tests read video.
func ServeIfAsked() {
	if isChild() {
		os.Exit(serve(os.Stdin, os.Stdout))
	}
}

// serve answers orders until the parent closes its end.
func serve(in io.Reader, out io.Writer) int {
	w := &recordWriter{w: bufio.NewWriterSize(out, recordPayload+2*recordHeader)}
	if w.put(recHello, []byte(helloText)) != nil {
		return 1
	}
	dec := gob.NewDecoder(in)
	var s setup
	if err := dec.Decode(&s); err != nil {
		return 1
	}
	// Compiled code cannot be preempted: the watchers below need a thread of
	// their own to run on.
	runtime.GOMAXPROCS(max(2, runtime.NumCPU()))
	debug.SetMemoryLimit(int64(s.MemoryMiB+512) << 20)
	m, err := openMount(s.Path, s.Within)
	if err != nil {
		return sendFault(w, err)
	}
	defer m.Close()

	orders := make(chan order)
	go func() { // the end of the parent's pipe ends this process, whatever it does
		for {
			var o order
			if err := dec.Decode(&o); err != nil {
				os.Exit(0)
			}
			orders <- o
		}
	}()
	mach, err := buildMachine(w, s)
	if err != nil {
		return sendFault(w, err)
	}
	if w.put(recReady, nil) != nil {
		return 1
	}
	for o := range orders {
		if err := mach.run(w, m, o); err != nil {
			return sendFault(w, err)
		}
	}
	return 0
}

func sendFault(w *recordWriter, err error) int {
	var f *fault.Error
	if !errors.As(err, &f) {
		f = fault.New(fault.Unexpected, "%v", err)
	}
	text := f.What
	if f.Err != nil {
		text += ": " + f.Err.Error()
	}
	if w.put(recFault, []byte(string(rune(f.Kind))+text+"\x00"+f.Mend)) != nil {
		return 1
	}
	return 2
}

// machine is the compiled decoder.
type machine struct {
	rt  wazero.Runtime
	mod wazero.CompiledModule
}

// pagesPerMiB: a WebAssembly page is 64 KiB (WebAssembly Core 1.0, 4.2.8).
const pagesPerMiB = 16

func buildMachine(w *recordWriter, s setup) (*machine, error) {
	code, err := unpackModule()
	if err != nil {
		return nil, err
	}
	stop := tickWhile(w)
	defer stop()
	if s.CacheDir != "" && !checkCache(s.CacheDir) {
		if err := tryWritable(s.CacheDir); err != nil {
			w.put(recNote, []byte(noCache(err)))
			s.CacheDir = ""
		}
	}
	m, err := compile(code, s)
	if err != nil && s.CacheDir != "" { // a cache that cannot be read is thrown away, once
		emptyCache(s.CacheDir)
		if m, err = compile(code, s); err != nil {
			w.put(recNote, []byte(noCache(err)))
			s.CacheDir = ""
			m, err = compile(code, s)
		}
	}
	if err != nil {
		return nil, fault.New(fault.Unexpected, "the embedded video decoder does not start").Because(err)
	}
	if s.CacheDir != "" {
		if err := sealCache(s.CacheDir); err != nil {
			w.put(recNote, []byte(noCache(err)))
		}
	}
	return m, nil
}

func compile(code []byte, s setup) (*machine, error) {
	ctx := experimental.WithCompilationWorkers(context.Background(), runtime.NumCPU())
	cfg := wazero.NewRuntimeConfig().
		WithMemoryLimitPages(uint32(s.MemoryMiB * pagesPerMiB))
	if s.CacheDir != "" {
		cache, err := wazero.NewCompilationCacheWithDir(s.CacheDir)
		if err != nil {
			return nil, err
		}
		cfg = cfg.WithCompilationCache(cache)
	}
	rt, err := wasm.NewRuntime(ctx, cfg)
	if err != nil {
		return nil, err
	}
	mod, err := rt.CompileModule(ctx, code)
	if err != nil {
		rt.Close(ctx)
		return nil, err
	}
	return &machine{rt: rt, mod: mod}, nil
}

// tickWhile tells the parent twice a second that preparing goes on. From the
// cache it takes half a second, and nothing need be told.
func tickWhile(w *recordWriter) (stop func()) {
	done, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		t := time.NewTicker(500 * time.Millisecond)
		defer t.Stop()
		select {
		case <-time.After(time.Second):
		case <-done:
			return
		}
		for {
			select {
			case <-t.C:
				w.put(recPrepare, nil)
			case <-done:
				return
			}
		}
	}()
	return func() { close(done); <-ended }
}

// run carries out one order. An error means that the process must end.
//
// The deadline ends the whole process. wazero's own way (WithCloseOnContextDone)
// asks at every loop of the compiled code whether to stop: measured, it slows
// the decoder six times (720p: 0.74 against 4.6 times real time), and the
// process is there to be ended.
func (m *machine) run(w *recordWriter, mount fs.FS, o order) error {
	deadline := time.AfterFunc(time.Duration(o.TimeoutMS)*time.Millisecond, func() {
		go func() { // a parent that no longer reads must not hold us
			time.Sleep(2 * time.Second)
			os.Exit(3)
		}()
		w.put(recDeadline, nil)
		os.Exit(3)
	})
	defer deadline.Stop()
	ctx := context.Background()
	in := mountPoint
	if f, ok := mount.(*oneFile); ok {
		in = f.inside()
	}
	args := make([]string, len(o.Args))
	for i, a := range o.Args {
		args[i] = strings.ReplaceAll(a, inputMark, in)
	}
	code, err := wasm.Run(ctx, m.rt, m.mod, wasm.Args{
		Name: o.Tool, Args: args,
		Stdin:  strings.NewReader(""),
		Stdout: stream{w, recOut},
		Stderr: stream{w, recErr},
		Config: func(c wazero.ModuleConfig) wazero.ModuleConfig {
			return c.WithFSConfig(wazero.NewFSConfig().WithFSMount(mount, mountPoint)).
				WithSysWalltime().WithSysNanotime()
		},
	})
	if err != nil { // a trap: the sandbox stopped the decoder
		first, _, _ := strings.Cut(err.Error(), "\n")
		return fault.New(fault.Malformed, "the video decoder broke down on this file (%s)", first).
			Mended("try another copy of the video, or convert it to MP4 with H.264 first")
	}
	return putAll(w, recExit, []byte{byte(code), byte(code >> 8), byte(code >> 16), byte(code >> 24)})
}

func putAll(w *recordWriter, k recordKind, p []byte) error {
	if err := w.put(k, p); err != nil {
		return fmt.Errorf("the pipe to the program is closed: %w", err)
	}
	return nil
}
