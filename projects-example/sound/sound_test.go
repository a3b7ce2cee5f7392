package sound

import (
	"math"
	"slices"
	"testing"

	example "cuechoir/projects-example"
)

// The sound is as long as the film, does not clip, is the same each time, and
// swells on the hits.
func TestRender(t *testing.T) {
	const rate = 8000 // Hz: quick; the film's is 48000
	x := Render(rate)
	if want := example.Rate().SampleOf(example.Frames, rate); int64(len(x)) != want {
		t.Fatalf("%d samples, want %d", len(x), want)
	}
	if !slices.Equal(x, Render(rate)) {
		t.Error("two renderings differ")
	}
	energy := func(from, to int64) float64 {
		e := 0.0
		for _, s := range x[from:to] {
			e += float64(s) * float64(s)
		}
		return e / float64(to-from)
	}
	for i, s := range x {
		if !(math.Abs(float64(s)) < 0.8) {
			t.Fatalf("sample %d is %g", i, s)
		}
	}
	for _, h := range example.Hits() {
		if !h.Must {
			continue
		}
		at := example.Rate().SampleOf(h.Frame, rate)
		if db := 10 * math.Log10(energy(at, at+rate/8)/energy(at-rate/10, at)); db < 1.5 {
			t.Errorf("%s: the sound swells by %.1f dB only", h.Name, db)
		}
	}
}
