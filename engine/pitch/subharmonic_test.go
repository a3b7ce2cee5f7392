package pitch

import (
	"testing"

	"cuechoir/internal/singer"
)

// A true D2 has all partials; a creaky D3 (every second pulse weaker by 35 %)
// has those between its harmonics at (0.35/2)/(1-0.35/2) = 0.21 of them, for a
// pulse train (arithmetic). Sun 2002 puts the change of octave at 0.4.
func TestSubharmonicRatio(t *testing.T) {
	const rate, seconds = 48000, 2
	for _, c := range []struct {
		name       string
		key, creak float64
		least, top float64
	}{
		{"a true D2", 38, 0, 0.6, 2},
		{"a creaky D3", 50, 0.35, 0.05, 0.35},
		{"a clear D3 misread as D2", 50, 0, 0, 0.05},
	} {
		v := singer.Voice{Seed: 3, SampleRate: rate, Creak: c.creak, NoiseDB: -70}
		x := v.Sing([]singer.Note{{Length: rate * seconds, Key: c.key, Vowel: "a"}}, 0, rate*seconds)
		var frames []Frame
		for s := int64(rate / 2); s < rate*3/2; s += 480 {
			frames = append(frames, Frame{Sample: s, Hz: Hz(3800), Voiced: true})
		}
		got := SubharmonicRatio(x, rate, 0, frames)
		if !(got >= c.least && got <= c.top) {
			t.Errorf("%s: ratio %.3f, want %g to %g", c.name, got, c.least, c.top)
		}
		t.Logf("%s: ratio %.3f", c.name, got)
	}
}
