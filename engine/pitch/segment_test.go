package pitch

import (
	"math"
	"testing"

	"cuechoir/internal/singer"
)

func TestSegmentCompass(t *testing.T) {
	const sr = 48000
	for _, noise := range raceOr([]float64{-45}, []float64{-60, -45}) {
		v := singer.Voice{Seed: 3, SampleRate: sr, Breath: 0.05, JitterCents: 4, NoiseDB: noise}
		notes := compass(sr, "", "", "t", "s", "m", "l")
		x := v.Sing(notes, 0, 42*sr)
		addClicks(x, sr, -40, 0.5)
		frames, err := Track(x, sr, Options{})
		if err != nil {
			t.Fatal(err)
		}
		got := Segment(x, frames, sr, SegmentOptions{})
		if len(got) != len(notes) {
			t.Errorf("noise %g dBFS: %d notes, sung were %d", noise, len(got), len(notes))
		}
		for i := range min(len(got), len(notes)) {
			g, n := got[i], notes[i]
			ms := float64(g.Onset-n.Start) / sr * 1000
			lead := float64(g.Attack-n.Start+n.Lead(sr)) / sr * 1000
			cents := g.CentreCents - 100*n.Key
			t.Logf("%2d %s%s key %g: %+.1f ms, attack %+.1f ms, end %+.0f ms, %+.1f±%.1f cents (scoop %.0f of -%g, vibrato %.2f/%.0f of %.2f/%.0f) conf %.2f level %.0f",
				i, n.Consonant, n.Vowel, n.Key, ms, lead, float64(g.Offset-v.End(notes, i))/sr*1000, cents, g.ErrorCents, g.ScoopCents, n.ScoopCents,
				g.VibratoHz, g.VibratoCents, n.VibratoHz, n.VibratoCents, g.Confidence, g.LevelDB)
			if math.Abs(cents) > 6 || math.Abs(ms) > 15 {
				t.Errorf("note %d: %+.1f cents, %+.1f ms", i, cents, ms)
			}
		}
	}
}

// Vibrato and scoop are told as they were sung, and the centre is not moved by
// them: rate within 0.15 Hz, extent within a tenth and 2 cents, scoop within 20
// cents, centre within 3.
func TestVibratoAndScoopAreTold(t *testing.T) {
	const sr, seconds = 48000, 2
	v := singer.Voice{Seed: 4, SampleRate: sr, Breath: 0.03, NoiseDB: -55}
	var notes []singer.Note
	for i, hz := range []float64{0, 4.2, 5, 5.5, 6.1, 7} {
		n := singer.Note{Start: int64(sr/2 + i*sr*5/2), Length: sr * seconds, Key: float64(48 + 4*i), Vowel: "a", VibratoHz: hz}
		if hz > 0 {
			n.VibratoCents = 15 + 12*float64(i)
		}
		if i%2 == 1 {
			n.ScoopCents = 70
		}
		notes = append(notes, n)
	}
	x := v.Sing(notes, 0, 16*sr)
	frames, err := Track(x, sr, Options{})
	if err != nil {
		t.Fatal(err)
	}
	got := Segment(x, frames, sr, SegmentOptions{})
	if len(got) != len(notes) {
		t.Fatalf("%d notes, sung were %d", len(got), len(notes))
	}
	for i, g := range got {
		n := notes[i]
		t.Logf("%d: vibrato %.2f Hz %.1f c of %.2f %.0f, scoop %+.0f of -%.0f, centre %+.2f", i, g.VibratoHz, g.VibratoCents, n.VibratoHz, n.VibratoCents,
			g.ScoopCents, n.ScoopCents, g.CentreCents-100*n.Key)
		if math.Abs(g.VibratoHz-n.VibratoHz) > 0.15 || math.Abs(g.VibratoCents-n.VibratoCents) > 2+0.1*n.VibratoCents ||
			math.Abs(g.ScoopCents+n.ScoopCents) > 20 || math.Abs(g.CentreCents-100*n.Key) > 3 {
			t.Errorf("note %d is told as %+v", i, g)
		}
	}
}
