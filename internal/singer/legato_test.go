package singer

import (
	"math"
	"testing"
)

// Notes sung on from one another have no gap, the pitch that F0 says on either
// side, cross halfway in the middle of the move, and do not depend on the
// window.
func TestLegato(t *testing.T) {
	v := Voice{Seed: 3, SampleRate: rate, Breath: 0.01}
	notes := []Note{
		{Start: rate / 2, Length: rate / 2, Key: 57, Vowel: "a"},
		{Start: rate, Length: rate / 2, Key: 60, Vowel: "o", LevelDB: -4, Legato: true},
		{Start: 3 * rate / 2, Length: rate / 2, Key: 52, Vowel: "a", Legato: true},
	}
	if err := v.Check(notes); err != nil {
		t.Fatal(err)
	}
	x := v.Sing(notes, 0, 3*rate)
	for i, n := range notes {
		mid := n.Start + n.Length/2
		want := v.F0(notes, mid)
		got := rate / periodOf(x[mid-4000:mid+8000], rate/want)
		if cents := 1200 * math.Log2(got/want); math.Abs(cents) > 1 || math.Abs(want-exact(n.Key)) > 0.01 {
			t.Errorf("note %d: %.2f Hz sung, %.2f said, %.2f written", i, got, want, exact(n.Key))
		}
	}
	if got, want := v.F0(notes, rate+int64(LegatoSeconds*rate/2)), math.Sqrt(exact(57)*exact(60)); math.Abs(1200*math.Log2(got/want)) > 1 {
		t.Errorf("halfway %.2f Hz, want %.2f", got, want)
	}
	level := func(from int64) float64 {
		sum := 0.0
		for _, s := range x[from : from+rate/100] {
			sum += float64(s) * float64(s)
		}
		return 10 * math.Log10(sum/(rate/100))
	}
	for _, n := range notes[1:] {
		least := math.Inf(1)
		for at := n.Start - rate/20; at < n.Start+rate/10; at += rate / 100 {
			least = min(least, level(at))
		}
		if before, after := level(n.Start-rate/10), level(n.Start+rate/5); least < min(before, after)-3 {
			t.Errorf("the level falls to %.1f dB between %.1f and %.1f", least, before, after)
		}
	}
	part := v.Sing(notes, rate-500, rate)
	for i, s := range part {
		if s != x[rate-500+i] {
			t.Fatalf("sample %d differs by window", i)
		}
	}
	for _, wrong := range [][]Note{
		{{Length: 100, Key: 57, Vowel: "a", Legato: true}},
		{{Length: 100, Key: 57, Vowel: "a"}, {Start: 101, Length: 100, Key: 57, Vowel: "a", Legato: true}},
		{{Length: 100, Key: 57, Vowel: "a"}, {Start: 100, Length: 100, Key: 57, Vowel: "a", Consonant: "t", Legato: true}},
	} {
		if v.Check(wrong) == nil {
			t.Errorf("%+v is let through", wrong)
		}
	}
}
