//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"cuechoir/engine/take"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/pulsetest"
	"cuechoir/internal/reftool"
)

// lostSeconds is how long the takes of these tests would be; a file in the
// microphone's place is sung in a fraction of a second.
const lostSeconds = 90

// voiceFile writes noise that stands for a voice, the same each time.
func voiceFile(t *testing.T, path string, seconds int) {
	t.Helper()
	r := rand.New(rand.NewPCG(7, 1))
	x := make([]float32, 48000*seconds)
	for i := range x {
		x[i] = 0.1 * (2*r.Float32() - 1)
	}
	if err := audiotest.Write(path, 48000, 24, x); err != nil {
		t.Fatal(err)
	}
}

// lostScore makes a score with a layer in dir, and the file that is sung.
func lostScore(t *testing.T, dir string, seconds int) (voice string) {
	t.Helper()
	voice = filepath.Join(t.TempDir(), "voice.wav")
	voiceFile(t, voice, seconds)
	command(t, "new", dir, "--reference", voice, "--rate", "24", "--quiet")
	command(t, "-s", dir, "layer", "add", "a")
	return voice
}

// program is this test program under the command's name.
func program(t *testing.T) string {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "cuechoir")
	if err := os.Symlink(self, name); err != nil {
		t.Fatal(err)
	}
	return name
}

// singing is a run of the command on its own.
type singing struct {
	cmd  *exec.Cmd
	errs bytes.Buffer
	wav  string
}

func startSinging(t *testing.T, dir string, args ...string) *singing {
	t.Helper()
	s := &singing{cmd: exec.Command(args[0], args[1:]...), wav: filepath.Join(dir, "takes", "a", "001.wav")}
	s.cmd.Stderr = &s.errs
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.cmd.Process.Kill() })
	return s
}

// until waits for so many seconds of sound in the take's file.
func (s *singing) until(t *testing.T, seconds float64) {
	t.Helper()
	for begin := time.Now(); time.Since(begin) < 30*time.Second; time.Sleep(time.Millisecond) {
		if st, err := os.Stat(s.wav); err == nil && st.Size() >= int64(seconds*48000*3) {
			return
		}
	}
	t.Fatalf("no sound comes: %s", s.errs.String())
}

// end waits for the exit code.
func (s *singing) end(t *testing.T) int {
	t.Helper()
	done := make(chan error, 1)
	go func() { done <- s.cmd.Wait() }()
	select {
	case err := <-done:
		var exit *exec.ExitError
		if err != nil && !errors.As(err, &exit) {
			t.Fatal(err)
		}
		return s.cmd.ProcessState.ExitCode()
	case <-time.After(40 * time.Second):
		t.Fatalf("it does not end: %s", s.errs.String())
		return 0
	}
}

// told holds the exit code and the words to what they should be.
func (s *singing) told(t *testing.T, code int, words ...string) {
	t.Helper()
	got := s.end(t)
	for _, w := range words {
		if !strings.Contains(s.errs.String(), w) {
			t.Errorf("it did not say %q", w)
		}
	}
	if got != code {
		t.Errorf("ended with %d, want %d", got, code)
	}
	t.Logf("%d: %s", got, lastLines(s.errs.String()))
}

func lastLines(text string) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(len(lines)-4, 0):], " | ")
}

// keptTake is the layer's only take as the program lists it at its next start;
// it must hold least seconds, verify, and be read by soxi.
func keptTake(t *testing.T, dir string, least float64) take.Info {
	t.Helper()
	var rows []take.Info
	if err := json.Unmarshal([]byte(command(t, "-s", dir, "takes", "--json")), &rows); err != nil {
		t.Fatal(err)
	}
	if len(rows) != 1 || rows[0].State == take.Recording || float64(rows[0].Frames) < least*48000 {
		t.Fatalf("takes: %+v, want one of %g s at least", rows, least)
	}
	if err := take.Verify(dir, "a", rows[0].ID); err != nil {
		t.Error(err)
	}
	if tool := reftool.Find(t, "soxi"); tool != "" {
		out, err := exec.Command(tool, "-s", filepath.Join(dir, "takes", "a", rows[0].ID+".wav")).Output()
		if n := strings.TrimSpace(string(out)); err != nil || n != strconv.FormatInt(rows[0].Frames, 10) {
			t.Errorf("soxi finds %q samples (%v), the take has %d", n, err, rows[0].Frames)
		}
	}
	return rows[0]
}

