package check

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/dsp"
	"cuechoir/internal/singer"
)

// entries sings two dozen notes a second apart; each begins with the consonant
// (its noise before the beat, or on it) and late milliseconds late.
func entries(seed uint64, consonants []string, onBeat bool, late []float64, v singer.Voice) Input {
	const sr = 48000
	rng := rand.New(rand.NewPCG(seed, 9))
	in := Input{SampleRate: sr, Rate: timecode.Rate23976}
	var notes []singer.Note
	for i, ms := range late {
		at := int64(sr + i*sr + rng.IntN(900))
		key := float64(50 + rng.IntN(15))
		in.Targets = append(in.Targets, Target{Start: at, End: at + sr*9/10, Key: key, Bar: 1 + i/4, Beat: "1", Name: "la"})
		n := singer.Note{Start: at + int64(ms*sr/1000), Length: sr * 7 / 10, Key: key, Vowel: []string{"a", "e", "o"}[rng.IntN(3)],
			Consonant: consonants[i%len(consonants)], LevelDB: 6*rng.Float64() - 3}
		if onBeat {
			n.Start += n.Lead(sr)
		}
		notes = append(notes, n)
	}
	v.Seed, v.SampleRate, v.NoiseDB, v.Breath, v.JitterCents = seed, sr, -60, 0.05, 3
	in.Samples = v.Sing(notes, 0, int64(len(late)+2)*sr)
	return in
}

// Shifts of 5 to 150 ms come back: within 5 ms behind a plosive and within 15
// ms behind anything soft, a slow swell among them. The table is by class.
func TestPlantedShiftsComeBack(t *testing.T) {
	leaveOutUnderRace(t)
	late := make([]float64, 24)
	rng := rand.New(rand.NewPCG(90, 1))
	for i := range late {
		if i%2 == 1 {
			late[i] = (5 + 145*rng.Float64()) * float64(1-2*rng.IntN(2))
		}
	}
	seeds := []uint64{91, 191}
	for _, c := range []struct {
		name       string
		consonants []string
		attack     float64 // seconds
		within     float64 // ms
	}{
		{"plosive", []string{"t", "k", "p"}, 0, 5}, {"sibilant", []string{"s", "sh"}, 0, 15}, {"soft breath", []string{"f", "h"}, 0, 15},
		{"hummed", []string{"m", "n", "l"}, 0, 15}, {"vowel", []string{""}, 0, 15}, {"swell of 80 ms", []string{""}, 0.08, 15},
		{"swell of 300 ms", []string{""}, 0.3, 15},
	} {
		var off, size []float64
		for _, seed := range seeds {
			r := mustLayer(t, entries(seed, c.consonants, false, late, singer.Voice{AttackSeconds: c.attack}))
			for i, n := range r.Notes[:len(late)] {
				off, size = append(off, n.Milliseconds-late[i]), append(size, math.Abs(n.Milliseconds-late[i]))
			}
		}
		t.Logf("seeds %d, %-15s %d entries: median %+.1f ms, worst %.1f ms", seeds, c.name, len(off), dsp.Median(off), slices.Max(size))
		if slices.Max(size) > c.within {
			t.Errorf("%s: an entry is told %.1f ms from the truth", c.name, slices.Max(size))
		}
	}
}

// A few soft consonants on the beat, in a layer of vowels, say nothing of the
// singer's habit: they are heard as consonants, and no entry is called late.
func TestSoftConsonantsAreNotLate(t *testing.T) {
	leaveOutUnderRace(t)
	for _, c := range []string{"f", "h", "s"} {
		for _, room := range []float64{-60, -50} {
			in := entries(93, []string{"", "", "", c, "", "", "", ""}, true, make([]float64, 24), singer.Voice{})
			addNoise(in.Samples, room, rand.New(rand.NewPCG(94, 1)))
			if r := mustLayer(t, in); len(r.Findings) > 0 {
				t.Errorf("%s on the beat, room at %g dBFS: %v", c, room, r.Findings)
			}
		}
	}
	// but a vowel as late as that is
	late := make([]float64, 24)
	late[3] = 85
	if r := mustLayer(t, entries(93, []string{""}, true, late, singer.Voice{})); !slices.Equal(kinds(r), []Kind{Late}) {
		t.Errorf("a vowel 85 ms late: %v", kinds(r))
	}
}

// A swell begun before the beat so that it is heard on the beat is not early; a
// note that is there at once is.
func TestSwellsAreHeardLater(t *testing.T) {
	leaveOutUnderRace(t)
	const rise = 0.6 * 48000 // samples, of the amplitude, straight up: -15 dB after 107 ms
	late := make([]float64, 24)
	late[5], late[14] = -107, -107
	in := entries(95, []string{""}, false, late, singer.Voice{})
	sudden := mustLayer(t, in)
	for _, i := range []int{5, 14} {
		from := in.Targets[i].Start - 107*48
		for k := range int64(rise) {
			in.Samples[from+k] *= float32(k) / rise
		}
	}
	swelling := mustLayer(t, in)
	if len(swelling.Findings) > 0 {
		t.Errorf("swells: %v", swelling.Findings)
	}
	if !slices.Equal(kinds(sudden), []Kind{Early, Early}) {
		t.Errorf("sudden notes: %v", kinds(sudden))
	}
	for _, i := range []int{5, 14} {
		n := swelling.Notes[i]
		t.Logf("a swell of 600 ms begun 107 ms early: begins %+.0f ms, is heard %.0f ms later", n.Milliseconds, n.SwellMilliseconds)
		if at := n.Milliseconds + n.SwellMilliseconds; math.Abs(at) > 15 {
			t.Errorf("a swell that is heard on the beat is told %+.0f ms from it", at)
		}
	}
	if ms := sudden.Notes[5].SwellMilliseconds; ms != 0 {
		t.Errorf("a sudden note is heard %.0f ms after its start", ms)
	}
}
