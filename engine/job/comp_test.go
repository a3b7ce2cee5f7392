package job

import (
	"context"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// sungScore is a score of 100 frames at 24000/1001 with two bars and one layer
// of two takes, each from sample 0 to the end: one sample in ten has a sign of
// its own, so that a place can be told by its value.
func sungScore(t *testing.T) (*score.Folder, [][]float32) {
	t.Helper()
	s := &score.Score{Title: "comp", SampleRate: 48000, Layers: []score.Layer{{Name: "alto"}},
		Map: &tempo.Map{Style: tempo.Steady, Sections: []tempo.Section{{Bars: 2, FramesPerQuarter: timecode.R(12, 1)}}}}
	s.Reference = score.Reference{Rate: timecode.Rate23976, Frames: 100}
	dir := filepath.Join(t.TempDir(), "s")
	if _, err := score.Create(dir, func(string) (*score.Score, error) { return s, nil }); err != nil {
		t.Fatal(err)
	}
	f, err := score.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	var sounds [][]float32
	for seed := range uint64(2) {
		x := make([]float32, s.Length())
		r := rand.New(rand.NewPCG(seed, 5))
		for i := range x {
			x[i] = float32(r.IntN(1<<20)-1<<19) / (1 << 23) // exact at 24 bits
		}
		addTake(t, f, x, 0)
		sounds = append(sounds, x)
	}
	return f, sounds
}

func addTake(t *testing.T, f *score.Folder, x []float32, start int64) take.Info {
	t.Helper()
	w, err := take.Create(f.Dir, "alto", take.Info{Start: start, SampleRate: 48000, RoundTripKnown: take.Typed})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Append(x); err != nil {
		t.Fatal(err)
	}
	i, err := w.Finish()
	if err != nil {
		t.Fatal(err)
	}
	return i
}

func soundNow(t *testing.T, f *score.Folder) (layerSound, []float32) {
	t.Helper()
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	snd, ok, err := soundOf(f, s.Layer("alto"))
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	x, err := snd.read(context.Background(), f, s.SampleRate)
	if err != nil {
		t.Fatal(err)
	}
	return snd, x
}

// A nudge moves a take by exactly so many samples, in the layer's sound and in
// the stem.
func TestNudgeIsExact(t *testing.T) {
	for by, want := range map[string]int64{"+480": 480, "-12ms": -576, "+2f": 4004, "-0.5f": -1001, "+0.01ms": 0} {
		f, sounds := sungScore(t)
		if want == 0 {
			if _, err := NudgeTake(f, "alto", "002", by); fault.KindOf(err) != fault.Usage {
				t.Errorf("%s: %v", by, err)
			}
			continue
		}
		if _, err := NudgeTake(f, "alto", "002", by); err != nil {
			t.Fatal(err)
		}
		snd, x := soundNow(t, f)
		if snd.comp.Start() != want || x[1000] != sounds[1][1000] {
			t.Errorf("%s: starts at %d, want %d", by, snd.comp.Start(), want)
		}
		path := filepath.Join(t.TempDir(), "stem.wav")
		if _, err := Bounce(context.Background(), f, BounceOptions{Path: path, Bits: 32}); err != nil {
			t.Fatal(err)
		}
		stem := readStereo(t, path)
		ratio := 0.0
		for i := 20_000; i < 20_100; i++ {
			a, b := stem[2*i], sounds[1][int64(i)-want]
			if ratio == 0 {
				ratio = float64(a) / float64(b)
			}
			if math.Abs(float64(a)-ratio*float64(b)) > 1e-6 {
				t.Fatalf("%s: the stem's sample %d is %v, the take's %v times %v", by, i, a, b, ratio)
			}
		}
	}
}

func readStereo(t *testing.T, path string) []float32 {
	t.Helper()
	r, err := audiofile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	x := make([]float32, r.Frames()*2)
	for n := 0; n < len(x); {
		k, err := r.Read(x[n:])
		if n += 2 * k; k == 0 {
			t.Fatal(err)
		}
	}
	return x
}

// 2 frames at 30000/1001 and 48 kHz are 3203.2 samples, at 25 fps 3840.
func TestParseNudge(t *testing.T) {
	for _, c := range []struct {
		text string
		rate timecode.Rate
		want int64
		kind fault.Kind
		ok   bool
	}{
		{"+2f", timecode.Rate2997, 3203, 0, true}, {"-2f", timecode.Rate2997, -3203, 0, true}, {"+2f", timecode.Rate{Num: 25, Den: 1}, 3840, 0, true},
		{"-1.5ms", timecode.Rate23976, -72, 0, true}, {"+7", timecode.Rate23976, 7, 0, true}, {"0", timecode.Rate23976, 0, 0, true},
		{"7", timecode.Rate23976, 0, fault.Usage, false}, {"+1/3f", timecode.Rate23976, 0, fault.Usage, false}, {"", timecode.Rate23976, 0, fault.Usage, false},
		{"+", timecode.Rate23976, 0, fault.Usage, false}, {"+2s", timecode.Rate23976, 0, fault.Usage, false}, {"+0.3", timecode.Rate23976, 0, fault.Usage, false},
		{"+99999999999", timecode.Rate23976, 0, fault.OverLimit, false}, {"+1e300", timecode.Rate23976, 0, fault.Usage, false},
	} {
		got, err := ParseNudge(c.text, c.rate, 48000)
		if got != c.want || (err == nil) != c.ok || !c.ok && fault.KindOf(err) != c.kind {
			t.Errorf("%q: %d, %v; want %d (%v)", c.text, got, err, c.want, c.kind)
		}
	}
}

// A comp's joints move to a dip in both takes and stay: the sound is one take's
// up to the crossfade and the other's from its end, in the headphones too, and
// a second comp elsewhere leaves the place alone.
func TestCompIsHeardAsItIsRead(t *testing.T) {
	f, sounds := sungScore(t)
	const dip = 96_096 - 3_000 // bar 2 begins 48 frames of 2002 samples in
	for _, x := range sounds {
		clear(x[dip-480 : dip+480])
		addTake(t, f, x, 0) // takes 003 and 004

	}
	if err := UseTake(f, "alto", "003"); err != nil {
		t.Fatal(err)
	}
	s, _ := f.Load()
	bar, _, err := FindStretch(s, 2, 2, "")
	if err != nil || bar.From != 96_096 {
		t.Fatal(bar, err)
	}
	c, err := SetComp(f, CompWish{Layer: "alto", Take: "004", From: bar.From, To: bar.To, Where: "bar 2"})
	if err != nil {
		t.Fatal(err)
	}
	if in := c.Spans[0].In; in != (score.Joint{At: dip, Fade: 960}) {
		t.Fatalf("the joint is %+v, want %d", in, dip)
	}
	_, x := soundNow(t, f)
	for i := range dip + 40_000 {
		want := sounds[0][i]
		if i >= dip {
			want = sounds[1][i]
		}
		if x[i] != want {
			t.Fatalf("sample %d is %v, want %v", i, x[i], want)
		}
	}
	s, _ = f.Load()
	m := &monitor{}
	if err := m.addLayer(f, s, "alto", 1); err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	live := make([]float32, len(x))
	if n, err := m.heard[0].src.Read(live); n != len(x) {
		t.Fatal(n, err)
	}
	for i := range x {
		if live[i] != x[i] {
			t.Fatalf("the headphones' sample %d is %v, the layer's %v", i, live[i], x[i])
		}
	}
	c, err = SetComp(f, CompWish{Layer: "alto", Take: "002", From: 4_800, To: 24_000, Where: "a bit"})
	if err != nil || len(c.Spans) != 2 || c.Spans[1].In.At != dip {
		t.Errorf("%+v, %v", c.Spans, err)
	}
}

// A take that does not hold the stretch is refused; one that is nudged out of
// it, or gone, is told wherever the layer is used.
func TestCompNeverFallsSilentWithoutAWord(t *testing.T) {
	f, _ := sungScore(t)
	addTake(t, f, make([]float32, 20_000), 96_000)
	if err := UseTake(f, "alto", "001"); err != nil {
		t.Fatal(err)
	}
	w := CompWish{Layer: "alto", Take: "003", From: 100_000, To: 120_000, Where: "bar 2"}
	if _, err := SetComp(f, w); fault.KindOf(err) != fault.Usage {
		t.Errorf("a stretch beyond the take: %v", err)
	}
	w.To = 114_000
	if _, err := SetComp(f, w); err != nil {
		t.Fatal(err)
	}
	if _, err := NudgeTake(f, "alto", "003", "+10000"); err != nil {
		t.Fatal(err)
	}
	c, err := ShowComp(f, "alto")
	if err != nil || len(c.Notes) != 1 {
		t.Errorf("a take that begins too late is not told: %q, %v", c.Notes, err)
	}
	if _, err := NudgeTake(f, "alto", "003", "+40000"); err != nil {
		t.Fatal(err)
	}
	if _, err := Check(context.Background(), f, "", nil); fault.KindOf(err) != fault.Malformed {
		t.Errorf("check of a stretch without sound: %v", err)
	}
	if _, err := Bounce(context.Background(), f, BounceOptions{}); fault.KindOf(err) != fault.Malformed {
		t.Errorf("bounce of a stretch without sound: %v", err)
	}
}

// While another program edits, reading goes on and an edit says plainly why not.
func TestSecondProgramReads(t *testing.T) {
	f, _ := sungScore(t)
	other, err := score.Open(f.Dir)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	_, err = f.Edit("held", func(s *score.Score) error {
		if _, err := other.Load(); err != nil {
			t.Errorf("loading: %v", err)
		}
		if takes, err := Takes(other, ""); err != nil || len(takes[0].Takes) != 2 {
			t.Errorf("takes: %v", err)
		}
		if _, err := ShowComp(other, "alto"); err != nil {
			t.Errorf("comp: %v", err)
		}
		if _, err := Check(context.Background(), other, "", nil); err != nil {
			t.Errorf("check: %v", err)
		}
		if _, err := other.History(); err != nil {
			t.Errorf("history: %v", err)
		}
		if _, err := RateTake(other, "alto", "001", 3); fault.KindOf(err) != fault.Conflict {
			t.Errorf("an edit: %v", err)
		} else {
			t.Log(err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := RateTake(other, "alto", "001", 3); err != nil {
		t.Errorf("after it: %v", err)
	}
}
