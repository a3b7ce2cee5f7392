package job

import (
	"context"
	"math"
	"path/filepath"
	"testing"

	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/timecode"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// What is played from anywhere, over and over, is the take's own samples at
// their places, but for the 2 ms in which a cut of the sound is faded.
func TestPlayLoopsTheTakesOwnSamples(t *testing.T) {
	f, sounds := sungScore(t)
	path := filepath.Join(t.TempDir(), "heard.wav")
	const from, to, edge = 20_001, 53_456, 240
	res, err := PlayToFile(context.Background(), f, path, PlayOptions{Stretch: Stretch{from, to}, Passes: 3, NoClick: true, Hear: Hear{Layers: []Heard{{Layer: "alto"}}}})
	if err != nil || res.Played.Frames != 3*(to-from) || res.Played.Limited != 0 {
		t.Fatalf("%+v %v", res, err)
	}
	x := readMono(t, path)
	if len(x) != 3*(to-from) {
		t.Fatalf("%d samples", len(x))
	}
	for i, v := range x {
		at := i % (to - from)
		want := sounds[1][from+at]
		if at < edge || at >= to-from-edge {
			if math.Abs(float64(v)) > math.Abs(float64(want))+1e-6 {
				t.Fatalf("sample %d is %v in a fade, the take's is %v", i, v, want)
			}
			continue
		}
		if math.Abs(float64(v-want)) > 1.0/(1<<23) {
			t.Fatalf("pass %d: sample %d is %v, want %v", i/(to-from), from+at, v, want)
		}
	}
}

// A guide is the part's notes: A3 at 220 Hz, silent where there is no note, each
// beginning on its sample, and the same wherever it is read from.
func TestGuide(t *testing.T) {
	f, _ := sungScore(t)
	s := withNotes(t, f, part.Note{Start: timecode.R(1, 1), Length: timecode.R(2, 1), Key: 57})
	g, err := newGuide(s, "alto", 0.5)
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, 120_000)
	g.add(x, 0)
	// A quarter is 12 frames of 2002 samples.
	const from, to = 24_024, 3 * 24_024
	for i, v := range x {
		if (i <= from || i >= to-1) && v != 0 {
			t.Fatalf("sample %d is %v, the note is from %d to %d", i, v, from, to)
		}
	}
	if x[from+2] == 0 || x[to-3] == 0 {
		t.Error("the note does not reach to its ends")
	}
	rises := 0
	for i := from + 4000; i < to-4000; i++ {
		if x[i] < 0 && x[i+1] >= 0 {
			rises++
		}
	}
	if want := 220.0 * (to - from - 8000) / 48000; math.Abs(float64(rises)-want) > 1 {
		t.Errorf("%d periods, want %.1f", rises, want)
	}
	y := make([]float32, 777)
	g.add(y, 50_000)
	for i, v := range y {
		if v != x[50_000+i] {
			t.Fatalf("read from elsewhere sample %d is %v, want %v", 50_000+i, v, x[50_000+i])
		}
	}
	if _, err := newGuide(withNotes(t, f), "alto", 1); fault.KindOf(err) != fault.Missing {
		t.Errorf("a guide of no notes: %v", err)
	}
}

func withNotes(t *testing.T, f *score.Folder, notes ...part.Note) *score.Score {
	t.Helper()
	s, err := f.Edit("notes", func(s *score.Score) error { s.Layers[0].Notes = notes; return nil })
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Bar 2 alone, with a bar of pre-roll, sung twice: two takes whose useful span
// is the bar, on its place; the take that was sung through stays in use.
func TestSingABarTwice(t *testing.T) {
	f, _ := sungScore(t)
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	bar, _, err := FindStretch(s, 2, 2, "")
	if err != nil || bar != (Stretch{48 * 2002, 96 * 2002}) {
		t.Fatalf("bar 2 is %+v, %v", bar, err)
	}
	o := SingOptions{Layer: "alto", RoundTrip: 700, RoundTripKnown: take.Typed, Stretch: bar, PreRoll: PreRoll{Bars: 1}, Passes: 2,
		Hear: Hear{Layers: []Heard{{Layer: "alto", LevelDB: -12}}}}
	run, err := SingRun(s, o)
	if err != nil || run.Start != 0 || run.To != bar.To+48_000 || run.From > -leadInMilliseconds*48 {
		t.Fatalf("%+v, %v", run, err)
	}
	o.Device = &device.Virtual{LoopDelay: 700, LoopGain: 1}
	res, err := Sing(context.Background(), f, o)
	if err != nil || len(res.Passes) != 2 {
		t.Fatalf("%d passes, %v", len(res.Passes), err)
	}
	for _, p := range res.Passes {
		in, out := p.Take.Wanted()
		if in != bar.From || out != bar.To || p.Take.Start != bar.From-48_000 || p.Take.End() != bar.To+48_000 {
			t.Errorf("%+v: wanted %d to %d", p.Take, in, out)
		}
	}
	if snd, _ := soundNow(t, f); snd.takes[0].ID != "002" {
		t.Errorf("a patch is in use: take %s", snd.takes[0].ID)
	}
}
