package pitch

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/internal/singer"
)

// compass is 45 notes, E2 to C6 by semitones in a shuffled order, with
// vibrato, scoops and rests.
func compass(sr int, consonants ...string) []singer.Note {
	rng := rand.New(rand.NewPCG(4, 5))
	order := rng.Perm(45)
	vowels := []string{"a", "e", "i", "o", "u", "uh"}
	var notes []singer.Note
	at := int64(float64(sr) * 0.4)
	for i, k := range order {
		n := singer.Note{Start: at, Length: int64(float64(sr) * 0.7), Key: float64(40 + k),
			Vowel: vowels[i%len(vowels)], Consonant: consonants[rng.IntN(len(consonants))],
			LevelDB: -9 + 12*rng.Float64()}
		if i%2 == 0 {
			n.VibratoHz, n.VibratoCents = 5+rng.Float64(), 20+30*rng.Float64()
		}
		if i%3 == 0 {
			n.ScoopCents = 60
		}
		notes = append(notes, n)
		at += int64(float64(sr) * 0.9)
	}
	return notes
}

// addClicks lays a click bleed on each beat: a decaying 1.5 kHz burst.
func addClicks(x []float32, sr int, dbfs, beat float64) {
	amp := math.Pow(10, dbfs/20)
	for t := 0.0; t*float64(sr) < float64(len(x)); t += beat {
		from := int(t * float64(sr))
		for i := 0; i < sr/25 && from+i < len(x); i++ {
			s := float64(i) / float64(sr)
			x[from+i] += float32(amp * math.Exp(-s/0.008) * math.Sin(2*math.Pi*1500*s))
		}
	}
}

type score struct {
	in50, in25, in10, octave, miss, falseVoice float64
}

// grade compares frames with the singer's own f0; frames within 15 ms of a
// voice boundary are left to the voicing figures.
func grade(frames []Frame, v singer.Voice, notes []singer.Note) score {
	var s score
	var voiced, hit, unvoiced float64
	margin := int64(v.SampleRate) * 15 / 1000
	for _, f := range frames {
		truth := v.F0(notes, f.Sample)
		before, after := v.F0(notes, f.Sample-margin), v.F0(notes, f.Sample+margin)
		switch {
		case truth > 0 && before > 0 && after > 0:
			voiced++
			if !f.Voiced {
				s.miss++
				continue
			}
			hit++
			d := math.Abs(1200 * math.Log2(f.Hz/truth))
			if d <= 50 {
				s.in50++
			}
			if d <= 25 {
				s.in25++
			}
			if d <= 10 {
				s.in10++
			}
			if math.Abs(d-1200) < 100 || math.Abs(d-2400) < 100 {
				s.octave++
			}
		case truth == 0 && before == 0 && after == 0 && v.F0(notes, f.Sample-3*margin) == 0:
			unvoiced++
			if f.Voiced {
				s.falseVoice++
			}
		}
	}
	s.in50, s.in25, s.in10 = s.in50/hit, s.in25/hit, s.in10/hit
	s.miss /= voiced
	s.falseVoice /= max(1, unvoiced)
	return s
}

func TestTrackCompass(t *testing.T) {
	cases := []struct {
		sr               int
		noise            float64 // dBFS; the vowel is -20 on average -1.5
		clicks           float64
		in50, in25, in10 float64
		falseVoice, miss float64
	}{
		{48000, -55, -40, 1, 0.999, 0.985, 0.02, 0.02},
		{48000, -35, -40, 0.998, 0.993, 0.94, 0.02, 0.05},
		{44100, -55, -40, 1, 0.999, 0.985, 0.02, 0.02},
		{96000, -55, -40, 1, 0.999, 0.985, 0.02, 0.02},
	}
	for _, c := range raceOr(cases[2:3], cases) {
		t.Run(fmt.Sprintf("%d at %g", c.sr, c.noise), func(t *testing.T) {
			t.Parallel()
			v := singer.Voice{Seed: 1, SampleRate: c.sr, Breath: 0.02, JitterCents: 3, NoiseDB: c.noise}
			notes := compass(c.sr, "", "", "t", "s", "k", "sh")
			x := v.Sing(notes, 0, int64(42*c.sr))
			addClicks(x, c.sr, c.clicks, 0.5)
			frames, err := Track(x, c.sr, Options{})
			if err != nil {
				t.Fatal(err)
			}
			s := grade(frames, v, notes)
			t.Logf("within 50/25/10: %.4f %.4f %.4f  octave frames %g  missed %.4f  false %.4f",
				s.in50, s.in25, s.in10, s.octave, s.miss, s.falseVoice)
			if s.in50 < c.in50 || s.in25 < c.in25 || s.in10 < c.in10 || s.octave > 0 ||
				s.falseVoice > c.falseVoice || s.miss > c.miss {
				t.Errorf("wanted at least %.4f %.4f %.4f, no octave errors, false <= %.3f, missed <= %.3f",
					c.in50, c.in25, c.in10, c.falseVoice, c.miss)
			}
		})
	}
}

func BenchmarkTrack(b *testing.B) {
	v := singer.Voice{Seed: 1, SampleRate: 48000, Breath: 0.05, NoiseDB: -55}
	x := v.Sing(compass(48000, "", "t", "m"), 0, 42*48000)
	for b.Loop() {
		if _, err := Track(x, 48000, Options{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(42/(b.Elapsed().Seconds()/float64(b.N)), "x-real-time")
}
