package picture

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// passing is a scene before which someone near the lens crosses the picture from
// frame from on, so many frames long.
func passing(s scene, from, frames float64) scene {
	const rx = 110
	speed := (srcW + 2*rx) / frames
	s.blobs = append(slices.Clone(s.blobs), blob{x: -rx - speed*from, dx: speed, y: 170, rx: rx, ry: 220, edge: 30, tone: 25, passes: true})
	return s
}

// TestPlateSeesBehind: the plate of a panned shot is what the shot is without the
// one who passes, though each frame of them has him.
func TestPlateSeesBehind(t *testing.T) {
	free := scene{pic: texture(5), mean: 120, gain: 30, dx: 1.5}
	seen := func(s scene) *Detector {
		d := NewDetector(timecode.Rate24)
		f := truthFilm{rng: rand.New(rand.NewPCG(74, 42)), frames: 40, shots: []shot{{to: 40, scene: s}}}
		f.render(d.Push, nil)
		d.Finish()
		return d
	}
	with, without := seen(passing(free, 14, 14)), seen(free)
	fit := &with.blend.fit
	fit.b, fit.most = &with.blend, 1.05
	var p plate
	p.take(fit, 17, 14, 30)
	off := func(cells []float32) (sum float64) {
		want := without.blend.at(17).cells
		for i, v := range cells {
			sum += math.Abs(float64(v-want[i])) / float64(len(cells))
		}
		return sum
	}
	frame, plate := off(with.blend.at(17).cells), off(p.cells)
	t.Logf("the frame is off by %.1f levels, the plate by %.1f", frame, plate)
	if frame < 15 || plate > frame/4 {
		t.Errorf("the frame is off by %.1f levels, want over 15; the plate by %.1f, want at most a quarter of that", frame, plate)
	}
}

// TestDissolveBehindPasser: someone passes near the lens of either shot while it
// is mixed.
func TestDissolveBehindPasser(t *testing.T) {
	a, z := scene{pic: texture(1), mean: 120, gain: 30, dx: 0.6}, scene{pic: texture(3), mean: 105, gain: 30}
	mix := ramp{kind: cutlist.Dissolve, frames: 22}
	for name, shots := range map[string][]shot{
		"before it is gone":  {{to: 72, scene: passing(a, 48, 20), out: mix}, {from: 50, to: 120, scene: z, in: mix}},
		"as the other comes": {{to: 72, scene: a, out: mix}, {from: 50, to: 120, scene: passing(z, 3, 16), in: mix}},
	} {
		cuts := found(shots)
		if len(cuts) != 1 || cuts[0].Kind != cutlist.Dissolve || abs(cuts[0].Frame-50) > 3 || abs(cuts[0].End-72) > 3 {
			t.Errorf("someone passes %s: got %v, want a dissolve from 50 to 72", name, cuts)
		}
	}
}

// TestPasserIsNoCut: something fills the picture from one frame to the next and
// leaves it again; a short shot between two of one picture is two cuts.
func TestPasserIsNoCut(t *testing.T) {
	f := newTruthFilm(10891, 1, look{})
	d := NewDetector(timecode.Rate24)
	f.render(d.Push, nil)
	if cuts := d.Finish(); len(cuts) != 0 {
		t.Errorf("someone passes: got %v", cuts)
	}
	a, b := scene{pic: texture(6), mean: 120, gain: 30}, scene{pic: texture(7), mean: 110, gain: 30}
	hard := ramp{kind: cutlist.HardCut}
	cuts := found([]shot{{to: 40, scene: a, in: hard, out: hard}, {from: 40, to: 54, scene: b, in: hard, out: hard}, {from: 54, to: 100, scene: a, in: hard, out: hard}})
	if len(cuts) != 2 || cuts[0].Frame != 40 || cuts[1].Frame != 54 {
		t.Errorf("a short shot: got %v, want cuts at 40 and 54", cuts)
	}
}

// TestCostsOutvoteWhatHides: a mix of two known pictures, of which something hides
// a half that wanders, costs least at its own ends.
func TestCostsOutvoteWhatHides(t *testing.T) {
	r := rand.New(rand.NewPCG(75, 42))
	const w, h, frames, s, e = 16, 12, 40, 11, 27
	noise := func() tiny {
		t := tiny{w: 2 * w, h: 2 * h, cells: make([]float32, w*h)}
		for i := range t.cells {
			t.cells[i] = float32(60 + 120*r.Float64())
		}
		return t
	}
	var f fitting
	f.plates[0].tiny, f.plates[1].tiny = noise(), noise()
	f.b = &blendTrack{}
	for k := range frames {
		c := noise()
		u := float32(max(0, min(1, float64(k-s+1)/(e-s+1))))
		gain := float32(1 + 0.1*math.Sin(float64(3*k)))
		for i := range c.cells {
			c.cells[i] = gain * ((1-u)*f.plates[0].cells[i] + u*f.plates[1].cells[i])
			if hidden := (i + 5*k) % (w * h); hidden < w*h/2 {
				c.cells[i] = 20
			}
		}
		f.b.ring[k] = c
		f.b.levels = append(f.b.levels, level{30, 120 * float64(gain)})
		f.way.da, f.way.dz = append(f.way.da, [2]float64{}), append(f.way.dz, [2]float64{})
	}
	f.most = f.b.gainWithin(0, frames)
	f.takeCosts(0, frames)
	if got := f.costs.bestEnds(ends{s - 5, e + 4}, 0, frames); got != (ends{s, e}) {
		t.Errorf("ends %v, want %v", got, ends{s, e})
	}
	if got := f.costs.ramp(s, e, math.Inf(1)) / frames; math.Abs(got-0.5) > 0.04 {
		t.Errorf("cost %.3f, want the half that is hidden", got)
	}
}

// TestOddsAreRead: the stored nets fit what they are given, and come back as they
// were written; one that is cut short is an error.
func TestOddsAreRead(t *testing.T) {
	var text strings.Builder
	for i, n := range dissolveOdds() {
		if len(n.mean) != signN || len(n.out) != len(n.hidden)+1 {
			t.Errorf("net %d takes %d numbers, want %d", i, len(n.mean), signN)
		}
		n.write(&text)
	}
	if text.String() != oddsText {
		t.Error("written otherwise than read")
	}
	var n oddsNet
	if err := n.read(strings.NewReader(oddsText[:len(oddsText)/4])); err == nil {
		t.Error("half a net is taken for one")
	}
}

// TestLearner: one hidden layer learns what no straight line parts.
func TestLearner(t *testing.T) {
	r := rand.New(rand.NewPCG(76, 42))
	var x [][]float64
	var right []bool
	for range 3000 {
		p := []float64{100 + 7*r.NormFloat64(), r.NormFloat64()}
		x, right = append(x, p), append(right, (p[0] > 100) == (p[1] > 0))
	}
	l := newLearner(r, x[:2000], 8)
	l.learn(r, x[:2000], right[:2000], 60)
	ok := 0
	for i, p := range x[2000:] {
		if (l.net.of(p) > 0) == right[2000+i] {
			ok++
		}
	}
	if t.Logf("%d of 1000", ok); ok < 920 {
		t.Errorf("%d of 1000 right, want 920", ok)
	}
}
