package job

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"cuechoir/engine/mix"
	"cuechoir/engine/pitch"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/engine/track"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// The level of a frame is the largest sample that lies in it, and of no other.
func TestLayerLevelsAreOfTheirFrames(t *testing.T) {
	f, sounds := sungScore(t)
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	levels, ok, err := LayerLevels(t.Context(), f, s, "alto")
	if err != nil || !ok || int64(len(levels)) != s.Reference.Frames {
		t.Fatalf("%d levels, %v, %v", len(levels), ok, err)
	}
	x := sounds[1] // the take in use
	for k := range min(s.Reference.Frames, 40) {
		from, to := s.Reference.Rate.SampleOf(k, s.SampleRate), s.Reference.Rate.SampleOf(k+1, s.SampleRate)
		want := float32(0)
		for i := from; i < to && i < int64(len(x)); i++ {
			want = max(want, x[i], -x[i])
		}
		if math.Abs(float64(levels[k]-want)) > 1.0/(1<<22) {
			t.Fatalf("frame %d measures %v, its samples reach %v", k, levels[k], want)
		}
	}
	if _, _, err := LayerLevels(t.Context(), f, s, "nobody"); fault.KindOf(err) != fault.Missing {
		t.Errorf("a layer that is not there: %v", err)
	}
	if _, err := ReferenceLevels(t.Context(), f, s); s.Reference.Sound == "" && fault.KindOf(err) != fault.Missing {
		t.Errorf("a reference without sound: %v", err)
	}
}

// The measured mix has a reading a frame, and reads what the bounce of the same
// layers reads.
func TestMeasureMixAgreesWithTheBounce(t *testing.T) {
	f, _ := sungScore(t)
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	m, err := MeasureMix(t.Context(), f, nil)
	if err != nil || int64(len(m.Peak)) != s.Reference.Frames || len(m.Momentary) != len(m.Peak) {
		t.Fatalf("%d peaks and %d readings of %d frames: %v", len(m.Peak), len(m.Momentary), s.Reference.Frames, err)
	}
	b, err := Bounce(t.Context(), f, BounceOptions{Bits: 32, CeilingDBTP: -0.01})
	if err != nil {
		t.Fatal(err)
	}
	got, want := m.Loudness, b.Mix.Loudness
	if math.Abs(got.IntegratedLUFS-(want.IntegratedLUFS-b.GainDB)) > 0.01 || math.Abs(got.SamplePeakDBFS-(want.SamplePeakDBFS-b.GainDB)) > 0.01 {
		t.Errorf("measured %.3f LUFS, peak %.3f; bounced %.3f and %.3f at %+.3f dB", got.IntegratedLUFS, got.SamplePeakDBFS,
			want.IntegratedLUFS, want.SamplePeakDBFS, b.GainDB)
	}
	levels, _, err := LayerLevels(t.Context(), f, s, "alto")
	if err != nil {
		t.Fatal(err)
	}
	left, _ := mix.PanGains(0)
	for k := 1; k < len(levels)-1; k++ { // the first and the last frame fade
		if want := left * float64(levels[k]); math.Abs(float64(m.Peak[k])-want) > 1e-5 {
			t.Fatalf("frame %d of the mix reaches %v, its one layer %v", k, m.Peak[k], want)
		}
	}
	// A layer is watched behind its strip and fader, its group behind its own.
	if _, err := f.Edit("a strip", func(s *score.Score) error {
		l := &s.Layers[0]
		l.Group, l.GainDB = "choir", -6
		s.Desk.Group("choir").GainDB = -4
		return l.Strip.Chain.Set("trim db=3")
	}); err != nil {
		t.Fatal(err)
	}
	w, err := MeasureMix(t.Context(), f, nil)
	if err != nil || int64(len(w.Layers["alto"])) != s.Reference.Frames || int64(len(w.Groups["choir"])) != s.Reference.Frames {
		t.Fatalf("%d and %d levels of %d frames: %v", len(w.Layers["alto"]), len(w.Groups["choir"]), s.Reference.Frames, err)
	}
	for k := 1; k < len(levels)-1; k++ {
		layer := left * float64(levels[k]) * mix.Gain(3-6)
		if math.Abs(float64(w.Layers["alto"][k])-layer) > 1e-5 || math.Abs(float64(w.Groups["choir"][k])-layer*mix.Gain(-4)) > 1e-5 {
			t.Fatalf("frame %d: the layer at %v, its group at %v, want %v and %v", k, w.Layers["alto"][k], w.Groups["choir"][k], layer, layer*mix.Gain(-4))
		}
	}
	if peak := 20 * math.Log10(float64(slices.Max(m.Peak))); math.Abs(peak-got.SamplePeakDBFS) > 0.01 {
		t.Errorf("the loudest frame is %.3f dBFS, the mix %.3f", peak, got.SamplePeakDBFS)
	}
}

