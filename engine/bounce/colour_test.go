package bounce

import (
	"errors"
	"math"
	"path/filepath"
	"slices"
	"testing"

	"cuechoir/internal/audiofile"
)

// A colour gets the whole mix at once, before the ceiling and the target; the
// stem is what it made, as long as ever, and the groups' stems are without it.
func TestTheMixInAColour(t *testing.T) {
	const n = 50001
	dir := t.TempDir()
	plain := run(t, choir(n, 0.05), Options{Path: filepath.Join(dir, "plain.wav"), Length: n, Stems: true})
	calls := 0
	back := func(x []float32) error { // backwards: no block by itself can do that
		calls++
		if len(x) != 2*n {
			t.Errorf("the colour got %d numbers, want %d", len(x), 2*n)
		}
		for i, j := 0, len(x)-2; i < j; i, j = i+2, j-2 {
			x[i], x[j], x[i+1], x[j+1] = x[j], x[i], x[j+1], x[i+1]
		}
		return nil
	}
	for _, limit := range []bool{false, true} {
		calls = 0
		o := Options{Path: filepath.Join(dir, "back.wav"), Length: n, Stems: true, Colour: back, Limit: limit}
		res := run(t, choir(n, 0.05), o)
		if calls != 1 {
			t.Errorf("limit %v: the colour was asked %d times", limit, calls)
		}
		want, _, err := audiofile.ReadAll(plain.Mix.Path, n)
		if err != nil {
			t.Fatal(err)
		}
		got, _, err := audiofile.ReadAll(res.Mix.Path, n)
		if err != nil || len(got) != 2*n {
			t.Fatalf("%d numbers, %v", len(got), err)
		}
		for i := range n {
			for c := range 2 {
				if d := math.Abs(float64(got[2*i+c] - want[2*(n-1-i)+c])); d > 1.5/(1<<23) {
					t.Fatalf("limit %v: sample %d of channel %d is off by %g", limit, i, c, d)
				}
			}
		}
		for i := range plain.Stems {
			a, _, err := audiofile.ReadAll(plain.Stems[i].Path, n)
			if err != nil {
				t.Fatal(err)
			}
			b, _, err := audiofile.ReadAll(res.Stems[i].Path, n)
			if err != nil || !slices.Equal(a, b) {
				t.Fatalf("stem %s differs, %v", plain.Stems[i].Group, err)
			}
		}
		checkLoudness(t, res.Mix)
	}
	target := -20.0
	loud := func(x []float32) error { // the target is set behind the colour
		for i := range x {
			x[i] *= 0.1
		}
		return nil
	}
	res := run(t, choir(n, 0.05), Options{Path: filepath.Join(dir, "loud.wav"), Length: n, TargetLUFS: &target, Colour: loud})
	if math.Abs(res.Mix.Loudness.IntegratedLUFS-target) > 0.05 {
		t.Errorf("%.2f LUFS behind a colour, want %g", res.Mix.Loudness.IntegratedLUFS, target)
	}
}

// A colour that fails leaves nothing behind.
func TestAColourThatFails(t *testing.T) {
	dir, odd := t.TempDir(), errors.New("no such line")
	_, err := Bounce(t.Context(), choir(5000, 0.1), Options{Path: filepath.Join(dir, "x.wav"), Length: 5000, Colour: func([]float32) error { return odd }})
	if !errors.Is(err, odd) {
		t.Errorf("%v", err)
	}
	left(t, dir, 0)
}
