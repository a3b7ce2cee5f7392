package picture

import (
	"math/rand/v2"
	"slices"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// oddScene is a scene that gives finders of cuts trouble: a card after a card, a
// dark shot, one that is new in every frame.
func oddScene(rng *rand.Rand) scene {
	switch rng.IntN(5) {
	case 0:
		return titleCard(rng)
	case 1:
		s := newScene(rng)
		if !s.card {
			s.mean, s.gain, s.blobs = 20+10*rng.Float64(), 4+4*rng.Float64(), nil
		}
		return s
	case 2:
		s := newScene(rng)
		s.boil = 15 + 30*rng.Float64()
		return s
	}
	return newScene(rng)
}

// TestOddCuts: cuts that change little of the picture, and cuts a few frames
// apart beside a picture that is never still, each on its frame.
func TestOddCuts(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 42))
	used := 0
	another := func() *plane { used++; return texture(used) }
	dark := func(gain float64) scene { return scene{pic: another(), mean: 24, gain: gain} }
	words := func(x, y int) scene { // one word of five strokes
		s := blankCard(0)
		for i := range 5 {
			s.stroke(x+16*i, y, 4, 20)
		}
		return s
	}
	still := func() scene { return scene{pic: another(), mean: 100, gain: 30} }
	boil := func() scene { s := still(); s.boil = 20; return s }
	for name, shots := range map[string][]shot{
		"dark shots":           {{to: 20, scene: dark(7)}, {to: 40, scene: dark(3)}, {to: 60, scene: dark(7)}, {to: 80, scene: dark(3)}},
		"a word after another": {{to: 20, scene: words(48, 80)}, {to: 40, scene: words(240, 180)}, {to: 60, scene: words(120, 120)}},
		"short shots":          {{to: 20, scene: still()}, {to: 24, scene: still()}, {to: 44, scene: boil()}, {to: 48, scene: still()}, {to: 53, scene: still()}, {to: 80, scene: boil()}},
	} {
		d := NewDetector(timecode.Rate24)
		f := truthFilm{rng: rng, shots: shots, frames: shots[len(shots)-1].to}
		var want []int64
		for i := 1; i < len(shots); i++ {
			shots[i].from = shots[i-1].to
			want = append(want, shots[i].from)
		}
		for i := range shots {
			shots[i].in.kind, shots[i].out.kind = cutlist.HardCut, cutlist.HardCut
		}
		f.render(d.Push, nil)
		var got []int64
		for _, c := range d.Finish() {
			if c.Kind != cutlist.HardCut {
				t.Errorf("%s: %v", name, c)
			}
			got = append(got, c.Frame)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: cuts at %v, want %v", name, got, want)
		}
	}
}