// kill -9 at random moments of sing: the next start offers the take, of all
// the sound that the file held when the program died.
func TestKillNineThroughTheCommand(t *testing.T) {
	bin, r := program(t), rand.New(rand.NewPCG(31, 1))
	master := filepath.Join(t.TempDir(), "s")
	voice := lostScore(t, master, lostSeconds)
	for n := range 5 {
		dir := filepath.Join(t.TempDir(), fmt.Sprint("s", n))
		if err := os.CopyFS(dir, os.DirFS(master)); err != nil {
			t.Fatal(err)
		}
		s := startSinging(t, dir, bin, "-s", dir, "sing", "a", "--input", voice)
		s.until(t, 1+r.Float64()*lostSeconds/3)
		s.cmd.Process.Signal(syscall.SIGKILL)
		if code := s.end(t); code != -1 {
			t.Fatalf("it ended with %d before it was killed: %s", code, s.errs.String())
		}
		st, err := os.Stat(s.wav)
		if err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		if code := run([]string{"-s", dir, "takes"}, nil, &out, &errs); code != 0 || !strings.Contains(errs.String(), "was cut off") {
			t.Errorf("the next start says, with %d: %s", code, errs.String())
		}
		info := keptTake(t, dir, 1)
		if missing := st.Size()/3 - info.Frames; missing > 500 { // the header, and a sample cut in two
			t.Errorf("%d samples of the file are missing", missing)
		}
		t.Logf("killed at %.1f s: %s", float64(info.Frames)/48000, lastLines(errs.String()))
	}
}

// mounted makes a small disk of its own at dir, where the system lets one.
func mounted(t *testing.T, dir string, size int64) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%d", size)); err != nil {
		t.Skipf("LOUD SKIP: no small disk can be made here (%v): run as root; the limit on file sizes is tested by TestFileMayGrowNoFurther", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
}

// The disk runs full in the middle of a take.
func TestDiskRunsFull(t *testing.T) {
	disk := filepath.Join(t.TempDir(), "disk")
	mounted(t, disk, 80<<20)
	dir := filepath.Join(disk, "s")
	voice := lostScore(t, dir, lostSeconds)
	var fs syscall.Statfs_t
	if err := syscall.Statfs(disk, &fs); err != nil {
		t.Fatal(err)
	}
	// 32 MiB are kept free; two megabytes more are fourteen seconds.
	if err := os.WriteFile(filepath.Join(disk, "ballast"), make([]byte, int64(fs.Bavail)*fs.Bsize-32<<20-2_000_000), 0o666); err != nil {
		t.Fatal(err)
	}
	s := startSinging(t, dir, program(t), "-s", dir, "sing", "a", "--input", voice)
	s.told(t, 8, "the disk is all but full", "make room; what is sung so far is kept")
	info := keptTake(t, dir, 10)
	if info.State != take.Whole || info.Stopped == "" {
		t.Errorf("%+v", info)
	}
}

// A file may grow no further: a limit of the system, or a disk that knows no
// larger ones.
func TestFileMayGrowNoFurther(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "s")
	voice := lostScore(t, dir, lostSeconds)
	// 4000 blocks of 512 bytes (sh, ulimit -f) are fourteen seconds.
	s := startSinging(t, dir, "sh", "-c", `ulimit -f 4000; exec "$0" "$@"`, program(t), "-s", dir, "sing", "a", "--input", voice)
	s.told(t, 8, "the file may grow no further on this disk", "what is written so far is kept")
	keptTake(t, dir, 12)
}

// A folder that may not be written is told before anyone sings.
func TestReadOnlyFolder(t *testing.T) {
	disk := filepath.Join(t.TempDir(), "disk")
	mounted(t, disk, 80<<20)
	dir := filepath.Join(disk, "s")
	voice := lostScore(t, dir, 20)
	if err := syscall.Mount("", disk, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
		t.Fatal(err)
	}
	s := startSinging(t, dir, program(t), "-s", dir, "sing", "a", "--input", voice)
	s.told(t, 1, "takes/a", "read-only file system", "see that the disk is there and may be written")
}

// The takes' folder is deleted in the middle of one.
func TestFolderDeletedUnderATake(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "s")
	voice := lostScore(t, dir, lostSeconds)
	s := startSinging(t, dir, program(t), "-s", dir, "sing", "a", "--input", voice)
	s.until(t, 3)
	if err := os.Remove(s.wav); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(filepath.Join(dir, "takes")); err != nil {
		t.Fatal(err)
	}
	s.told(t, 6, "deleted while it was sung", "what is sung so far is written anew")
	if info := keptTake(t, dir, 3); info.State != take.Whole || info.Stopped == "" {
		t.Errorf("%+v", info)
	}
}

