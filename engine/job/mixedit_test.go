package job

import (
	"math"
	"path/filepath"
	"reflect"
	"testing"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/fault"
)

// withReference gives a score a sound of its own: mono, 1 kHz, dBFS of its peak.
func withReference(t *testing.T, f *score.Folder, db float64) *score.Score {
	t.Helper()
	s, err := f.Edit("a reference", func(s *score.Score) error {
		s.Reference.Sound = "reference/sound.wav"
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, s.Length())
	for i := range x {
		x[i] = float32(math.Pow(10, db/20) * math.Sin(2*math.Pi*float64(i%48)/48))
	}
	if err := audiotest.Write(f.Path("reference/sound.wav"), 48000, 24, x); err != nil {
		t.Fatal(err)
	}
	return s
}

// A tone of -23 dBFS in both loudspeakers reads -23.0 LUFS (EBU Tech 3341, case
// 1): so is the mono reference heard, and so loud is the stem that meets it.
func TestBounceAsLoudAsTheReference(t *testing.T) {
	f, _ := sungScore(t)
	s := withReference(t, f, -23)
	r, err := ReferenceLoudness(t.Context(), f, s)
	if err != nil || math.Abs(r.IntegratedLUFS+23) > 0.1 {
		t.Fatalf("the reference reads %.3f LUFS, %v", r.IntegratedLUFS, err)
	}
	for text, want := range map[string]float64{"reference": r.IntegratedLUFS, "r128": -23, "streaming": -14, "-30.5": -30.5} {
		target, err := ParseTarget(text)
		if err != nil {
			t.Fatal(err)
		}
		res, err := Bounce(t.Context(), f, BounceOptions{Path: filepath.Join(t.TempDir(), "x.wav"), Target: &target})
		if err != nil {
			t.Fatal(err)
		}
		if got := res.Mix.Loudness.IntegratedLUFS; *res.Target != want || math.Abs(got-want) > 0.01 {
			t.Errorf("%s: %.3f LUFS for a target of %.3f, want %.3f", text, got, *res.Target, want)
		}
	}
	for _, text := range []string{"", "loud", "3", "-71", "nan"} {
		if _, err := ParseTarget(text); fault.KindOf(err) != fault.Usage {
			t.Errorf("%q is a target: %v", text, err)
		}
	}
}

// Without a sound of the reference there is nothing to meet.
func TestNoReferenceToMeet(t *testing.T) {
	f, _ := sungScore(t)
	if _, err := Bounce(t.Context(), f, BounceOptions{Target: &Target{Reference: true}}); fault.KindOf(err) != fault.Missing {
		t.Errorf("%v", err)
	}
}

// What is set is heard: a strip's trim, a group's fader, both taken back.
func TestTheMixThatIsSetIsHeard(t *testing.T) {
	f, _ := sungScore(t)
	bounced := func() []float32 {
		path := filepath.Join(t.TempDir(), "x.wav")
		if _, err := Bounce(t.Context(), f, BounceOptions{Path: path, Bits: 32}); err != nil {
			t.Fatal(err)
		}
		return readStereo(t, path)
	}
	differs := func(what string, a, b []float32, db float64) {
		t.Helper()
		g := math.Pow(10, db/20)
		for i := range a {
			if math.Abs(float64(b[i])-g*float64(a[i])) > 1e-7 {
				t.Fatalf("%s: value %d is %g, want %g of %g", what, i, b[i], g, a[i])
			}
		}
	}
	plain := bounced()
	must := func(_ *score.Score, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(SetStrip(f, "alto", []string{"trim db=-6"}))
	differs("trim", plain, bounced(), -6)
	must(f.Edit("group", func(s *score.Score) error { s.Layers[0].Group = "choir"; return nil }))
	gain := -3.0
	must(SetGroup(f, "choir", GroupWish{GainDB: &gain}))
	differs("trim and group", plain, bounced(), -9)
	must(SetStrip(f, "alto", []string{"trim off"}))
	must(SetGroup(f, "choir", GroupWish{Plain: true}))
	differs("all off", plain, bounced(), 0)
	mute := true
	must(SetGroup(f, "choir", GroupWish{Mute: &mute}))
	if _, err := Bounce(t.Context(), f, BounceOptions{}); fault.KindOf(err) != fault.Missing {
		t.Errorf("a bounce of muted groups: %v", err)
	}
}

// A beat is 12 frames of 2002 samples here, a bar four of them.
func TestFadersMoveOnBeats(t *testing.T) {
	f, _ := sungScore(t)
	const beat = 12 * 2002
	move := func(glide float64, moves ...FaderMove) mix.Automation {
		t.Helper()
		s, err := Automate(f, AutomateWish{Name: "alto", Moves: moves, GlideMilliseconds: glide})
		if err != nil {
			t.Fatal(err)
		}
		return s.Layers[0].Strip.Automation
	}
	if got, want := move(0, FaderMove{Bar: 2, Beat: 1, DB: -6}, FaderMove{Bar: 1, Beat: 3}), (mix.Automation{{At: 2 * beat, DB: 0}, {At: 4 * beat, DB: -6}}); !reflect.DeepEqual(got, want) {
		t.Errorf("moves %v, want %v", got, want)
	}
	if got, want := move(20, FaderMove{Bar: 2, Beat: 2, DB: 3}), (mix.Automation{{At: 2 * beat, DB: 0}, {At: 4 * beat, DB: -6}, {At: 5*beat - 960, DB: -6}, {At: 5 * beat, DB: 3}}); !reflect.DeepEqual(got, want) {
		t.Errorf("a jump gives %v, want %v", got, want)
	}
	if got := move(0); got != nil {
		t.Errorf("cleared, it still moves: %v", got)
	}
	// What a ride writes, the moves in its place write too.
	if err := RideFader(f, "alto", false, Stretch{From: 1000, To: 90000}, []mix.Knot{{At: 20001, DB: -2.5}, {At: 50003, DB: 1}}); err != nil {
		t.Fatal(err)
	}
	rode := mustLoad(t, f).Layers[0].Strip.Automation
	w := AutomateWish{Name: "alto", Replace: true}
	for _, k := range rode {
		w.Moves = append(w.Moves, FaderMove{Sample: &k.At, DB: k.DB})
	}
	if _, err := Automate(f, AutomateWish{Name: "alto"}); err != nil {
		t.Fatal(err)
	}
	if s, err := Automate(f, w); err != nil || !reflect.DeepEqual(s.Layers[0].Strip.Automation, rode) || len(rode) < 4 {
		t.Errorf("ridden %v, written %v, %v", rode, s.Layers[0].Strip.Automation, err)
	}
	if _, err := Automate(f, AutomateWish{Name: "alto", Moves: []FaderMove{{Bar: 7, Beat: 1}}}); fault.KindOf(err) != fault.Usage {
		t.Errorf("a beat that is not there: %v", err)
	}
	if _, err := Automate(f, AutomateWish{Name: "alto", Group: true, Moves: []FaderMove{{Bar: 1, Beat: 1}}}); fault.KindOf(err) != fault.Missing {
		t.Errorf("a group that is not there: %v", err)
	}
}
