package check

import (
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/singer"
)

// A creaky voice doubles its period, so that autocorrelation reads D2 for D3;
// listeners hear D3 (Sun 2002). The same notes truly sung an octave low are
// told.
func TestCreakIsNoOctave(t *testing.T) {
	const rate, beat = 48000, 36000
	keys := []float64{50, 52, 53, 50, 55, 53, 52, 50}
	for _, c := range []struct {
		name  string
		creak float64
		low   int // which note is sung an octave low, -1 none
	}{{"creaky", 0.35, -1}, {"clear", 0, -1}, {"one an octave low", 0, 5}} {
		var notes []singer.Note
		var targets []Target
		for i, k := range keys {
			at := int64(beat * (i + 1))
			targets = append(targets, Target{Start: at, End: at + beat, Key: k, Bar: 1 + i/4, Beat: string(rune('1' + i%4)), Name: "a"})
			if i == c.low {
				k -= 12
			}
			notes = append(notes, singer.Note{Start: at, Length: beat - 2000, Key: k, Vowel: "a"})
		}
		v := singer.Voice{Seed: 5, SampleRate: rate, Creak: c.creak, NoiseDB: -65}
		x := v.Sing(notes, 0, beat*int64(len(keys)+2))
		r, err := Layer(Input{Samples: x, SampleRate: rate, Rate: timecode.Rate24, Targets: targets})
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case c.low < 0 && len(r.Findings) > 0:
			t.Errorf("%s: %v", c.name, r.Findings)
		case c.low >= 0 && (len(r.Findings) != 1 || r.Findings[0].Note != c.low || r.Notes[c.low].Verdict != VerdictOctave):
			t.Errorf("%s: %v", c.name, r.Findings)
		}
	}
}
