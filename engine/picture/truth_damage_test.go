package picture

import (
	"math"
	"math/rand/v2"
	"sync"
)

// damage is what a film has gone through.
type damage int

const (
	clean  damage = iota // a sensor's noise alone
	aged                 // damage of an old print, in pixels of the source
	ruined               // the same in points of the small picture: four times as coarse
)

// wear is the damage that goes on from frame to frame.
type wear struct {
	x, y     float64 // weave, in source pixels
	flicker  float64
	lean     [2]float64 // flicker from side to side and from top to bottom
	scratch  []scratch
	grainAt  [3]int // which plane, and where it begins
	grainWay float32
}

type scratch struct {
	x, width, tone float64
	left           int
}

const (
	weaveLimit  = 2.0 // pixels
	grainSD     = 13.5
	sensorSD    = 2.0
	grainPlanes = 3
	grainSide   = 768
)

// next moves the damage on by a frame: weave to 2 pixels, flicker to 15 % and
// a little from place to place, scratches.
func (w *wear) next(r *rand.Rand, d damage) {
	w.grainAt = [3]int{r.IntN(grainPlanes), r.IntN(grainSide - srcW), r.IntN(grainSide - srcH)}
	w.grainWay = float32(1 - 2*r.IntN(2))
	if d == clean {
		return
	}
	coarse := 1.0
	if d == ruined {
		coarse = shrinkBy
	}
	for _, v := range []*float64{&w.x, &w.y} {
		*v = coarse * max(-weaveLimit, min(weaveLimit, 0.8**v/coarse+0.5*r.NormFloat64()))
	}
	w.flicker = max(-0.15, min(0.15, 0.5*w.flicker+0.06*r.NormFloat64()))
	for i := range w.lean {
		w.lean[i] = max(-0.04, min(0.04, 0.7*w.lean[i]+0.015*r.NormFloat64()))
	}
	if len(w.scratch) < 4 && r.IntN(15) == 0 {
		w.scratch = append(w.scratch, scratch{srcW * r.Float64(), 1 + r.Float64(), 60 * r.NormFloat64(), 3 + r.IntN(40)})
	}
	keep := w.scratch[:0]
	for _, s := range w.scratch {
		if s.left--; s.left > 0 {
			s.x += r.NormFloat64() * 2
			keep = append(keep, s)
		}
	}
	w.scratch = keep
}

// grains are planes of noise of unit variance whose correlation falls to a half
// 0.75 pixels away: a blot about 1.5 pixels wide, as film grain is.
var grains = sync.OnceValue(func() [grainPlanes][]float32 {
	var planes [grainPlanes][]float32
	r := rand.New(rand.NewPCG(7, 98))
	const side, beside = grainSide, 0.15
	raw, mid := make([]float32, side*side), make([]float32, side*side)
	for n := range planes {
		for i := range raw {
			raw[i] = float32(r.NormFloat64() / (1 + 2*beside*beside))
		}
		out := make([]float32, side*side)
		for i := range raw {
			mid[i] = raw[i] + beside*(raw[(i+1)%len(raw)]+raw[(i+len(raw)-1)%len(raw)])
		}
		for i := range mid {
			out[i] = mid[i] + beside*(mid[(i+side)%len(mid)]+mid[(i+len(mid)-side)%len(mid)])
		}
		planes[n] = out
	}
	return planes
})

// grain is the noise under row y of a frame.
func (w *wear) grain(y int) []float32 {
	return grains()[w.grainAt[0]][(w.grainAt[2]+y)*grainSide+w.grainAt[1]:][:srcW]
}

// damageSource adds to frame k what age does, and flashes.
func (f *truthFilm) damageSource(k int64, a []float32) {
	if l := f.flash[k]; l.gain > 0 {
		l.shine(a)
	}
	w := &f.wear
	sd := w.grainWay * sensorSD
	if f.look.damage == aged {
		sd = w.grainWay * grainSD
	}
	for y := range srcH {
		row, g := a[y*srcW:][:srcW], w.grain(y)
		gain := float32(1 + w.flicker + w.lean[1]*(float64(y)/srcH-0.5))
		step := float32(w.lean[0] / srcW)
		gain -= step * srcW / 2
		for x := range row {
			row[x] = row[x]*gain + sd*g[x]
			gain += step
		}
	}
	if f.look.damage != aged {
		return
	}
	c := canvas{srcW, srcH, a}
	for _, s := range w.scratch {
		c.scratch(s)
	}
	for range 8 + f.rng.IntN(18) {
		c.spot(f.rng, 1+5*f.rng.Float64())
	}
	if f.torn[k] {
		for range 3 {
			c.spot(f.rng, 40+32*f.rng.Float64())
		}
		c.tear(f.rng)
	}
}

// ruin damages the small picture as far as the same figures go there.
func (f *truthFilm) ruin(k int64, pix []byte) {
	a := make([]float32, len(pix))
	for i, v := range pix {
		a[i] = float32(v) + 5*float32(f.rng.NormFloat64())
	}
	c := canvas{filmW, filmH, a}
	for _, s := range f.wear.scratch {
		s.x, s.width = s.x/shrinkBy, 1
		c.scratch(s)
	}
	for range 2 + f.rng.IntN(7) {
		c.spot(f.rng, 1+1.5*f.rng.Float64())
	}
	if f.torn[k] {
		for range 3 {
			c.spot(f.rng, 10+8*f.rng.Float64())
		}
	}
	for i, v := range a {
		pix[i] = level8(v)
	}
}

// canvas is a picture being damaged.
type canvas struct {
	w, h int
	p    []float32
}

func (c canvas) scratch(s scratch) {
	for x := max(0, int(s.x)); x < min(c.w, int(s.x+s.width)+1); x++ {
		in := float32(max(0, min(s.x+s.width, float64(x+1))-max(s.x, float64(x)))) // how much of this column it covers
		for y := range c.h {
			c.p[y*c.w+x] += in * float32(s.tone)
		}
	}
}

// spot is dirt or a hole.
func (c canvas) spot(r *rand.Rand, radius float64) {
	cx, cy := float64(c.w)*r.Float64(), float64(c.h)*r.Float64()
	tone := float32(20)
	if r.IntN(2) == 0 {
		tone = 230
	}
	for y := max(0, int(cy-radius)); y < min(c.h, int(cy+radius+1)); y++ {
		for x := max(0, int(cx-radius)); x < min(c.w, int(cx+radius+1)); x++ {
			if math.Hypot(float64(x)-cx, float64(y)-cy) < radius {
				c.p[y*c.w+x] = tone
			}
		}
	}
}

// tear moves what is below a slanting line to the side, with a bright edge.
func (c canvas) tear(r *rand.Rand) {
	at, slant := float64(c.h)*(0.2+0.6*r.Float64()), 0.2*r.NormFloat64()
	by := int(float64(c.w) * (0.05 + 0.15*r.Float64()))
	for x := range c.w {
		y0 := int(at + slant*float64(x))
		for y := max(0, y0); y < c.h; y++ {
			if y < y0+3 {
				c.p[y*c.w+x] = 240
			} else {
				c.p[y*c.w+x] = c.p[y*c.w+(x+by)%c.w]
			}
		}
	}
}
