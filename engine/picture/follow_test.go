package picture

import (
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// found gives what is found in a film of some shots, drawn without damage but a
// sensor's noise.
func found(shots []shot) []cutlist.Cut { return foundAt(timecode.Rate24, shots) }

func foundAt(rate timecode.Rate, shots []shot) []cutlist.Cut {
	d := NewDetector(rate)
	f := truthFilm{rng: rand.New(rand.NewPCG(71, 42)), shots: shots, frames: shots[len(shots)-1].to}
	f.render(d.Push, nil)
	return d.Finish()
}

// TestFollowBothPictures: the shares of a mix in which fast pans begin, so that
// neither picture moves as it did when it was whole.
func TestFollowBothPictures(t *testing.T) {
	mix := ramp{kind: cutlist.Dissolve, frames: 20}
	f := truthFilm{rng: rand.New(rand.NewPCG(71, 42)), frames: 80, shots: []shot{
		{to: 60, scene: scene{pic: texture(1), mean: 120, gain: 30, panFrom: 46, panFrames: 30, panBy: -9}, out: mix},
		{from: 40, to: 80, scene: scene{pic: texture(3), mean: 110, gain: 30, panFrom: 2, panFrames: 14, panBy: 11}, in: mix},
	}}
	d := NewDetector(timecode.Rate24)
	f.render(d.Push, nil)
	fit := &d.blend.fit
	fit.b, fit.lo, fit.hi = &d.blend, 0, d.blend.count
	fit.most = 1.05
	fit.plates[0].take(fit, 38, 24, 39)
	fit.plates[1].take(fit, 61, 61, 77)
	fit.follow(38, 61, 30, 70)
	var off float64
	for i, u := range fit.share {
		off += math.Abs(u-max(0, min(1, float64(30+i-39)/21))) / float64(len(fit.share))
	}
	t.Logf("mean distance %.4f", off)
	if off > 0.03 {
		t.Errorf("shares are off by %.3f in the mean", off)
	}
}

// TestFadeBehindPasser: someone dark passes near the lens while the shot fades,
// which takes contrast and brightness away and gives them back.
func TestFadeBehindPasser(t *testing.T) {
	s := scene{pic: texture(2), mean: 130, gain: 30}
	s.blobs = []blob{{x: -160, dx: 30, y: 170, rx: 90, ry: 160, edge: 20, tone: 20, passes: true}}
	s.blobs[0].x -= 30 * 28 // reaches the picture as the fade begins
	cuts := found([]shot{{to: 64, scene: s, out: ramp{cutlist.FadeOut, 24, 3}}, {from: 84, to: 130,
		scene: scene{pic: texture(4), mean: 100, gain: 25}, in: ramp{kind: cutlist.HardCut}}})
	if len(cuts) == 0 || cuts[0].Kind != cutlist.FadeOut || abs(cuts[0].Frame-40) > 3 || abs(cuts[0].End-64) > 3 {
		t.Errorf("got %v, want a fade-out from 40 to 64 first", cuts)
	}
}

// TestRobustMix: the share of a known mix, a quarter of which something else
// covers, at a gain.
func TestRobustMix(t *testing.T) {
	r := rand.New(rand.NewPCG(72, 42))
	const n = 192
	a, z, c := make([]float32, n), make([]float32, n), make([]float32, n)
	for _, want := range []float64{0, 0.2, 0.5, 0.9, 1} {
		for i := range c {
			a[i], z[i] = float32(60+80*r.Float64()), float32(90+80*r.Float64())
			c[i] = 1.1 * (float32(1-want)*a[i] + float32(want)*z[i])
			if i%4 == 0 {
				c[i] = 15
			}
		}
		if got, _ := robustMix(c, a, z); math.Abs(got-want) > 0.01 {
			t.Errorf("a mix of %g: got %.3f", want, got)
		}
	}
}

// TestFadeToWhiteInFlicker: over white the share of the shot does not depend on
// the gain of a frame, and what is washed out has no say.
func TestFadeToWhiteInFlicker(t *testing.T) {
	r := rand.New(rand.NewPCG(73, 42))
	const n, white = 192, 240
	a, c := make([]float32, n), make([]float32, n)
	for _, gain := range []float32{0.85, 1, 1.12} {
		for _, want := range []float64{0.3, 0.6, 1} {
			for i := range c {
				a[i] = float32(40 + 120*r.Float64())
				c[i] = min(255, gain*(float32(want)*a[i]+float32(1-want)*white))
			}
			if got, trust := toneMix(c, a, white); trust == 0 || math.Abs(got-want) > 0.01 {
				t.Errorf("%g of the shot at a gain of %g: got %.3f, trusted %g", want, gain, got, trust)
			}
		}
	}
}

// TestAgreedFades: the middle of three finds, a dissolve into black among them.
func TestAgreedFades(t *testing.T) {
	levels := make([]level, 100)
	for k := range levels {
		if levels[k] = (level{30, 120}); k >= 60 {
			levels[k] = level{0.5, 3}
		}
	}
	cut := func(k cutlist.Kind, s, e int64) []cutlist.Cut {
		return []cutlist.Cut{{Frame: s, End: e, Kind: k, Confidence: 0.9}}
	}
	fades, dissolves := agreedFades(levels, cut(cutlist.FadeOut, 48, 61), cut(cutlist.FadeOut, 40, 60), cut(cutlist.Dissolve, 42, 62))
	want := cutlist.Cut{Frame: 42, End: 61, Kind: cutlist.FadeOut, Confidence: 0.9}
	if len(dissolves) != 0 || len(fades) != 1 || fades[0] != want {
		t.Errorf("got %v and %v, want %v", fades, dissolves, want)
	}
	fades, dissolves = agreedFades(levels, nil, nil, cut(cutlist.Dissolve, 20, 40))
	if len(fades) != 0 || len(dissolves) != 1 {
		t.Errorf("between whole pictures: got %v and %v", fades, dissolves)
	}
}
