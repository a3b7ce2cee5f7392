package job

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/engine/score"
	"cuechoir/internal/decoder/decodertest"
	"cuechoir/internal/fault"
)

// shades is a film of flat frames, each brighter than the one before by step.
func shades(n, step int) []byte {
	f := decodertest.Film{W: 64, H: 48, RateNum: 25, RateDen: 1}
	for k := range n {
		f.Frames = append(f.Frames, bytes.Repeat([]byte{byte(k * step)}, 64*48))
	}
	return f.AVI()
}

// scoreBeside makes a score of a film; the film lies beside its folder.
func scoreBeside(t *testing.T, film []byte) (f *score.Folder, video string) {
	t.Helper()
	base := t.TempDir()
	video = filepath.Join(base, "film.avi")
	write(t, video, film)
	dir := filepath.Join(base, "score")
	if _, err := New(t.Context(), dir, NewOptions{Reference: video}); err != nil {
		t.Fatal(err)
	}
	f, err := score.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f, video
}

func write(t *testing.T, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
}

// shows opens the stills and holds each against its shade; it gives the note.
func shows(t *testing.T, f *score.Folder, o StillsOptions, n, step int) string {
	t.Helper()
	s, err := Stills(t.Context(), f, o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if s.Frames() != int64(n) {
		t.Errorf("%d stills, want %d", s.Frames(), n)
	}
	for k := range s.Frames() {
		p, err := s.Picture(k, 4)
		if err != nil || p.W != 4 || p.H != 3 || len(p.Pix) != 12 {
			t.Fatalf("%+v, %v", p, err)
		}
		if d := int(p.Pix[5]) - int(k)*step; d > 3 || d < -3 {
			t.Errorf("still %d is %d, want %d", k, p.Pix[5], int(k)*step)
		}
	}
	return s.Note
}

func TestStillsComeWithTheScore(t *testing.T) {
	t.Parallel()
	f, video := scoreBeside(t, shades(20, 9))
	whole, err := os.ReadFile(f.Path(stillsName))
	if err != nil {
		t.Fatal(err)
	}
	if note := shows(t, f, StillsOptions{}, 20, 9); note != "" {
		t.Errorf("whole stills: %s", note)
	}

	// Damaged, in whichever part: made anew, and told.
	broken := bytes.Clone(whole)
	broken[len(broken)/3] ^= 4
	write(t, f.Path(stillsName), broken)
	if note := shows(t, f, StillsOptions{}, 20, 9); !strings.Contains(note, "damaged") {
		t.Errorf("the note on damaged stills: %q", note)
	}
	if now, err := os.ReadFile(f.Path(stillsName)); err != nil || !bytes.Equal(now, whole) {
		t.Errorf("stills made anew are not those made first (%v)", err)
	}

	// The video was changed: its stills are no longer shown.
	write(t, video, shades(20, 5))
	if note := shows(t, f, StillsOptions{}, 20, 5); !strings.Contains(note, "another file") {
		t.Errorf("the note on a changed video: %q", note)
	}
	// Another film of that name: refused, and the stills stay.
	before, _ := os.ReadFile(f.Path(stillsName))
	write(t, video, shades(21, 5))
	if _, err := Stills(t.Context(), f, StillsOptions{}); fault.KindOf(err) != fault.Conflict || !strings.Contains(err.Error(), "21 frames") {
		t.Errorf("a longer film: %v", err)
	}
	if now, _ := os.ReadFile(f.Path(stillsName)); !bytes.Equal(now, before) {
		t.Error("a refused film changed the stills")
	}
}

func TestStillsWithoutTheirVideo(t *testing.T) {
	t.Parallel()
	f, video := scoreBeside(t, shades(3, 50))
	elsewhere := filepath.Join(t.TempDir(), "moved.avi")
	if err := os.Rename(video, elsewhere); err != nil {
		t.Fatal(err)
	}
	shows(t, f, StillsOptions{}, 3, 50) // whole stills need no video

	write(t, f.Path(stillsName), []byte("ccstill1 and no more"))
	if _, err := Stills(t.Context(), f, StillsOptions{}); fault.KindOf(err) != fault.Malformed || !strings.Contains(err.Error(), "--reference") {
		t.Errorf("damaged: %v", err)
	}
	if err := os.Remove(f.Path(stillsName)); err != nil {
		t.Fatal(err)
	}
	if _, err := Stills(t.Context(), f, StillsOptions{}); fault.KindOf(err) != fault.Missing || !strings.Contains(err.Error(), "film.avi") || !strings.Contains(err.Error(), "--reference") {
		t.Errorf("missing: %v", err)
	}
	if _, err := Stills(t.Context(), f, StillsOptions{Video: elsewhere + "x"}); fault.KindOf(err) != fault.Missing {
		t.Errorf("a name that leads nowhere: %v", err)
	}
	if note := shows(t, f, StillsOptions{Video: elsewhere}, 3, 50); note != "" {
		t.Errorf("the first making: %q", note)
	}
}

// TestStillsStayInTheScore: a stranger's score cannot have other files read or
// written.
func TestStillsStayInTheScore(t *testing.T) {
	t.Parallel()
	f, video := scoreBeside(t, shades(3, 50))
	for _, name := range []string{"../film.avi", "sub/film.avi", "..", ".", ""} {
		s := &score.Score{Reference: score.Reference{Source: name}}
		if v, err := findVideo(f, s, ""); err != nil || v.path != "" {
			t.Errorf("%q was found at %q, %v", name, v.path, err)
		}
	}
	outside := t.TempDir()
	write(t, filepath.Join(outside, "secret.avi"), shades(3, 70))
	if err := os.Remove(video); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(outside, "secret.avi"), video); err != nil {
		t.Skipf("SKIPPED: no links here: %v", err)
	}
	if _, err := Stills(t.Context(), f, StillsOptions{}); err == nil || !strings.Contains(err.Error(), "film.avi") {
		t.Errorf("a video that is a link out: %v", err)
	}
	if err := os.Remove(video); err != nil {
		t.Fatal(err)
	}
	write(t, video, shades(3, 60))
	if err := os.RemoveAll(f.Path("reference")); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(outside, f.Path("reference")); err != nil {
		t.Fatal(err)
	}
	if _, err := Stills(t.Context(), f, StillsOptions{}); err == nil {
		t.Error("stills were written through a link out of the score")
	}
	if left, _ := os.ReadDir(outside); len(left) != 1 {
		t.Errorf("outside the score: %v", left)
	}
}

