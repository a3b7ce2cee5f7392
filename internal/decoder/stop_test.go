package decoder

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cuechoir/internal/fault"
)

// endless is a film that takes far longer to decode than any test.
func endless(t *testing.T) string { return write(t, "long.avi", film(60).AVI()) }

var endlessArgs = []string{"-vf", "scale=1920:1080,loop=loop=-1:size=60", "-f", "rawvideo", "pipe:1"}

func TestCancelLeavesNothing(t *testing.T) {
	path := endless(t)
	for _, e := range []Engine{Embedded, Native} {
		t.Run(string(e), func(t *testing.T) {
			if e == Native {
				needNative(t)
			}
			s := open(t, path, Options{Engine: e})
			ctx, cancel := context.WithCancel(t.Context())
			begun := time.Now()
			_, err := s.Run(ctx, Step{Tool: "ffmpeg", After: endlessArgs, Stdout: func([]byte) error { cancel(); return nil }})
			if fault.KindOf(err) != fault.Interrupted {
				t.Errorf("cancelled: %v", err)
			}
			s.Close()
			if d := time.Since(begun); d > 20*time.Second {
				t.Errorf("took %v to stop", d)
			}
			noChildren(t)
		})
	}
}

// TestCancelWhileOpening: at whatever moment it comes, it is told as a stop.
func TestCancelWhileOpening(t *testing.T) {
	path := write(t, "film.avi", film(2).AVI())
	for _, ms := range []int{0, 2, 5, 10, 20, 40, 60, 80, 120, 160, 200, 300} {
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(ms)*time.Millisecond)
		s, err := Open(ctx, path, Options{Engine: Embedded})
		if err == nil {
			s.Close()
		} else if fault.KindOf(err) != fault.Interrupted {
			t.Errorf("stopped after %d ms: %v", ms, err)
		}
		cancel()
	}
}

func TestDeadlines(t *testing.T) {
	path := endless(t)
	for _, e := range []Engine{Embedded, Native} {
		t.Run(string(e), func(t *testing.T) {
			if e == Native {
				needNative(t)
			}
			s := open(t, path, Options{Engine: e, Timeout: 300 * time.Millisecond})
			_, err := s.Run(t.Context(), Step{Tool: "ffmpeg", After: endlessArgs})
			if fault.KindOf(err) != fault.OverLimit {
				t.Errorf("out of time: %v", err)
			}
			s = open(t, path, Options{Engine: e, Idle: 200 * time.Millisecond})
			// Works for ever and says nothing.
			_, err = s.Run(t.Context(), Step{Tool: "ffmpeg", After: []string{"-vf", "loop=loop=-1:size=60,select=0", "-f", "null", "-"}})
			if fault.KindOf(err) != fault.Malformed || !strings.Contains(err.Error(), "hung") {
				t.Errorf("hung: %v", err)
			}
			s.Close()
			noChildren(t)
		})
	}
}

func TestCallersErrorComesBack(t *testing.T) {
	mine := fmt.Errorf("enough")
	for _, e := range []Engine{Embedded, Native} {
		if e == Native {
			needNative(t)
		}
		s := open(t, endless(t), Options{Engine: e})
		if _, err := s.Run(t.Context(), Step{Tool: "ffmpeg", After: endlessArgs, Stdout: func([]byte) error { return mine }}); err != mine {
			t.Errorf("%s: %v", e, err)
		}
	}
}

// noChildren fails when this process still has children (Linux alone).
func noChildren(t *testing.T) {
	t.Helper()
	me := fmt.Sprint(os.Getpid())
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, s := range stats {
		b, err := os.ReadFile(s)
		if err != nil {
			continue
		}
		_, rest, _ := strings.Cut(string(b), ") ")
		if f := strings.Fields(rest); len(f) > 1 && f[1] == me {
			t.Errorf("a process is left: %s", b)
		}
	}
}

// victim is a process of this test that reads a video for ever.
func victim(path string) {
	s, err := Open(context.Background(), path, Options{Engine: Engine(os.Getenv("DECODER_TEST_ENGINE"))})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	said := false
	s.Run(context.Background(), Step{Tool: "ffmpeg", After: endlessArgs, Stdout: func([]byte) error {
		if !said {
			said = true
			fmt.Println("running")
		}
		return nil
	}})
	os.Exit(1)
}

func TestChildDiesWithItsParent(t *testing.T) {
	if _, err := os.Stat("/proc/self/stat"); err != nil {
		t.Skip("SKIPPED: without /proc the child cannot be looked for")
	}
	path := endless(t)
	for _, e := range []Engine{Embedded, Native} {
		t.Run(string(e), func(t *testing.T) {
			if e == Native {
				needNative(t)
			}
			cmd := exec.Command(os.Args[0])
			cmd.Env = append(os.Environ(), "DECODER_TEST_VICTIM="+path, "DECODER_TEST_ENGINE="+string(e))
			out, err := cmd.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			defer cmd.Wait()
			b := make([]byte, 100)
			if n, _ := out.Read(b); !strings.Contains(string(b[:n]), "running") {
				cmd.Process.Kill()
				t.Fatalf("the victim said %q", b[:n])
			}
			kids := childrenOf(cmd.Process.Pid)
			if len(kids) != 1 {
				t.Errorf("the victim has %d children", len(kids))
			}
			cmd.Process.Kill()
			for begun := time.Now(); ; time.Sleep(20 * time.Millisecond) {
				left := 0
				for _, k := range kids {
					if b, err := os.ReadFile("/proc/" + k + "/stat"); err == nil && !strings.Contains(string(b), ") Z ") {
						left++
					}
				}
				if left == 0 {
					break
				}
				if time.Since(begun) > 10*time.Second {
					t.Fatalf("the decoder outlives its parent")
				}
			}
		})
	}
}

func childrenOf(pid int) (kids []string) {
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, s := range stats {
		b, _ := os.ReadFile(s)
		_, rest, _ := strings.Cut(string(b), ") ")
		if f := strings.Fields(rest); len(f) > 1 && f[1] == fmt.Sprint(pid) {
			kids = append(kids, filepath.Base(filepath.Dir(s)))
		}
	}
	return kids
}
