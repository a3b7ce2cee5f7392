package job

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"cuechoir/engine/score"
)

// Unfinished files of our own names go when nobody has written to them for an hour;
// all else stays: what is younger, another's names, links, and whatever was sung.
func TestLeftoversAreCleared(t *testing.T) {
	dir, outside := t.TempDir(), t.TempDir()
	old := time.Now().Add(-2 * time.Hour)
	put := func(name string, when time.Time) {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte("half"), 0o644); err != nil {
			t.Fatal(err)
		}
		for ; path != dir; path = filepath.Dir(path) {
			if err := os.Chtimes(path, when, when); err != nil {
				t.Fatal(err)
			}
		}
	}
	gone := []string{"bounces/.click.wav.12345.partial", "reference/.sound-991.tmp", ".tenor.zip.77.partial/sing-to-this.wav"}
	kept := []string{"bounces/click.wav", "bounces/.click.wav.partial", "bounces/.click.wav.12x.partial", "bounces/.bounce-12.part", ".sound-.tmp", "sound-1.tmp",
		"takes/a/.001.wav.12.partial", "takes/a/001.wav", "notes.12.partial", ".12.partial", ".git/.x.12.partial"}
	for _, name := range slices.Concat(gone, kept) {
		put(name, old)
	}
	put("bounces/.stem.wav.5.partial", time.Now())
	put(".alto.zip.6.partial/fresh.wav", time.Now())
	if err := os.Chtimes(filepath.Join(dir, ".alto.zip.6.partial"), old, old); err != nil {
		t.Fatal(err)
	}
	kept = append(kept, "bounces/.stem.wav.5.partial", ".alto.zip.6.partial/fresh.wav", "bounces/.link.7.partial")
	if err := os.Symlink(outside, filepath.Join(dir, "bounces/.link.7.partial")); err != nil {
		t.Fatal(err)
	}
	removed := ClearLeftovers(&score.Folder{Dir: dir}, time.Now())
	if want := []string{".tenor.zip.77.partial", "reference/.sound-991.tmp", "bounces/.click.wav.12345.partial"}; !slices.Equal(removed, want) {
		t.Errorf("removed %v, want %v", removed, want)
	}
	for _, name := range gone {
		if _, err := os.Lstat(filepath.Join(dir, name)); err == nil {
			t.Errorf("%s is still there", name)
		}
	}
	for _, name := range kept {
		if _, err := os.Lstat(filepath.Join(dir, name)); err != nil {
			t.Errorf("%s is gone: %v", name, err)
		}
	}
	// What our own writer would leave is known.
	var passing string
	err := writeFile(filepath.Join(dir, "bounces", "x.wav"), func(f *os.File) error {
		passing = filepath.Base(f.Name())
		return nil
	})
	if err != nil || !isLeftover(passing) {
		t.Errorf("%q, %v", passing, err)
	}
	if removed := ClearLeftovers(&score.Folder{Dir: filepath.Join(dir, "not there")}, time.Now()); removed != nil {
		t.Errorf("of no folder: %v", removed)
	}
}
