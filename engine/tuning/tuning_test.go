package tuning

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	_ "cuechoir/internal/fixedseed"

	"pgregory.net/rapid"
)

const sr = 48000

// part makes targets a half second apart on the given keys, and the same sung.
func part(keys ...float64) ([]Target, []Sung) {
	var t []Target
	var s []Sung
	for i, k := range keys {
		at := int64(i) * sr / 2
		t = append(t, Target{Start: at, End: at + sr*45/100, Cents: 100 * k})
		s = append(s, Sung{Onset: at, Offset: at + sr*45/100, Cents: 100 * k, Weight: 1})
	}
	return t, s
}

func TestAlign(t *testing.T) {
	keys := []float64{60, 62, 64, 64, 67, 65}
	cases := []struct {
		name   string
		change func(s []Sung) []Sung
		want   [][]int
		shared int // target that shares, or -1
	}{
		{"as written", func(s []Sung) []Sung { return s }, [][]int{{0}, {1}, {2}, {3}, {4}, {5}}, -1},
		{"third missing", func(s []Sung) []Sung { return slices.Delete(s, 2, 3) }, [][]int{{0}, {1}, nil, {2}, {3}, {4}}, -1},
		{"one extra", func(s []Sung) []Sung {
			return slices.Insert(s, 2, Sung{Onset: sr * 95 / 100, Offset: sr, Cents: 7200, Weight: 1})
		}, [][]int{{0}, {1}, {3}, {4}, {5}, {6}}, -1},
		{"wrong by a semitone", func(s []Sung) []Sung { s[1].Cents += 100; return s }, [][]int{{0}, {1}, {2}, {3}, {4}, {5}}, -1},
		{"an octave down", func(s []Sung) []Sung { s[4].Cents -= 1200; return s }, [][]int{{0}, {1}, {2}, {3}, {4}, {5}}, -1},
		{"an octave down and 250 ms late", func(s []Sung) []Sung { s[5].Cents -= 1200; s[5].Onset += sr / 4; s[5].Offset += sr / 4; return s },
			[][]int{{0}, {1}, {2}, {3}, {4}, {5}}, -1},
		{"170 ms early", func(s []Sung) []Sung { s[4].Onset -= sr * 17 / 100; return s }, [][]int{{0}, {1}, {2}, {3}, {4}, {5}}, -1},
		{"split in two", func(s []Sung) []Sung {
			a, b := s[1], s[1]
			a.Offset, b.Onset = a.Onset+sr/5, a.Onset+sr*22/100
			return slices.Replace(s, 1, 2, a, b)
		}, [][]int{{0}, {1, 2}, {3}, {4}, {5}, {6}}, -1},
		{"two sung as one", func(s []Sung) []Sung {
			s[2].Offset = s[3].Offset
			return slices.Delete(s, 3, 4)
		}, [][]int{{0}, {1}, {2}, {2}, {3}, {4}}, 3},
	}
	for _, c := range cases {
		targets, sung := part(keys...)
		pairs, err := Align(c.change(sung), targets, sr, AlignOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for j, p := range pairs {
			if !slices.Equal(p.Sung, c.want[j]) || p.Shared != (j == c.shared) {
				t.Errorf("%s: target %d got %+v, want %v", c.name, j, p, c.want[j])
			}
		}
	}
}

func TestAlignRefusesTheHuge(t *testing.T) {
	if _, err := Align(make([]Sung, 20000), make([]Target, 20000), sr, AlignOptions{}); err == nil {
		t.Error("no error for 4e8 cells")
	}
}

func TestShift(t *testing.T) {
	for _, ms := range []int64{0, 35, 180, -250, 700} {
		targets, sung := part(60, 62, 64, 65, 67, 69, 71, 72, 60, 65)
		for i := range sung {
			sung[i].Onset += ms * sr / 1000
		}
		got := Shift(sung, targets, sr) * 1000 / sr
		if got < ms-8 || got > ms+8 {
			t.Errorf("shift %d ms, want %d", got, ms)
		}
	}
}

// Order is kept, and no sung note serves two targets unless shared.
func TestAlignKeepsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gen := func(n int) (out []Sung) {
			at := int64(0)
			for range n {
				at += int64(rapid.IntRange(1000, 60000).Draw(t, "gap"))
				out = append(out, Sung{Onset: at, Offset: at + int64(rapid.IntRange(500, 40000).Draw(t, "length")),
					Cents: 100 * float64(rapid.IntRange(50, 70).Draw(t, "key")), Weight: 1})
			}
			return out
		}
		sung := gen(rapid.IntRange(0, 12).Draw(t, "sung"))
		var targets []Target
		for _, s := range gen(rapid.IntRange(0, 12).Draw(t, "targets")) {
			targets = append(targets, Target{Start: s.Onset, End: s.Offset, Cents: s.Cents})
		}
		pairs, err := Align(sung, targets, sr, AlignOptions{})
		if err != nil || len(pairs) != len(targets) {
			t.Fatal(err, len(pairs))
		}
		last := -1
		for _, p := range pairs {
			for _, i := range p.Sung {
				if i < last || i == last && !p.Shared {
					t.Fatalf("sung note %d after %d in %+v", i, last, pairs)
				}
				last = i
			}
		}
	})
}

