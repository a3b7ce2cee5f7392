package picture

import "math"

type curveFit struct {
	tones  float64 // how far the ninths' brightness is from straight changes
	blocks float64 // as dip, over the ninths of the picture
	s, e   int
	miss   float64 // mean squared
	dip    float64 // what is left of the energy's distance from a straight line, mean squares
	pair   float64 // likeness of both ends
}

// curves are what a dissolve is fitted to, from frame lo on.
type curves struct {
	toA, toZ   []float64
	energy     []float64
	ownA, ownZ []float64 // the likeness that motion and grain leave within the shots
	a, z       int       // the frames taken as whole
	pair       float64
}

// fitting is the search for the dissolve around frame c, between frames lo and
// hi. What it works out it keeps: the searches from several distances meet.
type fitting struct {
	b         *blendTrack
	c, lo, hi int
	energy    []float64         // of each frame from lo on, without flicker
	rows      map[int][]float64 // likeness of each of them to a frame
	tried     map[[2]int]curveFit
	en, tone  [9][]float64 // energy and brightness of the ninths, when asked for
}

func (b *blendTrack) newFitting(c, lo, hi int) *fitting {
	f := &fitting{b: b, c: c, lo: lo, hi: hi, rows: map[int][]float64{}, tried: map[[2]int]curveFit{}}
	for k := lo; k < hi; k++ {
		f.energy = append(f.energy, b.at(k).energy/b.flicker(k))
	}
	return f
}

// best is the likeliest fit from any of spans and the logarithm of its odds.
func (f *fitting) best(score float32) (found curveFit, odds float64) {
	odds = math.Inf(-1)
	for _, h := range spans {
		if g, ok := f.from(h); ok && g.logit(score) > odds {
			found, odds = g, g.logit(score)
		}
	}
	return found, odds
}

// from fits first between whole frames h away, then again from frames well
// outside what was found.
func (f *fitting) from(h int) (curveFit, bool) {
	g := f.fit(f.c-h, f.c+h)
	for range 3 {
		if g.miss > 4*maxCurveMiss {
			return g, false
		}
		out := 3 + (g.e-g.s)/5
		again := f.fit(g.s-out, g.e-1+out)
		if again.s == g.s && again.e == g.e {
			break
		}
		g = again
	}
	return g, g.e-g.s >= minDissolve && g.blocks > 0
}

// row is the likeness to frame a of each frame.
func (f *fitting) row(a int) []float64 {
	if v, ok := f.rows[a]; ok {
		return v
	}
	v := make([]float64, f.hi-f.lo)
	for i := range v {
		v[i] = alikeAcross(f.b.at(a), f.b.at(f.lo+i))
	}
	f.rows[a] = v
	return v
}

// fit finds the start and end that explain the curves best, taking frames a and
// z as whole.
func (f *fitting) fit(a, z int) curveFit {
	a, z = max(f.lo, a), min(f.hi-1, z)
	if g, ok := f.tried[[2]int{a, z}]; ok {
		return g
	}
	n, lo, c := f.hi-f.lo, f.lo, f.c
	cv := curves{toA: f.row(a), toZ: f.row(z), energy: f.energy, a: a - lo, z: z - lo, pair: f.row(a)[z-lo]}
	cv.ownA, cv.ownZ = decayOf(cv.toA, cv.a, -1).row(n, cv.a), decayOf(cv.toZ, cv.z, 1).row(n, cv.z)
	best := curveFit{miss: math.Inf(1), pair: cv.pair}
	for s := max(lo+1, c-maxDissolve); s <= c; s++ {
		for e := max(c+1, s+1); e <= min(f.hi-1, s+maxDissolve); e++ {
			if m, dip := cv.miss(s-lo, e-lo); m < best.miss {
				best.s, best.e, best.miss, best.dip = s, e, m, dip
			}
		}
	}
	if best.pair <= maxPairAlike && best.dip < maxDip && best.miss < 3*maxCurveMiss {
		best = f.refine(&cv, best)
	}
	f.tried[[2]int{a, z}] = best
	return best
}

// logit is the logarithm of the odds that a fit is a dissolve with both ends
// right: a logistic regression (Cox, "The regression analysis of binary
// sequences", 1958) over the fits of forty made-up films, clean and aged, none
// of which the tests use by default.
func (f curveFit) logit(score float32) float64 {
	return -7.50 - 3.35*f.pair - 3.17*min(f.blocks, 1.5) - 0.38*min(f.dip, 1.5) - 1.37*math.Log(f.miss+0.002) -
		1.06*math.Log(min(f.tones, 1)+0.005) + 3.06*float64(score) - 0.51*math.Log(float64(f.e-f.s))
}

// decay is how likeness falls with distance within one shot: what motion,
// weave and grain do.
type decay struct{ start, rate float64 }

// row is the likeness to frame a of each of n frames.
func (d decay) row(n, a int) []float64 {
	v := make([]float64, n)
	for t := range v {
		v[t] = d.start * math.Exp(-d.rate*math.Abs(float64(t-a)))
	}
	return v
}

