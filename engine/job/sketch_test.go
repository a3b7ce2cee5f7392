package job

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// hummedScore is a score whose bar 1 begins two seconds in, slower from bar 2 on,
// and a file of its first bars, cleanly hummed from the picture's start on, forty
// cents flat.
func hummedScore(t *testing.T) (*score.Folder, string, []part.Note) {
	t.Helper()
	s := &score.Score{Title: "hum", SampleRate: 48000, Map: &tempo.Map{Style: tempo.Stepped, Start: timecode.Int(48), Sections: []tempo.Section{
		{Bars: 1, FramesPerQuarter: timecode.R(14, 1)}, {Bars: 3, FramesPerQuarter: timecode.R(16, 1)}}}}
	s.Reference = score.Reference{Rate: timecode.Rate{Num: 24, Den: 1}, Frames: 300}
	dir := filepath.Join(t.TempDir(), "s")
	if _, err := score.Create(dir, func(string) (*score.Score, error) { return s, nil }); err != nil {
		t.Fatal(err)
	}
	f, err := score.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	grid, err := Grid(s)
	if err != nil {
		t.Fatal(err)
	}
	var want []part.Note
	var sung []singer.Note
	at := timecode.Int(0)
	for i, key := range []uint8{57, 60, 64, 62, 60, 59, 57, 57} {
		n := part.Note{Start: at, Length: []timecode.Ratio{timecode.Int(1), timecode.R(1, 2), timecode.R(3, 2)}[i%3], Key: key}
		at = n.End()
		want = append(want, n)
		from, to := grid.SampleAt(n.Start, 48000), grid.SampleAt(n.End(), 48000)
		sung = append(sung, singer.Note{Start: from, Length: to - from, Key: float64(key) - 0.4, Vowel: "a", Consonant: "t"})
	}
	v := singer.Voice{Seed: 2, SampleRate: 48000, NoiseDB: -60}
	path := filepath.Join(t.TempDir(), "hum.wav")
	if err := audiotest.Write(path, 48000, 24, v.Sing(sung, 0, s.Length())); err != nil {
		t.Fatal(err)
	}
	return f, path, want
}

// What is written as a Standard MIDI File begins on bar 1, with the map's tempos
// from there on, and gives the same notes when it is read.
func TestSketchAsSMF(t *testing.T) {
	f, hum, want := hummedScore(t)
	out := filepath.Join(t.TempDir(), "hum.mid")
	res, err := Sketch(context.Background(), f, SketchOptions{File: hum, SMF: out}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := res.Part("").Notes; !reflect.DeepEqual(got, want) {
		t.Fatalf("%v, hummed was %v", got, want)
	}
	p, remarks, err := ReadPart(out, part.ReadOptions{})
	if err != nil || len(remarks) != 0 || !reflect.DeepEqual(p.Notes, want) {
		t.Errorf("read back: %v %v %v", p.Notes, remarks, err)
	}
	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	m, _, _, err := part.ReadMap(bytes.NewReader(text), out, timecode.Rate{Num: 24, Den: 1}, timecode.Int(48))
	if err != nil {
		t.Fatal(err)
	}
	g, err := tempo.NewGrid(m, timecode.Rate{Num: 24, Den: 1}, 300)
	if err != nil {
		t.Fatal(err)
	}
	// 48 frames to bar 1, four quarters of 14, then of 16; 2000 samples a frame.
	for q, frame := range map[int64]int64{0: 48, 2: 76, 4: 104, 6: 136} {
		if d := g.SampleAt(timecode.Int(q), 48000) - 2000*frame; d < -24 || d > 24 {
			t.Errorf("quarter %d lies %d samples off", q, d)
		}
	}
}

// A sketch is kept as one step that can be taken back; a part gives way only
// when that is said, and what is refused changes nothing.
func TestSketchIsKept(t *testing.T) {
	f, hum, want := hummedScore(t)
	ctx := context.Background()
	notes := func() []part.Note {
		s, err := f.Load()
		if err != nil {
			t.Fatal(err)
		}
		if l := s.Layer("tune"); l != nil {
			return l.Notes
		}
		return nil
	}
	res, err := Sketch(ctx, f, SketchOptions{Layer: "tune", File: hum, Keep: true}, nil)
	if err != nil || !res.Kept || !res.Added || !reflect.DeepEqual(notes(), want) {
		t.Fatalf("%v, kept %v, added %v: %v", err, res.Kept, res.Added, notes())
	}
	o := SketchOptions{Layer: "tune", File: hum, Keep: true}
	o.Read.Octaves = 1
	if _, err := Sketch(ctx, f, o, nil); fault.KindOf(err) != fault.Conflict || !reflect.DeepEqual(notes(), want) {
		t.Errorf("a part was written over: %v", err)
	}
	o.Replace = true
	if res, err = Sketch(ctx, f, o, nil); err != nil || res.Replaced != len(want) || notes()[0].Key != want[0].Key+12 {
		t.Errorf("%v, %d notes gave way, %v", err, res.Replaced, notes())
	}
	if _, _, err := f.Undo(1); err != nil || !reflect.DeepEqual(notes(), want) {
		t.Errorf("after undo: %v %v", err, notes())
	}
	stopped, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := Sketch(stopped, f, o, nil); err == nil || !reflect.DeepEqual(notes(), want) {
		t.Errorf("a stopped sketch was kept: %v", err)
	}
	for _, o := range []SketchOptions{{}, {Keep: true, File: hum}, {Layer: "no/name", File: hum, Keep: true}} {
		if _, err := Sketch(ctx, f, o, nil); fault.KindOf(err) != fault.Usage {
			t.Errorf("%+v: %v", o, err)
		}
	}
	if _, err := Sketch(ctx, f, SketchOptions{File: hum, At: 48000 * 3600}, nil); fault.KindOf(err) != fault.NotMet || !strings.Contains(err.Error(), "hum.wav") {
		t.Errorf("far behind the map: %v", err)
	}
}