func TestNoStillsOfSound(t *testing.T) {
	f, err := score.Open(oldScore(t))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.Edit("sound alone", func(s *score.Score) error {
		s.Reference.Samples = s.Length()
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := Stills(t.Context(), f, StillsOptions{}); fault.KindOf(err) != fault.Unsupported {
		t.Error(err)
	}
}

// oldScore is a copy of a small score.
func oldScore(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "old")
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "testdata", "score-v1"))); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestStillWidths(t *testing.T) {
	t.Parallel()
	f, _ := scoreBeside(t, shades(2, 90))
	s, err := Stills(t.Context(), f, StillsOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if p, err := s.Picture(1, 0); err != nil || p.W != 64 || p.H != 48 {
		t.Errorf("its own size is %d by %d, %v", p.W, p.H, err)
	}
	if p, err := s.Picture(1, 100); err != nil || p.W != 100 || p.H != 75 {
		t.Errorf("100 wide it is %d by %d, %v", p.W, p.H, err)
	}
	if text, err := s.Draw(1, 80, 23, 0); err != nil || strings.Count(text, "\n") != 23 || len([]rune(text)) != 23*62 {
		t.Errorf("drawn: %q, %v", text, err) // 4:3 in 23 rows of cells 1:2 is 61 columns
	}
	for _, w := range []int{-1, 1001} {
		if _, err := s.Picture(0, w); fault.KindOf(err) != fault.Usage {
			t.Errorf("%d wide: %v", w, err)
		}
	}
	if _, err := s.Picture(2, 0); fault.KindOf(err) != fault.Usage {
		t.Errorf("no such frame: %v", err)
	}
}
