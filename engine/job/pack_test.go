package job

import (
	"archive/zip"
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/pack"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// packFolder is a score of 10 s with a reference, a map at 15 frames a beat, and
// a layer of six notes.
func packFolder(t *testing.T) *score.Folder {
	t.Helper()
	f, _ := shotFolder(t)
	_, err := f.Edit("a map and a part", func(s *score.Score) error {
		s.Map = &tempo.Map{Style: tempo.Steady, Sections: []tempo.Section{{Bars: 5, FramesPerQuarter: timecode.Int(15)}}}
		l := score.Layer{Name: "alto"}
		for i, key := range []uint8{57, 60, 64, 59, 62, 57} {
			l.Notes = append(l.Notes, part.Note{Start: timecode.Int(int64(4 + 2*i)), Length: timecode.Int(2), Key: key})
		}
		s.Layers = append(s.Layers, l)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// The sound that goes out has all in its place, quietly, and silence while
// hands are busy; the zip holds what the page says.
func TestPackHoldsWhatItSays(t *testing.T) {
	f := packFolder(t)
	out := filepath.Join(t.TempDir(), "friend")
	res, err := Pack(context.Background(), f, PackOptions{Layer: "alto", Path: out})
	if err != nil {
		t.Fatal(err)
	}
	x, l := readMono(t, filepath.Join(out, packSingName)), res.Layout
	if int64(len(x)) != l.Stop()-l.Start() {
		t.Fatalf("%d samples", len(x))
	}
	if peak := dsp.Peak(x); peak > 0.5 || peak < 0.1 {
		t.Errorf("peak %.2f: too loud, or nothing", peak)
	}
	at := func(from, to int64) []float32 { return x[from-l.Start() : to-l.Start()] }
	head, tail := l.Chirps(pack.Head), l.Chirps(pack.Tail)
	for _, quiet := range [][2]int64{{l.Start(), head[0]}, {head[2] + 24000, l.From}, {l.To, tail[0]}, {tail[2] + 24000, l.Stop()}} {
		if dsp.Peak(at(quiet[0], quiet[1])) != 0 {
			t.Errorf("from %d to %d it is not silent", quiet[0], quiet[1])
		}
	}
	for _, c := range append(head[:], tail[:]...) {
		if db := dsp.AmplitudeToDB(float64(dsp.Peak(at(c, c+24000)))); math.Abs(db-pack.ChirpDB) > 0.1 {
			t.Errorf("the chirp at %d peaks at %.1f dB", c, db)
		}
	}
	// The bare one is the same but for guide and reference: at a click's start.
	bare := readMono(t, filepath.Join(out, packBareName))
	if bare[-l.Start()+10] == 0 || dsp.Peak(bare[-l.Start()+5000:-l.Start()+20000]) != 0 {
		t.Error("the bare one is not the click alone")
	}
	if res, err = Pack(context.Background(), f, PackOptions{Layer: "alto"}); err != nil {
		t.Fatal(err)
	}
	z, err := zip.OpenReader(res.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	var names []string
	for _, file := range z.File {
		names = append(names, file.Name)
	}
	want := []string{"pack-alto/READ-ME-FIRST.txt", "pack-alto/read-me-first.html", "pack-alto/sing-to-this.wav", "pack-alto/sing-to-this-click-only.wav", "pack-alto/learn-your-part.wav"}
	if !slices.Equal(names, want) {
		t.Errorf("the zip holds %v", names)
	}
}

// A pack that is stopped leaves nothing, and what was kept before stays.
func TestPackLeavesNoTraces(t *testing.T) {
	f := packFolder(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	out := t.TempDir()
	for _, path := range []string{filepath.Join(out, "friend"), filepath.Join(out, "friend.zip"), ""} {
		if _, err := Pack(ctx, f, PackOptions{Layer: "alto", Path: path}); fault.KindOf(err) != fault.Interrupted {
			t.Errorf("%q: %v", path, err)
		}
	}
	for _, dir := range []string{out, f.Path(score.BouncesDir)} {
		if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
			t.Errorf("%s holds %v (%v)", dir, left, err)
		}
	}
}

// A friend's file of another rate, on a clock 200 ppm fast, becomes a take that
// lies on the dry voice, and says how.
func TestPackTakeLandsTheVoice(t *testing.T) {
	if underRace {
		t.Skip("one goroutine, and forty seconds of it under the detector")
	}
	f := packFolder(t)
	res, err := Pack(context.Background(), f, PackOptions{Layer: "alto"})
	if err != nil {
		t.Fatal(err)
	}
	l := res.Layout
	beat := int64(24024) // 15 frames of 30000/1001 at 48 kHz
	var notes []singer.Note
	for i, key := range []float64{57, 60, 64, 59, 62, 57} {
		notes = append(notes, singer.Note{Start: int64(4+2*i) * beat, Length: 2*beat - 3000, Key: key, Vowel: "o"})
	}
	voice := singer.Voice{Seed: 2, SampleRate: 48000}
	x := voice.Sing(notes, l.Start(), l.Stop()-l.Start())
	pack.NewMarks(l).Add(x, l.Start())
	// 44100 samples of this file are 1/1.0002 s of the friend's: read it so.
	y, err := dsp.Warp(x, int(float64(len(x))*1.0002)-1, func(k int) float64 { return float64(k) / 1.0002 })
	if err == nil {
		y, err = dsp.Resample(y, 48000, 44100)
	}
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "from ada.wav")
	stereo := make([]float32, 0, 2*len(y))
	for _, v := range y {
		stereo = append(stereo, v, v)
	}
	err = writeWAV(file, audiofile.Format{SampleRate: 44100, Channels: 2, Bits: 16}, nil, func(w *audiofile.Writer) error { return w.Write(stereo) })
	if err != nil {
		t.Fatal(err)
	}
	got, err := PackTake(context.Background(), f, PackTakeOptions{Layer: "alto", File: file})
	if err != nil {
		t.Fatal(err)
	}
	e := got.Take.Elsewhere
	if e == nil || e.File != "from ada.wav" || math.Abs(e.PPM-200) > 1 || !e.PPMKnown || got.Take.RoundTrip != 0 || got.Take.State != take.Whole {
		t.Errorf("%+v, %+v", got.Take, e)
	}
	_, r, err := take.Load(f.Dir, "alto", got.Take.ID)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	z := make([]float32, got.Take.Frames)
	if _, err := readFull(r, z); err != nil {
		t.Fatal(err)
	}
	dry := voice.Sing(notes, got.Take.Start, got.Take.Frames)
	worst := 0.0
	for i := range z {
		worst = max(worst, math.Abs(float64(z[i]-dry[i])))
	}
	t.Logf("the take differs from the dry voice by %.5f at most (peak %.3f)", worst, dsp.Peak(dry))
	if worst > 0.02*float64(dsp.Peak(dry)) { // a sample off would be ten times as much
		t.Errorf("the take differs from the dry voice by %.4f of %.3f", worst, dsp.Peak(dry))
	}
}

func TestPackTakeRefuses(t *testing.T) {
	f := packFolder(t)
	if _, err := PackTake(context.Background(), f, PackTakeOptions{Layer: "alto", File: "x.wav"}); fault.KindOf(err) != fault.Missing || !strings.Contains(err.Error(), "cuechoir pack alto") {
		t.Errorf("no pack: %v", err)
	}
	if _, err := Pack(context.Background(), f, PackOptions{Layer: "alto"}); err != nil {
		t.Fatal(err)
	}
	long := filepath.Join(t.TempDir(), "long.wav")
	err := writeWAV(long, audiofile.Format{SampleRate: 1000, Channels: 1, Bits: 16}, nil, func(w *audiofile.Writer) error {
		return w.Write(make([]float32, 1000*1900))
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := PackTake(context.Background(), f, PackTakeOptions{Layer: "alto", File: long}); fault.KindOf(err) != fault.OverLimit || !strings.Contains(err.Error(), "longer") {
		t.Errorf("half an hour: %v", err)
	}
	// A link in the place of the sheet that leads out of the score is not followed.
	sheet := f.Path(sheetName("alto"))
	if err := os.Rename(sheet, long+".json"); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(long+".json", sheet); err != nil {
		t.Skip("no links here")
	}
	if _, err := PackTake(context.Background(), f, PackTakeOptions{Layer: "alto", File: long}); fault.KindOf(err) != fault.Missing {
		t.Errorf("a link that leads out: %v", err)
	}
	if takes, err := take.List(f.Dir, "alto"); err != nil || len(takes) != 0 {
		t.Errorf("%v, %v", takes, err)
	}
}
