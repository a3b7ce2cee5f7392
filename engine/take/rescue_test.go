//go:build unix

package take

import (
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"

	"cuechoir/internal/fault"
)

// The take's file, its folder or the whole score is deleted in the middle: the
// recording ends, says so, and all that was sung is a take again.
func TestDeletedUnderIt(t *testing.T) {
	for _, what := range []string{"takes/a/001.wav", "takes/a", "takes", "."} {
		dir := filepath.Join(t.TempDir(), "score")
		if err := os.Mkdir(dir, 0o777); err != nil {
			t.Fatal(err)
		}
		w, err := Create(dir, "a", Info{SampleRate: 8000, Start: -77})
		if err != nil {
			t.Fatal(err)
		}
		taken := 0
		for at := 0; at < 40_000 && err == nil; at += 1000 {
			if at == 12_000 {
				if err := os.RemoveAll(filepath.Join(dir, what)); err != nil {
					t.Fatal(err)
				}
			}
			if err = w.Append(voice(at, 1000)); err == nil {
				taken = at + 1000
			}
		}
		if fault.KindOf(err) != fault.Missing || taken < 12_000 || taken > 20_000 {
			t.Fatalf("%s deleted after 12000 samples: %d taken in, %v", what, taken, err)
		}
		info, err := w.Finish()
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		kept, got := readAll(t, dir, "a", info.ID)
		if kept.State != Whole || kept.Start != -77 || kept.Stopped == "" || len(got) < taken || !slices.Equal(got, voice(0, len(got))) {
			t.Errorf("%s: %d of %d samples are there: %+v", what, len(got), taken, kept)
		}
		if err := Verify(dir, "a", info.ID); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// Deleted just before the end, it comes back too. Where the score's folder
// cannot be made again, the sound goes elsewhere and the error says where.
func TestDeletedAtTheEnd(t *testing.T) {
	parent := t.TempDir()
	t.Setenv("TMPDIR", t.TempDir())
	for _, blocked := range []bool{false, true} {
		dir := filepath.Join(parent, "score")
		if err := os.MkdirAll(dir, 0o777); err != nil {
			t.Fatal(err)
		}
		w, err := Create(dir, "a", Info{SampleRate: 8000})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Append(voice(0, 3000)); err != nil {
			t.Fatal(err)
		}
		os.RemoveAll(dir)
		if blocked { // a file stands in the folder's place
			if err := os.WriteFile(dir, nil, 0o666); err != nil {
				t.Fatal(err)
			}
		}
		info, err := w.Finish()
		if !blocked {
			if err != nil {
				t.Fatal(err)
			}
			if _, got := readAll(t, dir, "a", info.ID); !slices.Equal(got, voice(0, 3000)) {
				t.Errorf("%d samples", len(got))
			}
			continue
		}
		found, _ := filepath.Glob(filepath.Join(os.Getenv("TMPDIR"), "cuechoir-rescued-*"))
		if fault.KindOf(err) != fault.Missing || len(found) != 1 {
			t.Fatalf("%v, kept in %v", err, found)
		}
		if _, got := readAll(t, found[0], "a", info.ID); !slices.Equal(got, voice(0, 3000)) {
			t.Errorf("%d samples elsewhere", len(got))
		}
		t.Log(err)
	}
}

// A folder that is moved takes its take along.
func TestMovedUnderIt(t *testing.T) {
	dir := t.TempDir()
	w := mustCreate(t, dir, "a")
	w.Append(voice(0, 1000))
	moved := filepath.Join(t.TempDir(), "elsewhere")
	if err := os.Rename(dir, moved); err != nil {
		t.Fatal(err)
	}
	w.Append(voice(1000, 1000))
	info, err := w.Finish()
	if err != nil {
		t.Fatal(err)
	}
	if _, got := readAll(t, moved, "a", info.ID); !slices.Equal(got, voice(0, 2000)) {
		t.Errorf("%d samples", len(got))
	}
}

// A crash at any call to the disk, after which nothing is removed any more,
// leaves after the next start whole takes alone: no sidecar that is half
// written, and none that says more than the sound holds.
func TestCrashAtEveryCallLeavesNoHalf(t *testing.T) {
	clean := &faulty{folder: layerFolder(t, t.TempDir()), budget: -1}
	if _, _, err := recordWith(clean); err != nil {
		t.Fatal(err)
	}
	for at := 1; at <= clean.calls; at++ {
		dir := t.TempDir()
		f := &faulty{folder: unremoving{layerFolder(t, dir)}, failAt: at, err: syscall.EIO, short: at%2 == 0, budget: -1}
		taken, id, _ := recordWith(f)
		if _, err := Recover(dir); err != nil {
			t.Fatal(err)
		}
		names, err := layerFolder(t, dir).Names()
		if err != nil {
			t.Fatal(err)
		}
		slices.Sort(names)
		want := []string{"001.json", "001.wav"}
		if taken == 0 && len(names) == 0 {
			continue // it held no sample
		}
		if !slices.Equal(names, want) {
			t.Fatalf("died at call %d (%s): the folder holds %v, want %v", at, f.log[at-1], names, want)
		}
		if err := Verify(dir, "a", "001"); err != nil {
			t.Fatalf("died at call %d (%s), take %s: %v", at, f.log[at-1], id, err)
		}
	}
}

// unremoving is a folder as a dead program leaves it: it tidies nothing up.
type unremoving struct{ folder }

func (unremoving) Remove(string) error { return syscall.ENOENT }
