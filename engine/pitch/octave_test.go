package pitch

import (
	"math"
	"testing"

	"cuechoir/internal/singer"
)

// Every vowel on every note from E2 to C6 is read in its own octave, by man,
// woman, breath and a creak of 20 %: of the weak dips at twice or half the
// period none is taken.
func TestNoOctaveErrors(t *testing.T) {
	const sr = 48000
	good := singer.Voice{Seed: 1, SampleRate: sr, Breath: 0.02, NoiseDB: -55}
	voices := []struct {
		name   string
		change func(v *singer.Voice)
	}{
		{"a man", func(*singer.Voice) {}},
		{"a woman", func(v *singer.Voice) { v.FormantScale = 1.17 }},
		{"breathy", func(v *singer.Voice) { v.Breath = 0.3 }},
		{"creaky", func(v *singer.Voice) { v.Creak = 0.2 }},
	}
	for _, who := range raceOr(voices[3:], voices) {
		v := good
		who.change(&v)
		frames, octaves, missed := 0, 0, 0
		for _, vowel := range raceOr(singer.Vowels()[:4], singer.Vowels()) {
			var notes []singer.Note
			for k := 40; k <= 84; k++ {
				notes = append(notes, singer.Note{Start: int64(k-39) * sr / 8, Length: sr / 10, Key: float64(k), Vowel: vowel})
			}
			read, err := Track(v.Sing(notes, 0, 6*sr), sr, Options{})
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range read {
				truth := v.F0(notes, f.Sample)
				if truth == 0 || v.F0(notes, f.Sample-sr/50) == 0 || v.F0(notes, f.Sample+sr/50) == 0 {
					continue
				}
				frames++
				if !f.Voiced {
					missed++
				} else if off := 1200 * math.Log2(f.Hz/truth); math.Abs(off) > 600 {
					octaves++
					t.Logf("%s: %s at %.1f Hz is read %+.0f cents off", who.name, vowel, truth, off)
				}
			}
		}
		t.Logf("%s: of %d frames %d an octave off, %d missed", who.name, frames, octaves, missed)
		if octaves > 0 || missed > 0 {
			t.Errorf("%s: of %d frames %d an octave off, %d missed", who.name, frames, octaves, missed)
		}
	}
}
