package job

import (
	"math"
	"path/filepath"
	"testing"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// What is heard of the mix is what a bounce writes, to the sample: the mean of
// its channels at the headphones' level.
func TestTheMixIsHeardAsBounced(t *testing.T) {
	f, _ := sungScore(t)
	s, err := f.Edit("a mix", func(s *score.Score) error {
		l := &s.Layers[0]
		l.GainDB, l.Pan, l.Group = -8, 0.5, "choir"
		l.Strip.Sends = []mix.Send{{To: mix.ToRoom, DB: -6}}
		s.Desk.Group("choir").GainDB = -2
		return l.Strip.Chain.Set("compressor threshold_db=-30 ratio=4")
	})
	if err != nil {
		t.Fatal(err)
	}
	b, err := Bounce(t.Context(), f, BounceOptions{Bits: 32})
	if err != nil || b.GainDB != 0 {
		t.Fatalf("gain %g, %v", b.GainDB, err)
	}
	want, _, err := audiofile.ReadAll(b.Mix.Path, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	m, err := MixSoundOf(t.Context(), f, "", nil, nil)
	if err != nil || int64(len(m.x)) != s.Length() {
		t.Fatalf("%d samples, %v", len(m.x), err)
	}
	const from, to = 30011, 90001
	out := filepath.Join(t.TempDir(), "heard.wav")
	if _, err := PlayToFile(t.Context(), f, out, PlayOptions{Stretch: Stretch{From: from, To: to}, NoClick: true, Hear: Hear{Mix: m, MixDB: -6}}); err != nil {
		t.Fatal(err)
	}
	got := readMono(t, out)
	if len(got) != to-from {
		t.Fatalf("%d samples heard, want %d", len(got), to-from)
	}
	for i := 480; i < len(got)-480; i++ { // but for the fades of its ends
		k := from + i
		if v := float64(want[2*k]+want[2*k+1]) / 2 * mix.Gain(-6); math.Abs(v-float64(got[i])) > 1e-6 {
			t.Fatalf("sample %d: heard %g, bounced %g", k, got[i], v)
		}
	}
}

// The mix is made anew when anything that it is made of changes, and only then.
func TestTheMixIsMadeAnewWhenItMust(t *testing.T) {
	f, sounds := sungScore(t)
	had, err := MixSoundOf(t.Context(), f, "", nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	same := func() bool {
		t.Helper()
		m, err := MixSoundOf(t.Context(), f, "", had, nil)
		if err != nil {
			t.Fatal(err)
		}
		is := m == had
		had = m
		return is
	}
	if !same() {
		t.Error("nothing changed, and it is another")
	}
	room := "seconds=3"
	for name, change := range map[string]func() error{
		"a fader":    func() error { _, err := MoveFader(f, "alto", -1); return err },
		"the room":   func() error { _, err := SetMaster(f, MasterWish{Room: &room}); return err },
		"a colour":   func() error { _, err := SetColour(f, "alto", "a colour", []string{"drive 6 dB"}); return err },
		"a new take": func() error { addTake(t, f, sounds[0], 0); return nil },
	} {
		if err := change(); err != nil {
			t.Fatal(err)
		}
		if same() {
			t.Errorf("%s changed, and it is the same", name)
		}
		if !same() {
			t.Errorf("%s: it is another the second time", name)
		}
	}
	if alone, err := MixSoundOf(t.Context(), f, "alto", had, nil); err != nil || alone == had {
		t.Errorf("alone: %v", err)
	}
	if _, err := MixSoundOf(t.Context(), f, "nobody", had, nil); fault.KindOf(err) != fault.Missing {
		t.Errorf("alone of a layer that is not there: %v", err)
	}
}
