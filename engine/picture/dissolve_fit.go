package picture

import (
	"math"
	"slices"
)

// fitting is the search for a dissolve between frames lo and hi.
type fitting struct {
	b      *blendTrack
	lo, hi int
	share  []float64    // of B in each frame, by most cells
	off    []float64    // how far the cells are from agreeing on it
	trust  []float64    // what each frame's share counts
	moved  [2][]float32 // A and Z, moved
	way    follower
	plates [2]plate // of A and of Z
	most   float32  // how far a gain goes from 1
	costs  costTable
	// watch, unless nil, is told what each round of a pursuit finds, and none is
	// left early: it is there to learn from.
	watch    func(c, window, round int, h ends, signs []float64)
	en, tone [9][]float64 // energy and brightness of the ninths
}

const mostMiss = 0.1 // squared share: what is further off counts no more

// usualOff is how far cells are from agreeing on a frame that counts half.
const usualOff = 0.15

func (f *fitting) offIn(from, to int) float64 {
	var sum float64
	for _, v := range f.off[from:to] {
		sum += v
	}
	return sum / float64(max(1, to-from))
}

// ramp is the summed squared distance of the shares from a ramp, or some
// number over enough.
func (f *fitting) ramp(s, e int, enough float64) float64 {
	var sum float64
	slope := 1 / float64(e-s+1)
	for t, v := range f.share {
		d := v - max(0, min(1, float64(t-s+1)*slope))
		if sum += f.trust[t] * min(mostMiss, d*d); sum > enough {
			break
		}
	}
	return sum
}

func apartness(a, b []float32) float64 {
	var sum float32
	for i, v := range a {
		d := v - b[i]
		sum += d * d
	}
	return float64(sum) / float64(len(a))
}

// mixShare is the share of z in c = pa + qz, and the mean deviation in parts of
// that between a and z.
func mixShare(c, a, z []float32, p, q float32) (u, off float64) {
	var miss, all float32
	for i, v := range c {
		r, d := v-p*a[i]-q*z[i], z[i]-a[i]
		miss, all = miss+max(r, -r), all+max(d, -d)
	}
	if p+q < 0.3 {
		return 0, 1
	}
	return max(-1, min(2, float64(q/(p+q)))), min(1, float64(miss/(all+1e-3)))
}

const leastOff = 2 // levels

// motionOver is over how many frames the motion of a shot is measured.
const motionOver = 6

// motion is how far the picture moves a frame, in points of a tiny, near frame
// k towards way, no further than frame end; nothing where that is not clear.
func (f *fitting) motion(k, way, end int) (v [2]float64) {
	n := min(motionOver, way*(end-k))
	if n < 3 {
		return v
	}
	dx, dy, like := shift(f.b.at(k), f.b.at(k+way*n), panReach)
	if like < clearMotion || math.Hypot(dx, dy) < leastMotion*float64(n) {
		return v
	}
	return [2]float64{float64(way) * dx / float64(n), float64(way) * dy / float64(n)}
}

const (
	clearMotion = 0.6
	leastMotion = 0.12 // points of a tiny a frame
)

// takeNinths reads the energy and brightness of the ninths of some frames,
// without flicker.
func (f *fitting) takeNinths(from, to int) {
	for i := range f.en {
		f.en[i], f.tone[i] = f.en[i][:0], f.tone[i][:0]
	}
	for k := from; k < to; k++ {
		gain, t := f.b.flicker(k), f.b.at(k)
		for block := range f.en {
			f.en[block] = append(f.en[block], t.blockEnergy(block)/gain)
			f.tone[block] = append(f.tone[block], t.ninths[block]/math.Sqrt(gain))
		}
	}
}

// blocksMiss is how far the energies of the ninths are from the mix's; and what
// the mix leaves of their distance from straight changes: a dissolve dips
// everywhere, a pan over an empty part in places.
func blocksMiss(en *[9][]float64, s, e int) (off, left float64) {
	var miss, all, bent, straight float64
	n := len(en[0])
	for _, v := range en {
		ea, ez := middle(v[:s]), middle(v[e:])
		for t, x := range v {
			u := max(0, min(1, float64(t-s+1)/float64(e-s+1)))
			d := x - (1-u)*(1-u)*ea - u*u*ez
			l := x - (1-u)*ea - u*ez
			w := 1 / (ea + ez + 4*flatEnergy)
			miss, bent, straight = miss+d*d, bent+d*d*w, straight+l*l*w
		}
		p := max(ea, ez) + flatEnergy
		all += p * p
	}
	return miss / all / float64(n), bent / (straight + 1e-6)
}

// tonesMiss is how far the brightness of the ninths is from the straight changes
// of a mix, as a share of what changes.
func tonesMiss(tone *[9][]float64, s, e int) float64 {
	var miss, all float64
	for _, v := range tone {
		a, z := middle(v[:s]), middle(v[e:])
		for t, x := range v {
			u := max(0, min(1, float64(t-s+1)/float64(e-s+1)))
			d := x - (1-u)*a - u*z
			miss += d * d
		}
		all += (a-z)*(a-z) + flatTone
	}
	return miss / all / float64(len(tone[0]))
}

// flatTone keeps ninths that do not change from weighing, in levels squared.
const flatTone = 30.0

func middle(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	var few [64]float64
	s := append(few[:0], v...)
	slices.Sort(s)
	return s[len(s)/2]
}