// A program that is stopped while a file is sung goes on as if nothing had been.
func TestStoppedWhileAFileIsSung(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "s")
	voice := lostScore(t, dir, lostSeconds)
	s := startSinging(t, dir, program(t), "-s", dir, "sing", "a", "--input", voice)
	s.until(t, 1)
	s.cmd.Process.Signal(syscall.SIGSTOP)
	if st, err := os.Stat(s.wav); err != nil || st.Size() >= lostSeconds*48000*3 {
		t.Fatalf("it was over before it was stopped: %v", err)
	}
	time.Sleep(2300 * time.Millisecond)
	s.cmd.Process.Signal(syscall.SIGCONT)
	s.told(t, 0)
	keptTake(t, dir, lostSeconds)
}

// The sound system dies, or the computer sleeps, in the middle of a take: the
// command ends with 7 and says what to do, and the take is there.
func TestSoundSystemMishaps(t *testing.T) {
	if !pulsetest.Required() {
		t.Skip("LOUD SKIP: this takes 17 s; set CUECHOIR_REQUIRE_AUDIO=1 to see a sound system die, and a computer sleep, in the middle of a take")
	}
	for _, c := range []struct {
		name  string
		do    func(daemon *exec.Cmd, s *singing)
		words []string
	}{
		{"the sound system is killed", func(daemon *exec.Cmd, s *singing) { daemon.Process.Kill() }, []string{"what was sung is kept"}},
		{"the computer sleeps", func(_ *exec.Cmd, s *singing) {
			s.cmd.Process.Signal(syscall.SIGSTOP)
			time.Sleep(2500 * time.Millisecond)
			s.cmd.Process.Signal(syscall.SIGCONT)
		}, []string{"slept or the program was stopped", "what was sung before is kept"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			daemon := pulsetest.Start(t)
			dir := filepath.Join(t.TempDir(), "s")
			lostScore(t, dir, 40)
			s := startSinging(t, dir, program(t), "-s", dir, "sing", "a", "--device", "cc.monitor", "--output", "cc")
			s.until(t, 1.2)
			c.do(daemon, s)
			s.told(t, 7, c.words...)
			if strings.Contains(s.errs.String(), "lost its count") {
				t.Error("a device that ends is told as one that lost its count")
			}
			if info := keptTake(t, dir, 1); info.State != take.Whole || info.Stopped == "" {
				t.Errorf("%+v", info)
			}
		})
	}
}

// A clock that is set back makes no older take the newest: takes go by number.
func TestClockSetBack(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "s")
	voice := lostScore(t, dir, 5)
	command(t, "-s", dir, "sing", "a", "--input", voice)
	side := filepath.Join(dir, "takes", "a", "001.json")
	text, err := os.ReadFile(side)
	if err != nil {
		t.Fatal(err)
	}
	var info map[string]any
	if err := json.Unmarshal(text, &info); err != nil {
		t.Fatal(err)
	}
	info["created"] = "2199-01-01T00:00:00Z" // as if the clock had been ahead then
	if text, err = json.Marshal(info); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(side, text, 0o666); err != nil {
		t.Fatal(err)
	}
	command(t, "-s", dir, "sing", "a", "--input", voice)
	var rows []struct {
		ID    string `json:"id"`
		InUse bool   `json:"in_use"`
	}
	if err := json.Unmarshal([]byte(command(t, "-s", dir, "takes", "--json")), &rows); err != nil {
		t.Fatal(err)
	}
	if len(rows) != 2 || rows[0].InUse || !rows[1].InUse || rows[1].ID != "002" {
		t.Errorf("%+v, want take 002 in use", rows)
	}
}

// A terminal that is closed, or a program that is asked to end, in the middle of
// a take: the take is closed in order, not left to be recovered.
func TestAskedToEndInATake(t *testing.T) {
	for _, sig := range []syscall.Signal{syscall.SIGHUP, syscall.SIGTERM} {
		dir := filepath.Join(t.TempDir(), "s")
		voice := lostScore(t, dir, lostSeconds)
		s := startSinging(t, dir, program(t), "-s", dir, "sing", "a", "--input", voice)
		s.until(t, 1)
		s.cmd.Process.Signal(sig)
		if code := s.end(t); code < 0 {
			t.Fatalf("%v killed it: %s", sig, s.errs.String())
		}
		if info := keptTake(t, dir, 1); info.State != take.Whole {
			t.Errorf("%v: %+v", sig, info)
		}
	}
}