func TestFitLine(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	line := func(slope, spread float64, n int, wild float64) []Point {
		var p []Point
		for i := range n {
			m := 2 * float64(i) / float64(n)
			c := 4 + slope*m + spread*(2*rng.Float64()-1)
			if rng.Float64() < wild {
				c += 300*rng.Float64() - 100
			}
			p = append(p, Point{m, c})
		}
		return p
	}
	cases := []struct {
		name          string
		slope, spread float64
		notes         int
		wild          float64
		want, within  float64
		significant   bool
	}{
		{"exact", -30, 0, 20, 0, -30, 1e-9, true},
		{"uneven notes", -30, 8, 60, 0, -30, 3, true},
		{"a fifth of the notes wild", -30, 8, 80, 0.2, -30, 6, true},
		{"steady", 0, 8, 60, 0, 0, 3, false},
		{"steady, wild", 0, 8, 60, 0.2, 0, 6, false},
		{"too little to hear", 3, 2, 60, 0, 3, 2, false},
		{"too few notes", -30, 0, 5, 0, -30, 1e-9, false},
	}
	for _, c := range cases {
		l := FitLine(line(c.slope, c.spread, c.notes, c.wild))
		t.Logf("%s: %.1f cents a minute, span %.1f±%.1f, chance %.2g", c.name, l.CentsPerMinute, l.SpanCents, l.ErrorCents, l.Chance)
		if math.Abs(l.CentsPerMinute-c.want) > c.within || l.Significant() != c.significant {
			t.Errorf("%s: slope %.2f (want %.0f), significant %v", c.name, l.CentsPerMinute, c.want, l.Significant())
		}
	}
}

// Without drift a thousand layers of ±8 cents must not show any.
func TestNoDriftOutOfNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for range 1000 {
		var p []Point
		for i := range 40 {
			p = append(p, Point{float64(i) / 30, 16*rng.Float64() - 8})
		}
		if FitLine(p).Significant() {
			t.Fatalf("drift out of nothing: %+v", FitLine(p))
		}
	}
}

func TestFindA4(t *testing.T) {
	for _, want := range []float64{-49, -30, 0, 17, 44} {
		var cents []float64
		for i := range 30 {
			cents = append(cents, 100*float64(50+i%13)+want+float64(i%5-2)*4)
		}
		got := FindA4(cents, nil)
		if math.Abs(got.Cents-want) > 2 || got.Agreement < 0.9 {
			t.Errorf("A4 %+.1f cents (%.2f Hz, agreement %.2f), want %+.0f", got.Cents, got.A4Hz, got.Agreement, want)
		}
	}
	if got := FindA4([]float64{6900}, nil).A4Hz; math.Abs(got-440) > 1e-9 {
		t.Errorf("A4 alone gives %g Hz", got)
	}
}

func TestJudgeFreeFollowsADrift(t *testing.T) {
	var cents []float64
	keys := []int{60, 62, 64, 65, 67, 65, 64, 62}
	for i := range 80 {
		cents = append(cents, 100*float64(keys[i%8])-1.5*float64(i)+20)
	}
	f := JudgeFree(cents, Major(0))
	for i, k := range f.Keys {
		if k != keys[i%8] {
			t.Fatalf("note %d stands for key %d, want %d", i, k, keys[i%8])
		}
	}
}

func TestScaleNearest(t *testing.T) {
	for _, c := range []struct {
		s     Scale
		cents float64
		key   int
		off   float64
	}{
		{Scale{}, 6130, 61, 30}, {Major(0), 6130, 62, -70}, {Major(0), 6040, 60, 40}, {Major(2), 6130, 61, 30},
	} {
		if k, off := c.s.Nearest(c.cents); k != c.key || math.Abs(off-c.off) > 1e-9 {
			t.Errorf("%g cents: key %d %+.1f, want %d %+.1f", c.cents, k, off, c.key, c.off)
		}
	}
}

func TestBands(t *testing.T) {
	for c, want := range map[float64]Band{0: Good, -10: Good, 10.1: Listen, -25: Listen, 25.1: Resing} {
		if BandOf(c) != want {
			t.Errorf("%g cents: %v, want %v", c, BandOf(c), want)
		}
	}
	s := Summarise([]float64{-5, 0, 5, 20, -40, 60})
	if math.Abs(s.Within10-3.0/6) > 1e-9 || math.Abs(s.Within25-4.0/6) > 1e-9 || math.Abs(s.Within50-5.0/6) > 1e-9 || s.BiasCents != 2.5 {
		t.Errorf("%+v", s)
	}
}

func BenchmarkAlign(b *testing.B) {
	keys := make([]float64, 1000)
	for i := range keys {
		keys[i] = 60 + float64(i*7%13)
	}
	targets, sung := part(keys...)
	for b.Loop() {
		if _, err := Align(sung, targets, sr, AlignOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
