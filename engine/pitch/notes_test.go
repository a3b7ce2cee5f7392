package pitch

import (
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/internal/singer"
)

// melody is a made-up song: notes apart, notes on one pitch parted by a
// consonant or a breath, and rows sung on from note to note; short and long,
// with scoops and vibrato, between two keys.
func melody(seed uint64, notes int, low, high float64) []singer.Note {
	const sr = conditionRate
	rng := rand.New(rand.NewPCG(seed, 77))
	vowels := []string{"a", "e", "i", "o", "u", "uh"}
	consonants := []string{"", "", "t", "s", "k", "h", "m", "n", "l"}
	var song []singer.Note
	at, key := int64(sr/2), math.Round((low+high)/2)
	for len(song) < notes {
		step := float64(rng.IntN(11) - 5)
		if key+step < low || key+step > high {
			step = -step
		}
		key += step
		n := singer.Note{Key: key + 0.3*(rng.Float64()-0.5), Vowel: vowels[rng.IntN(len(vowels))], LevelDB: -6 * rng.Float64(),
			Length: int64(sr * 0.16 * math.Exp2(3*rng.Float64()))}
		switch {
		case len(song) > 0 && step != 0 && rng.IntN(3) == 0:
			n.Legato = true
		default:
			n.Consonant = consonants[rng.IntN(len(consonants))]
			at += int64(sr * (0.06 + 0.25*rng.Float64()*rng.Float64()))
			if rng.IntN(3) == 0 {
				n.ScoopCents = 30 + 70*rng.Float64()
			}
		}
		if n.Length > sr*4/10 && rng.IntN(2) == 0 {
			n.VibratoHz, n.VibratoCents = 4.8+1.5*rng.Float64(), 20+45*rng.Float64()
		}
		n.Start = at + n.Lead(sr)
		at = n.Start + n.Length
		song = append(song, n)
	}
	return song
}

// sungNote is a note as it truly is: where its pitch is reached, where it ends,
// and its pitch.
type sungNote struct {
	onset, offset int64
	cents         float64
}

func truthOf(v singer.Voice, song []singer.Note) []sungNote {
	half := int64(singer.LegatoSeconds / 2 * conditionRate)
	var out []sungNote
	for i, n := range song {
		s := sungNote{onset: n.Start, offset: v.End(song, i), cents: 100 * n.Key}
		if n.Legato {
			s.onset += half
		}
		if i+1 < len(song) && song[i+1].Legato {
			s.offset += half
		}
		out = append(out, s)
	}
	return out
}

// noteScore are the figures of Molina, Barbancho, Tardón & Barbancho 2014
// («Evaluation framework for automatic singing transcription», ISMIR): a note
// is found when its onset lies within 50 ms and its pitch within 50 cents, and
// wholly when its offset lies within 50 ms or a fifth of its length, too.
type noteScore struct{ onsetPitch, whole float64 } // F1

func scoreNotes(t *testing.T, got []Note, want []sungNote) noteScore {
	const near = conditionRate * 50 / 1000
	found, whole, lateEnd := 0, 0, 0.0
	used := make([]bool, len(got))
	for _, w := range want {
		best := -1
		for k, g := range got {
			if used[k] || max(g.Onset-w.onset, w.onset-g.Onset) > near || math.Abs(g.CentreCents-w.cents) > 50 {
				continue
			}
			if best < 0 || max(g.Onset-w.onset, w.onset-g.Onset) < max(got[best].Onset-w.onset, w.onset-got[best].Onset) {
				best = k
			}
		}
		if best < 0 {
			t.Logf("not found: %.3f-%.3f s, %.0f cents", float64(w.onset)/conditionRate, float64(w.offset)/conditionRate, w.cents)
			continue
		}
		used[best] = true
		found++
		off := got[best].Offset - w.offset
		lateEnd += float64(off) / conditionRate * 1000
		if max(off, -off) <= max(near, (w.offset-w.onset)/5) {
			whole++
		} else {
			t.Logf("its end is %+.0f ms off: %.3f-%.3f s", float64(off)*1000/conditionRate, float64(w.onset)/conditionRate, float64(w.offset)/conditionRate)
		}
	}
	for k, g := range got {
		if !used[k] {
			t.Logf("not sung: %.3f-%.3f s, %.0f cents, confidence %.2f", float64(g.Onset)/conditionRate, float64(g.Offset)/conditionRate, g.CentreCents, g.Confidence)
		}
	}
	t.Logf("ends %+.0f ms on average", lateEnd/float64(max(1, found)))
	f1 := func(n int) float64 { return 2 * float64(n) / float64(len(got)+len(want)) }
	return noteScore{f1(found), f1(whole)}
}

func TestNotesAsTheFieldReportsThem(t *testing.T) {
	room := func(x []float32) []float32 { return inRoom(t, x, 0.5, 6) }
	for _, c := range []struct {
		name              string
		noise, breath     float64
		change            func(x []float32) []float32
		onsetPitch, whole float64
	}{
		{"35 dB", -55, 0.02, nil, 0.97, 0.9},
		{"15 dB", -35, 0.02, nil, 0.97, 0.9},
		{"breathy", -55, 0.2, nil, 0.97, 0.9},
		{"room, RT60 0.5 s", -55, 0.02, room, 0.95, 0.78},
	} {
		var sum noteScore
		songs := []struct{ low, high, formants float64 }{{40, 57, 1}, {48, 67, 1}, {57, 79, 1.17}}
		for i, r := range raceOr(songs[:1], songs) {
			v := singer.Voice{Seed: uint64(i + 1), SampleRate: conditionRate, Breath: c.breath, JitterCents: 4, NoiseDB: c.noise, FormantScale: r.formants}
			song := melody(uint64(i+1), 40, r.low, r.high)
			if err := v.Check(song); err != nil {
				t.Fatal(err)
			}
			last := song[len(song)-1]
			x := v.Sing(song, 0, last.Start+last.Length+conditionRate/2)
			if c.change != nil {
				x = c.change(x)
			}
			frames, err := Track(x, conditionRate, Options{})
			if err != nil {
				t.Fatal(err)
			}
			s := scoreNotes(t, Segment(x, frames, conditionRate, SegmentOptions{}), truthOf(v, song))
			sum.onsetPitch += s.onsetPitch / float64(raceOr(1, len(songs)))
			sum.whole += s.whole / float64(raceOr(1, len(songs)))
		}
		t.Logf("%s: F1 by onset and pitch %.3f, with offset %.3f", c.name, sum.onsetPitch, sum.whole)
		if sum.onsetPitch < c.onsetPitch || sum.whole < c.whole {
			t.Errorf("%s: F1 %.3f and %.3f, want %.3f and %.3f", c.name, sum.onsetPitch, sum.whole, c.onsetPitch, c.whole)
		}
	}
}
