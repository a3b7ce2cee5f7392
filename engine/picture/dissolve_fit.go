package picture

import (
	"math"
	"slices"
)

// curveFit is a dissolve from its first mixed frame s to its first whole one e,
// by squares.
type curveFit struct {
	ends
	miss float64 // summed squared distance of the shares from the ramp; infinite: none found
}

// fitting is the search for a dissolve between frames lo and hi.
type fitting struct {
	b        *blendTrack
	lo, hi   int
	share    []float64    // of B in each frame, by most cells
	off      []float64    // how far the cells are from agreeing on it
	passes   int          // of mixOf
	trust    []float64    // what each frame's share counts
	moved    [2][]float32 // A and Z, moved
	way      follower
	en, tone [9][]float64 // energy and brightness of the ninths
}

const (
	curveMargin = 10  // whole frames on each side that a fit looks at
	mostMiss    = 0.1 // squared share: what is further off counts no more
)

// from finds the start and end that explain the frames best, taking frames a
// and z as whole.
func (f *fitting) from(a, z int) curveFit {
	a, z = max(f.lo, a), min(f.hi-1, z)
	if z-a < minDissolve {
		return curveFit{miss: math.Inf(1)}
	}
	from, to := max(f.lo, a-curveMargin), min(f.hi, z+curveMargin+1)
	f.takeShares(a, z, from, to)
	best := curveFit{miss: math.Inf(1)}
	try := func(s, e int) {
		if s <= a || e > z+1 || e <= s || e-s > maxDissolve {
			return
		}
		if m := f.ramp(s-from, e-from, best.miss); m < best.miss {
			best.miss, best.s, best.e = m, s, e
		}
	}
	const step = 3
	for s := a + 1; s <= z; s += step {
		for e := s + minDissolve - 1; e <= z+1; e += step {
			try(s, e)
		}
	}
	for range 2 {
		s, e := best.s, best.e
		for i := -2; i <= 2; i++ {
			for j := -2; j <= 2; j++ {
				try(s+i, e+j)
			}
		}
	}
	return best
}

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

// takeShares finds how much of Z is in each frame from from to to, with A =
// frame a and Z = frame z moved as their cameras move.
func (f *fitting) takeShares(a, z, from, to int) {
	f.share, f.off, f.trust = f.share[:0], f.off[:0], f.trust[:0]
	fa, fz := f.b.at(a), f.b.at(z)
	va, vz := f.motion(a, -1, from), f.motion(z, 1, to-1)
	for t := from; t < to; t++ {
		p, q := fa.movedCells(va, float64(t-a), &f.moved[0]), fz.movedCells(vz, float64(t-z), &f.moved[1])
		u, off := mixOf(f.b.at(t).cells, p, q, f.passes)
		f.share, f.off = append(f.share, u), append(f.off, off)
		f.trust = append(f.trust, 1/(1+off*off/(usualOff*usualOff)))
	}
}

// mixOf is the share of z in a picture c that is g((1-u)a + uz), by least
// absolute deviations, so that what moves before the camera has little say: by
// least squares weighted anew (iteratively reweighted, Schlossmacher 1973). off
// is the mean deviation in parts of that between a and z.
func mixOf(c, a, z []float32, passes int) (u, off float64) {
	a, z = a[:len(c)], z[:len(c)]
	p, q := float32(0.5), float32(0.5)
	for pass := range passes {
		var aa, zz, az, ca, cz float32
		for i, v := range c {
			x, y := a[i], z[i]
			if pass > 0 {
				r := v - p*x - q*y
				w := 1 / (leastOff + max(r, -r))
				x, y = w*x, w*y
				aa, zz, az, ca, cz = aa+x*a[i], zz+y*z[i], az+x*z[i], ca+x*v, cz+y*v
				continue
			}
			aa, zz, az, ca, cz = aa+x*x, zz+y*y, az+x*y, ca+v*x, cz+v*y
		}
		det := aa*zz - az*az
		if det <= 1e-6*aa*zz {
			return 0, 1
		}
		p, q = (ca*zz-cz*az)/det, (cz*aa-ca*az)/det
	}
	return mixShare(c, a, z, p, q)
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

const (
	mixPasses = 4
	leastOff  = 2 // levels
)

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
