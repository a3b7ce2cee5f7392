package tuning

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The 5-limit intervals in cents (Helmholtz and Ellis 1885, from memory:
// major third 386.31, fifth 701.96, minor third 315.64, major sixth 884.36).
func TestJustIntervals(t *testing.T) {
	for _, c := range []struct {
		semitones int
		ratio     Ratio
		cents     float64
	}{{0, Ratio{1, 1}, 0}, {3, Ratio{6, 5}, 315.641}, {4, Ratio{5, 4}, 386.314}, {5, Ratio{4, 3}, 498.045}, {7, Ratio{3, 2}, 701.955},
		{9, Ratio{5, 3}, 884.359}, {12, Ratio{2, 1}, 1200}, {16, Ratio{5, 2}, 1586.314}, {19, Ratio{3, 1}, 1901.955}, {15, Ratio{12, 5}, 1515.641}} {
		r := JustInterval(c.semitones)
		if r != c.ratio || math.Abs(r.Cents()-c.cents) > 0.001 {
			t.Errorf("%d semitones: %+v, %.3f cents; want %+v, %.3f", c.semitones, r, r.Cents(), c.ratio, c.cents)
		}
	}
}

func TestSystem(t *testing.T) {
	equal := System{A4Hz: 442}
	if c := equal.Cents(69, 0); math.Abs(c-6900-7.851) > 0.001 { // 1200*log2(442/440)
		t.Errorf("A4 at 442 Hz: %.3f cents", c)
	}
	just := System{Tonics: []Tonic{{0, 2}, {1000, 9}}} // D, then A
	for _, c := range []struct {
		key    float64
		sample int64
		off    float64
	}{{62, 0, 0}, {66, 0, -13.686}, {69, 0, 1.955}, {69, 1000, 0}, {61, 1000, -13.686}, {66, -50, -13.686}} {
		if off := just.Cents(c.key, c.sample) - 100*c.key; math.Abs(off-c.off) > 0.001 {
			t.Errorf("key %g at %d: %+.3f cents beside equal, want %+.3f", c.key, c.sample, off, c.off)
		}
	}
	for _, bad := range []System{{A4Hz: 44}, {A4Hz: math.NaN()}, {Tonics: []Tonic{{0, 12}}}, {Tonics: []Tonic{{5, 1}, {5, 2}}}} {
		if bad.Validate() == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
	for name, want := range map[string]int{"C": 0, "f#": 6, "Bb": 10, "cb": 11, "h": -1, "": -1, "D##": -1} {
		got, err := ParseClass(name)
		if (err != nil) != (want < 0) || err == nil && got != want {
			t.Errorf("%q: %d, %v", name, got, err)
		}
	}
}

func TestFindTonic(t *testing.T) {
	for tonic := range 12 {
		var major, minor [12]float64
		for i, step := range []int{0, 4, 7, 5, 9, 2, 11} {
			major[(tonic+step)%12] = []float64{5, 3, 4, 2, 1.5, 1.5, 1}[i]
		}
		for i, step := range []int{0, 3, 7, 5, 8, 2, 11} {
			minor[(tonic+step)%12] = []float64{5, 4, 4, 2, 1.5, 1.5, 1}[i]
		}
		if k, m := FindTonic(major); k != tonic || m {
			t.Errorf("major on %d: %d, minor %v", tonic, k, m)
		}
		if k, m := FindTonic(minor); k != tonic || !m {
			t.Errorf("minor on %d: %d, minor %v", tonic, k, m)
		}
	}
}

// chordLayers are layers of one note each, off by so many cents.
func chordLayers(keys []int, off []float64) [][]Held {
	var out [][]Held
	for i, k := range keys {
		out = append(out, []Held{{Start: 0, End: sr, Key: k, Onset: 1000, Offset: sr - 1000, Cents: 100*float64(k) + off[i]}})
	}
	return out
}

func TestChordIntervals(t *testing.T) {
	// A3 = 220 Hz and E4 at 331 Hz: 3*220 and 2*331 beat twice a second
	e := 1200*math.Log2(331.0/440) + 6900
	got, err := Chords(chordLayers([]int{57, 64}, []float64{0, e - 6400}), sr, ChordOptions{})
	if err != nil || len(got) != 1 || len(got[0].Intervals) != 1 {
		t.Fatalf("%+v, %v", got, err)
	}
	v := got[0].Intervals[0]
	if math.Abs(v.BeatHz-2) > 1e-9 || v.Just != (Ratio{3, 2}) || math.Abs(v.JustCents-5.2384) > 0.001 || math.Abs(v.EqualCents-7.1934) > 0.001 {
		t.Errorf("%+v", v) // 1200*log2(331*2/(220*3)) = 5.2384
	}
	// an equal-tempered major third from A4: 5*440 and 4*554.365 beat 17.46 times
	got, _ = Chords(chordLayers([]int{69, 73}, []float64{0, 0}), sr, ChordOptions{})
	if v := got[0].Intervals[0]; math.Abs(v.BeatHz-17.461) > 0.001 || v.Error() != 0 || got[0].Blame != -1 {
		t.Errorf("%+v", got[0])
	}
	// and a pure one not at all, and is no error either
	got, _ = Chords(chordLayers([]int{69, 73}, []float64{0, -13.6863}), sr, ChordOptions{})
	if v := got[0].Intervals[0]; v.BeatHz > 0.001 || v.Error() > 0.001 {
		t.Errorf("%+v", got[0])
	}
}

// In chords of 3 to 7 layers, of which all are within 6 cents but one, that one
// is blamed, and the move takes it back.
func TestBlame(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 1))
	right, worst := 0, 0.0
	const trials = 500
	for trial := range trials {
		n := 3 + rng.IntN(5)
		keys, off := make([]int, n), make([]float64, n)
		for i := range keys {
			keys[i] = 45 + []int{0, 7, 12, 16, 19, 24, 28}[i]
			off[i] = 12*rng.Float64() - 6
		}
		bad := rng.IntN(n)
		planted := (30 + 30*rng.Float64()) * float64(1-2*rng.IntN(2))
		off[bad] = planted
		got, err := Chords(chordLayers(keys, off), sr, ChordOptions{})
		if err != nil || len(got) != 1 {
			t.Fatal(got, err)
		}
		c := got[0]
		if c.Blame >= 0 && c.Members[c.Blame].Layer == bad {
			right++
			worst = max(worst, math.Abs(c.MoveCents+planted))
		}
		if trial%10 != 0 {
			continue
		}
		// the blame truly lowers the sum most: try every layer in steps of a cent
		least := c.Sum
		for i := range keys {
			for by := -90.0; by <= 90; by++ {
				try := append([]float64(nil), off...)
				try[i] += by
				again, _ := Chords(chordLayers(keys, try), sr, ChordOptions{})
				least = min(least, again[0].Sum)
			}
		}
		if c.Sum-c.Gain > least+1e-6 {
			t.Fatalf("a move found by hand leaves %.3f, the blame %.3f: %+v", least, c.Sum-c.Gain, c)
		}
	}
	t.Logf("seed 21: the right layer in %d of %d chords, the move within %.1f cents", right, trials, worst)
	if right < trials*99/100 || worst > 20 {
		t.Errorf("blamed rightly in %d of %d, the move off by up to %.1f cents", right, trials, worst)
	}
}