// A tone at the microphone is read as its pitch, at its place on the timeline.
func TestEarReadsThePitchWhereItIsSung(t *testing.T) {
	const sr, from, roundTrip, begins = 48000, -9600, 480, 24000
	mic := make([]float32, 2*sr)
	for i := begins - from; i < len(mic); i++ {
		x := 2 * math.Pi * 330 * float64(i) / sr
		mic[i] = float32(0.2*math.Sin(x) + 0.1*math.Sin(2*x) + 0.05*math.Sin(3*x))
	}
	dev := &device.Virtual{SampleRate: sr, Microphone: mic, MicrophoneAt: roundTrip, InChannels: 2}
	ear, err := NewEar(dev, 1, from, roundTrip)
	if err != nil {
		t.Fatal(err)
	}
	var got []Reading
	_, err = track.RecordPasses(t.Context(), ear, track.Plan{SampleRate: sr, From: from, To: int64(len(mic)) + from, RoundTrip: roundTrip, InputChannel: 1}, 1,
		scratchTake(t, from-roundTrip), func(track.Status) {
			got = append(got, ear.Listen()...)
		})
	if err != nil {
		t.Fatal(err)
	}
	if len(got) < 100 {
		t.Fatalf("only %d readings", len(got))
	}
	want := pitch.Cents(330)
	for i, r := range got {
		if i > 0 && r.Sample <= got[i-1].Sample {
			t.Fatalf("reading at %d after %d", r.Sample, got[i-1].Sample)
		}
		switch {
		case r.Sample < begins-2400 && r.Voiced:
			t.Errorf("a voice at %d, before it begins at %d", r.Sample, begins)
		case r.Sample > begins+2400 && (!r.Voiced || math.Abs(r.Cents-want) > 5):
			t.Errorf("at %d the reading is %+v, want %.0f cents", r.Sample, r, want)
		}
	}
}

