package job

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// shotScore has a hard cut, a dissolve, and two cuts of one name.
func shotScore() *score.Score {
	s := &score.Score{Title: "shots", SampleRate: 48000}
	s.Reference = score.Reference{Rate: timecode.Rate2997, Frames: 300}
	for _, c := range []cutlist.Cut{{Frame: 30, Name: "the door"}, {Frame: 60, End: 72, Kind: cutlist.Dissolve, Name: "wave"}, {Frame: 100, Name: "wave"}, {Frame: 120, Name: "7"}} {
		c.Confidence = 1
		if c.Kind == "" {
			c.Kind, c.End = cutlist.HardCut, c.Frame
		}
		s.Cuts = append(s.Cuts, c)
	}
	return s
}

func TestFindShot(t *testing.T) {
	s := shotScore()
	for what, want := range map[string]Shot{
		"1": {"shot 1", 0, 30}, "2": {"shot 2", 30, 72}, "3": {"shot 3", 60, 100}, "5": {"shot 5", 120, 300},
		"the door": {"the door", 30, 72}, "The Door": {"the door", 30, 72}, "7": {"7", 120, 300},
		"0..300": {"frames 0 to 300", 0, 300}, "00:00:01:00..2s": {"frames 30 to 60", 30, 60}, "1.5s..100": {"frames 45 to 100", 45, 100},
	} {
		if got, err := FindShot(s, what); err != nil || got != want {
			t.Errorf("%q is %+v (%v), want %+v", what, got, err, want)
		}
	}
	for what, word := range map[string]string{"0": "1 to 5", "6": "1 to 5", "-1": "1 to 5", "s9": "1 to 5", "wave": "3, 4", "": "neither", "..": "beginning", "5..": "end", "..5": "beginning",
		"9..9": "no span", "0..301": "end", "window": "neither"} {
		if _, err := FindShot(s, what); fault.KindOf(err) != fault.Usage || !strings.Contains(err.Error(), word) {
			t.Errorf("%q: %v, want a word of %q", what, err, word)
		}
	}
	// A fade-out ends its shot where it has fallen; what is dark after it is no shot.
	s.Cuts = []cutlist.Cut{{Frame: 50, End: 60, Kind: cutlist.FadeOut}, {Frame: 80, End: 90, Kind: cutlist.FadeIn}}
	for what, want := range map[string]Shot{"s1": {"shot 1", 0, 60}, "S2": {"shot 2", 80, 300}} {
		if got, err := FindShot(s, what); err != nil || got != want {
			t.Errorf("%q is %+v (%v), want %+v", what, got, err, want)
		}
	}
}

// shotFolder has a reference that is heard everywhere.
func shotFolder(t *testing.T) (*score.Folder, []float32) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "s")
	s := shotScore()
	n := s.Length()
	x := singer.Voice{Seed: 1, SampleRate: 48000}.Sing([]singer.Note{{Length: n, Key: 57, Vowel: "a"}}, 0, n)
	_, err := score.Create(dir, func(staging string) (*score.Score, error) {
		s.Reference.Sound = soundName
		return s, writeWAV(filepath.Join(staging, soundName), audiofile.Format{SampleRate: 48000, Channels: 1, Bits: 24}, nil, func(w *audiofile.Writer) error { return w.Write(x) })
	})
	if err != nil {
		t.Fatal(err)
	}
	f, err := score.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f, x
}

// The file holds the reference's own samples of the shot, from the start on,
// with a cue there; beyond the reference's end there is silence.
func TestRehearseWritesTheShot(t *testing.T) {
	f, x := shotFolder(t)
	res, err := Rehearse(context.Background(), f, RehearseOptions{What: "2", Loops: 2, ReferenceDB: -6, LevelDB: -60})
	if err != nil {
		t.Fatal(err)
	}
	r, err := audiofile.Open(res.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	got := readMono(t, res.Path)
	if int64(len(got)) != res.Plan.Length || len(r.Cues()) != 2 {
		t.Fatalf("%d samples, %d cues", len(got), len(r.Cues()))
	}
	from := timecode.Rate2997.SampleOf(30, 48000)
	for i, pass := range res.Plan.Passes {
		if r.Cues()[i].Sample != pass.Start {
			t.Errorf("cue %d at %d, want %d", i, r.Cues()[i].Sample, pass.Start)
		}
		for k := int64(20000); k < 40000; k++ { // after the start's beep, before the first second's
			if d := math.Abs(float64(got[pass.Start+k]) - float64(x[from+k])*math.Pow(10, -6.0/20)); d > 1e-6 {
				t.Fatalf("pass %d, sample %d: off by %g", i, k, d)
			}
		}
	}
	// 00:00:00:00 less the lead: before midnight.
	day := int64(timecode.Rate2997.SampleOf(timecode.Rate2997.DayFrames(), 48000))
	if want := (from - res.Plan.Passes[0].Start + day) % day; r.Bext().TimeReference != want {
		t.Errorf("time reference %d, want %d", r.Bext().TimeReference, want)
	}
}

func TestRehearseRefusesWithoutTraces(t *testing.T) {
	f, _ := shotFolder(t)
	t.Setenv("PATH", t.TempDir())
	mp4 := filepath.Join(t.TempDir(), "a.mp4")
	if _, err := Rehearse(context.Background(), f, RehearseOptions{What: "2", ReferenceDB: -12, Path: mp4}); fault.KindOf(err) != fault.Missing || !strings.Contains(err.Error(), "install ffmpeg") {
		t.Errorf("without ffmpeg: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Rehearse(ctx, f, RehearseOptions{What: "2", ReferenceDB: -12}); fault.KindOf(err) != fault.Interrupted {
		t.Errorf("stopped: %v", err)
	}
	for _, dir := range []string{filepath.Dir(mp4), f.Path(score.BouncesDir)} {
		if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
			t.Errorf("%s holds %v (%v)", dir, left, err)
		}
	}
}

// A file's word is safe on any system.
func TestFileWord(t *testing.T) {
	for name, want := range map[string]string{"The Door!": "the-door", "../..": "span", "": "span", "frames 1 to 2": "frames-1-to-2", "Tür": "t-r"} {
		if got := fileWord(name); got != want {
			t.Errorf("%q is %q, want %q", name, got, want)
		}
	}
	if n := len(fileWord(strings.Repeat("a", 300))); n != 40 {
		t.Errorf("%d letters", n)
	}
}
