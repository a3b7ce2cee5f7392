package beats

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// Bars of known metre and phase are found in noisy accents, an odd bar in
// between, and the confidence falls with the accents.
func TestGuessBars(t *testing.T) {
	for _, c := range []struct {
		metre, phase int
		accent       float64
	}{{4, 0, 2}, {4, 3, 1.2}, {3, 1, 2}, {3, 2, 1.2}, {2, 1, 2}} {
		r := rand.New(rand.NewPCG(uint64(c.metre), uint64(c.phase)))
		const n, odd = 90, 45 // one beat is missing at `odd`
		x, first := make([]float64, n), make([]bool, n)
		for i := range x {
			k := i
			if i >= odd {
				k++
			}
			first[i] = k%c.metre == c.phase
			x[i] = 0.6 * r.NormFloat64()
			if first[i] {
				x[i] += c.accent
			}
		}
		standardise(x)
		got := guessBars(x, []int{4, 3, 2})
		wrong := 0
		for i := range first {
			if got.first[i] != first[i] {
				wrong++
			}
		}
		if got.metre != c.metre || wrong > 8 || got.confidence < 0.5 {
			t.Errorf("in %d from %d, accents of %.1f: in %d, %d beats wrong, confidence %.2f", c.metre, c.phase, c.accent, got.metre, wrong, got.confidence)
		}
		for i := range x {
			x[i] = r.NormFloat64()
		}
		if g := guessBars(x, []int{4}); g.confidence > got.confidence {
			t.Errorf("noise is surer (%.2f) than accents of %.1f (%.2f)", g.confidence, c.accent, got.confidence)
		}
	}
	if g := guessBars(nil, []int{4, 3, 2}); g.confidence != 0 || len(g.first) != 0 {
		t.Errorf("no beats: %+v", g)
	}
}

// A chord that changes is an accent, one that stays is none.
func TestChordChange(t *testing.T) {
	chord := func(a, b, c int) (x [12]float32) {
		x[a], x[b], x[c] = 0.58, 0.58, 0.58
		return x
	}
	var chroma [][12]float32
	var frames []int
	for k := range 80 {
		if k/20%2 == 0 {
			chroma = append(chroma, chord(0, 4, 7))
		} else {
			chroma = append(chroma, chord(2, 5, 9))
		}
	}
	for i := range 16 { // five chroma rows a beat, four beats a chord
		frames = append(frames, 5*chromaEvery*i)
	}
	s := strength{rate: framesASecond, all: make([]float64, 80*chromaEvery), low: make([]float64, 80*chromaEvery)}
	got := accents(chroma, s, frames)
	var want []int
	for i := range got {
		if got[i] > 1 {
			want = append(want, i)
		}
	}
	if !slices.Equal(want, []int{4, 8, 12}) {
		t.Errorf("accents at %v, want 4, 8, 12", want)
	}
	s.low[frames[2]] = 4 // and so is a bass
	if after := accents(chroma, s, frames); after[2] <= got[2] {
		t.Error("a bass is no accent")
	}
}