func TestChordsAreFound(t *testing.T) {
	note := func(from, to int64, key int) Held {
		return Held{Start: from, End: to, Key: key, Onset: from, Offset: to, Cents: 100 * float64(key)}
	}
	low := []Held{note(0, 4*sr, 45)}
	high := []Held{note(0, 2*sr, 60), note(2*sr, 2*sr+sr/10, 62), note(3*sr, 4*sr, 64)}
	got, err := Chords([][]Held{low, high, nil}, sr, ChordOptions{})
	if err != nil || len(got) != 2 || got[0].To != 2*sr || got[1].From != 3*sr || got[1].Members[1].Key != 64 {
		t.Errorf("%+v %v", got, err)
	}
	late := note(0, 4*sr, 52)
	late.Onset = 39 * sr / 10
	got, _ = Chords([][]Held{low, high, {late}}, sr, ChordOptions{})
	if len(got) != 2 || len(got[0].Members) != 2 {
		t.Errorf("a note that was hardly sung is in the chord: %+v", got)
	}
	got, _ = Chords([][]Held{low, high}, sr, ChordOptions{Read: func(layer, note int, from, to int64) (float64, bool) { return 4440, layer == 0 }})
	if got[0].Members[0].OffCents != -60 || got[0].Members[1].OffCents != 0 {
		t.Errorf("the reading in the chord is not used: %+v", got[0].Members)
	}
	if _, err := Chords(make([][]Held, maxMembers+1), sr, ChordOptions{}); err == nil {
		t.Error("no error for too many layers")
	}
}
