//go:build unix

package bounce

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// bounceFolder tells the test program, started anew, to bounce into a folder
// and to hang in the middle of it.
const bounceFolder = "CUECHOIR_TEST_BOUNCE_INTO"

func TestMain(m *testing.M) {
	if dir := os.Getenv(bounceFolder); dir != "" {
		Bounce(context.Background(), choir(30000, 0.1), Options{Path: filepath.Join(dir, "killed.wav"), Length: 40000, Stems: true,
			Progress: func(done, total int64) {
				if done > total/2 {
					os.WriteFile(filepath.Join(dir, "hangs"), nil, 0o666)
					time.Sleep(time.Minute)
				}
			}})
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func partsIn(t *testing.T, dir string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, ".bounce-*"))
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// age makes files look an hour old.
func age(t *testing.T, paths ...string) {
	t.Helper()
	for _, p := range paths {
		if err := os.Chtimes(p, time.Time{}, time.Now().Add(-time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
}

// What a killed bounce leaves goes with the next one; what a running one
// writes stays, however old it looks, and so does all that is not ours.
func TestLeftoversOfAKilledBounce(t *testing.T) {
	dir := t.TempDir()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), bounceFolder+"="+dir)
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	defer child.Process.Kill()
	for begin := time.Now(); ; time.Sleep(5 * time.Millisecond) {
		if _, err := os.Stat(filepath.Join(dir, "hangs")); err == nil {
			break
		}
		if time.Since(begin) > 20*time.Second {
			t.Fatal("the child does not bounce")
		}
	}
	running := partsIn(t, dir)
	if len(running) < 2 { // the mix, and a stem in the middle
		t.Fatalf("the child writes %v", running)
	}
	age(t, running...)
	alien := []string{".bounce-x1.part", ".bounce-.part", ".bounce-12.part.wav", "bounce-12.part"}
	for _, name := range alien {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, nil, 0o666); err != nil {
			t.Fatal(err)
		}
		age(t, path)
	}
	if err := os.Symlink(filepath.Join(dir, "hangs"), filepath.Join(dir, ".bounce-7.part")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, ".bounce-8.part"), nil, 0o666); err != nil { // made this moment
		t.Fatal(err)
	}
	bounceAgain := func() {
		if _, err := Bounce(context.Background(), choir(1000, 0.1), Options{Path: filepath.Join(dir, "next.wav"), Length: 1000}); err != nil {
			t.Fatal(err)
		}
	}
	bounceAgain()
	for _, p := range running {
		if _, err := os.Lstat(p); err != nil {
			t.Errorf("a running bounce lost its file: %v", err)
		}
	}
	child.Process.Signal(syscall.SIGKILL)
	child.Wait()
	bounceAgain()
	left := partsIn(t, dir)
	want := []string{".bounce-.part", ".bounce-12.part.wav", ".bounce-7.part", ".bounce-8.part", ".bounce-x1.part"}
	for i := range left {
		left[i] = filepath.Base(left[i])
	}
	slices.Sort(left)
	if strings.Join(left, " ") != strings.Join(want, " ") {
		t.Errorf("left are %v, want %v", left, want)
	}
}

// A stem that is finished waits for the others under its passing name, and is
// held until then.
func TestFinishedStemsAreHeld(t *testing.T) {
	dir := t.TempDir()
	_, err := Bounce(context.Background(), choir(30000, 0.1), Options{Path: filepath.Join(dir, "x.wav"), Length: 40000, Stems: true,
		Progress: func(done, total int64) {
			before := partsIn(t, dir)
			if len(before) < 2 {
				return
			}
			age(t, before...)
			sweep(dir, time.Now())
			if after := partsIn(t, dir); len(after) != len(before) {
				t.Fatalf("of %d files %d are left", len(before), len(after))
			}
		}})
	if err != nil {
		t.Fatal(err)
	}
	if left := partsIn(t, dir); len(left) != 0 {
		t.Errorf("left: %v", left)
	}
}