// The clock runs by the wall, loops, and stops when told.
func TestRunSilent(t *testing.T) {
	var last int64
	passes := 0
	err := RunSilent(t.Context(), Stretch{1000, 1000 + 2400}, 48000, 2, func(pass int, at int64) {
		if at < 1000 || at > 3400 {
			t.Errorf("at %d, outside the stretch", at)
		}
		last, passes = at, pass
	})
	if err != nil || last != 3400 || passes != 1 {
		t.Errorf("ended at %d in pass %d: %v", last, passes, err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := RunSilent(ctx, Stretch{0, 1 << 40}, 48000, Endless, func(int, int64) {}); err != nil {
		t.Errorf("stopped: %v", err)
	}
	if err := RunSilent(t.Context(), Stretch{5, 5}, 48000, 1, func(int, int64) {}); fault.KindOf(err) != fault.Usage {
		t.Errorf("an empty stretch: %v", err)
	}
}

// Marks, faders and pins are steps of the history, each of its own name.
func TestScreenEdits(t *testing.T) {
	f, _ := sungScore(t)
	labels := func() (out []string) {
		h, err := f.History()
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range h.Steps {
			out = append(out, s.Label)
		}
		return out
	}
	before := len(labels())
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	there, err := MarkHit(f, 12, true)
	must(err)
	if s, _ := f.Load(); !there || len(s.Hits) != 1 || !s.Hits[0].Must {
		t.Errorf("no must-hit: %v", s.Hits)
	}
	_, err = MarkHit(f, 12, false)
	must(err)
	must(NameHit(f, 12, "door"))
	on, err := LandHit(f, 12)
	must(err)
	if s, _ := f.Load(); on != tempo.LandsBeat || s.Hits[0].Must || s.Hits[0].Tolerance != score.DefaultWantTolerance || s.Hits[0].Name != "door" {
		t.Errorf("the hit is %+v", s.Hits[0])
	}
	there, err = MarkHit(f, 12, false)
	must(err)
	if s, _ := f.Load(); there || len(s.Hits) != 0 {
		t.Errorf("the hit stands: %v", s.Hits)
	}
	db, err := MoveFader(f, "alto", -1.5)
	must(err)
	pan, err := MovePan(f, "alto", 3)
	must(err)
	out, err := ToggleMute(f, "alto")
	must(err)
	s, _ := f.Load()
	if l := s.Layer("alto"); l.GainDB != db || l.Pan != 1 || pan != 1 || !l.Mute || !out {
		t.Errorf("the strip is %+v", l)
	}
	there, err = ToggleCut(f, 30)
	must(err)
	if c, ok := mustLoad(t, f).Cut(30); !there || !ok || !c.Hand {
		t.Errorf("the cut is %+v", c)
	}
	there, err = ToggleCut(f, 30)
	must(err)
	if _, ok := mustLoad(t, f).Cut(30); there || ok {
		t.Error("the cut stands")
	}
	if n := len(labels()) - before; n != 10 {
		t.Errorf("%d steps in the history, want 10: %v", n, labels())
	}
	if _, err := MarkHit(f, 1<<40, true); fault.KindOf(err) != fault.Usage {
		t.Errorf("a hit outside: %v", err)
	}
	if err := NameHit(f, 3, "x"); fault.KindOf(err) != fault.Missing {
		t.Errorf("a name without a hit: %v", err)
	}
}

// What is offered is not stored; what is kept is the map that was offered, and
// a pin holds it.
func TestOfferKeepAndPinMaps(t *testing.T) {
	f, _ := sungScore(t)
	for _, frame := range []int64{0, 48} {
		if _, err := MarkHit(f, frame, true); err != nil {
			t.Fatal(err)
		}
	}
	s := mustLoad(t, f)
	before := s.Map
	answers, err := OfferMaps(t.Context(), s, tempo.Options{Style: tempo.Steady})
	if err != nil || len(answers) == 0 {
		t.Fatalf("%d answers: %v", len(answers), err)
	}
	if got := mustLoad(t, f).Map; (got == nil) != (before == nil) {
		t.Error("an offer was stored")
	}
	if _, err := KeepMap(f, answers[0].Map, "map kept"); err != nil {
		t.Fatal(err)
	}
	got := mustLoad(t, f).Map
	if got == nil || got.Start != answers[0].Map.Start || len(got.Sections) != len(answers[0].Map.Sections) {
		t.Errorf("kept %+v, offered %+v", got, answers[0].Map)
	}
	p, pinned, err := PinNearest(f, 48)
	if err != nil || !pinned || len(mustLoad(t, f).Map.Pins) != 1 {
		t.Fatalf("%v %v %v", p, pinned, err)
	}
	if _, pinned, err = PinNearest(f, 48); err != nil || pinned || len(mustLoad(t, f).Map.Pins) != 0 {
		t.Errorf("still pinned: %v", err)
	}
}

func mustLoad(t *testing.T, f *score.Folder) *score.Score {
	t.Helper()
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A ridden fader is where it was put from each move on, moves in 20 ms, and is
// as it was before and after.
func TestRideFader(t *testing.T) {
	f, _ := sungScore(t)
	ride := func(x Stretch, moves ...mix.Knot) error { return RideFader(f, "alto", false, x, moves) }
	if err := ride(Stretch{10_000, 60_000}, mix.Knot{At: 20_000, DB: -3}, mix.Knot{At: 40_000, DB: 2}); err != nil {
		t.Fatal(err)
	}
	a := mustLoad(t, f).Layer("alto").Strip.Automation
	for at, want := range map[int64]float64{0: 0, 10_000: 0, 19_040: 0, 20_000: -3, 30_000: -3, 39_040: -3, 39_520: -0.5, 40_000: 2, 60_000: 2, 60_960: 0, 90_000: 0} {
		if got := FaderAt(a, at); math.Abs(got-want) > 1e-9 {
			t.Errorf("at %d the fader is at %v dB, want %v", at, got, want)
		}
	}
	if err := ride(Stretch{30_000, 35_000}, mix.Knot{At: 31_000, DB: 6}); err != nil {
		t.Fatal(err)
	}
	a = mustLoad(t, f).Layer("alto").Strip.Automation
	for at, want := range map[int64]float64{29_000: -3, 31_000: 6, 35_000: 6, 35_960: -3, 40_000: 2} {
		if got := FaderAt(a, at); math.Abs(got-want) > 1e-9 {
			t.Errorf("ridden twice: at %d the fader is at %v dB, want %v", at, got, want)
		}
	}
	if err := ride(Stretch{0, 10}, mix.Knot{At: 11}); fault.KindOf(err) != fault.Usage {
		t.Errorf("a move outside: %v", err)
	}
	if err := RideFader(f, "brass", true, Stretch{0, 10}, nil); fault.KindOf(err) != fault.Missing {
		t.Errorf("a group that is not there: %v", err)
	}
}

// scratchTake makes takes in a score of its own.
func scratchTake(t *testing.T, start int64) func(int) (*take.Writer, error) {
	t.Helper()
	f, _ := sungScore(t)
	return func(int) (*take.Writer, error) {
		return take.Create(f.Dir, "alto", take.Info{Start: start, SampleRate: 48000, RoundTripKnown: take.Typed})
	}
}