// decayOf measures it on the whole side of frame a, by a line through the
// logarithms.
func decayOf(like []float64, a, dir int) decay {
	var n, sx, sy, sxx, sxy float64
	for d := 1; d <= 10; d++ {
		i := a + dir*d
		if i < 0 || i >= len(like) || like[i] < 0.45 {
			break
		}
		x, y := float64(d), math.Log(like[i])
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	if n < 3 {
		return decay{0.95, 0.01}
	}
	rate := -(n*sxy - sx*sy) / (n*sxx - sx*sx)
	rate = max(0, min(0.06, rate))
	return decay{max(0.5, min(1, math.Exp((sy+rate*sx)/n))), rate}
}

// refine moves the ends to where the energies of the nine ninths of the picture
// fit best too: they are more witnesses of when the mix begins and ends.
func (f *fitting) refine(cv *curves, g curveFit) curveFit {
	f.takeNinths()
	lo := f.lo
	best := math.Inf(1)
	out := g
	for s := max(lo+1, g.s-refineBy); s <= g.s+refineBy; s++ {
		for e := max(s+minDissolve, g.e-refineBy); e <= min(f.hi-1, g.e+refineBy); e++ {
			miss, dip := cv.miss(s-lo, e-lo)
			bm, bd := blocksMiss(&f.en, s-lo, e-lo)
			tm := tonesMiss(&f.tone, s-lo, e-lo)
			if m := miss + bm + toneWeight*tm; m < best {
				best, out.s, out.e, out.miss, out.dip, out.blocks, out.tones = m, s, e, miss, dip, bd, tm
			}
		}
	}
	return out
}

// takeNinths reads the ninths of each frame, once.
func (f *fitting) takeNinths() {
	if f.en[0] != nil {
		return
	}
	for k := f.lo; k < f.hi; k++ {
		g, t := f.b.flicker(k), f.b.at(k)
		for block := range f.en {
			f.en[block] = append(f.en[block], t.blockEnergy(block)/g)
			f.tone[block] = append(f.tone[block], t.ninths[block]/math.Sqrt(g))
		}
	}
}

// refineBy is how far refine moves an end, in frames.
const refineBy = 9

// blocksMiss is how far the energies of the ninths are from the mix's; and what
// the mix leaves of their distance from straight changes: a dissolve dips
// everywhere, a pan over an empty part in places.
func blocksMiss(en *[9][]float64, s, e int) (off, left float64) {
	from, to := max(0, s-curveMargin), min(len(en[0]), e+curveMargin)
	var miss, all, bent, straight float64
	for block := range en {
		v := en[block]
		ea, ez := middle(v[from:s]), middle(v[e:to])
		for t := from; t < to; t++ {
			u := max(0, min(1, float64(t-s+1)/float64(e-s+1)))
			d := v[t] - (1-u)*(1-u)*ea - u*u*ez
			l := v[t] - (1-u)*ea - u*ez
			w := 1 / (ea + ez + 4*flatEnergy)
			miss, bent, straight = miss+d*d, bent+d*d*w, straight+l*l*w
		}
		p := max(ea, ez) + flatEnergy
		all += p * p
	}
	return miss / all / float64(to-from), bent / (straight + 1e-6)
}

// tonesMiss is how far the brightness of the ninths is from the straight changes
// of a mix, as a share of what changes.
func tonesMiss(tone *[9][]float64, s, e int) float64 {
	from, to := max(0, s-curveMargin), min(len(tone[0]), e+curveMargin)
	var miss, all float64
	for block := range tone {
		v := tone[block]
		a, z := middle(v[from:s]), middle(v[e:to])
		for t := from; t < to; t++ {
			u := max(0, min(1, float64(t-s+1)/float64(e-s+1)))
			d := v[t] - (1-u)*a - u*z
			miss += d * d
		}
		all += (a-z)*(a-z) + flatTone
	}
	return miss / all / float64(to-from)
}

// flatTone keeps ninths that do not change from weighing, in levels squared;
// toneWeight is that of the brightness against the structure in refine.
const (
	flatTone   = 30.0
	toneWeight = 2.0
)

// curveMargin is how many whole frames on each side a fit looks at.
const curveMargin = 10

// miss is how far the curves are from those of a dissolve whose first mixed
// frame is s and whose first whole frame is e; and what the dip of a dissolve
// leaves of the energy's squared distance from a straight change.
func (cv *curves) miss(s, e int) (miss, dip float64) {
	from, to := max(0, s-curveMargin), min(len(cv.toA), e+curveMargin)
	ea, ez := middle(cv.energy[from:s]), middle(cv.energy[e:to])
	peak := max(ea, ez, 1e-9)
	var bent, straight float64
	for t := from; t < to; t++ {
		u := max(0, min(1, float64(t-s+1)/float64(e-s+1)))
		mixed := (1-u)*(1-u)*ea + u*u*ez + 2*u*(1-u)*cv.pair*math.Sqrt(ea*ez)
		x, y := (1-u)*math.Sqrt(ea), u*math.Sqrt(ez)
		norm := math.Sqrt(max(mixed, 1e-9))
		da := cv.toA[t] - max(cv.pair, min(1, (x*cv.ownA[t]+cv.pair*y)/norm))
		dz := cv.toZ[t] - max(cv.pair, min(1, (y*cv.ownZ[t]+cv.pair*x)/norm))
		de := (cv.energy[t] - mixed) / peak
		dl := (cv.energy[t] - (1-u)*ea - u*ez) / peak
		bent, straight = bent+de*de, straight+dl*dl
		miss += (da*da + dz*dz + de*de) / 3
	}
	return miss / float64(to-from), bent / (straight + 1e-6)
}
