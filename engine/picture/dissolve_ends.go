package picture

import "math"

// guesses are the ends that fits around frame c find, from whole frames at some
// distances, by least squares and by least deviations, step by step.
func (f *fitting) guesses(c int) []ends {
	var all []ends
	add := func(g curveFit) {
		h := ends{g.s, g.e}
		if h.e-h.s < minDissolve {
			return
		}
		for _, x := range all {
			if x == h {
				return
			}
		}
		all = append(all, h)
	}
	for i, h := range spans {
		if i > 0 && (c < h || c+h >= f.b.count || f.b.middling(c, h) <= 0) {
			continue
		}
		for robust := range 2 {
			f.passes = 1 + robust*(mixPasses-1)
			g := f.from(c-h, c+h-1)
			add(g)
			for _, out := range [...]int{4, 2} {
				if math.IsInf(g.miss, 1) {
					break
				}
				g = f.from(g.s-out, g.e-1+out)
				add(g)
			}
		}
	}
	return all
}

// pursued follows both pictures between the ends, and moves these to where the
// shares then begin and end to change; twice.
func (f *fitting) pursued(h ends) (ends, [featureN]float64) {
	var a, z, from, to int
	for round := range 2 {
		a, z, from, to = f.about(h)
		f.follow(a, z, from, to)
		h = f.bestRamp(h, from, to, round == 0)
	}
	return h, f.features(h, a, z, from, to)
}

// rampMoves is how far one round moves an end, in frames; leastRise the least
// change of share that a free ramp may have.
const (
	rampMoves = 9
	leastRise = 0.3
)

// bestRamp is where the shares of frames from from to to-1 begin and end to
// change, near h. Free: from any share to any other.
func (f *fitting) bestRamp(h ends, from, to int, free bool) ends {
	best, out := math.Inf(1), h
	for s := max(from+1, h.s-rampMoves); s <= h.s+rampMoves; s++ {
		for e := max(s+minDissolve-1, h.e-rampMoves); e <= min(to-1, h.e+rampMoves) && e-s <= maxDissolve; e++ {
			low, high := 0.0, 1.0
			if free {
				low, high = f.plateaus(s-from, e-from)
				if high-low < leastRise {
					continue
				}
			}
			if m := f.between(s-from, e-from, low, high, best); m < best {
				best, out = m, ends{s, e}
			}
		}
	}
	return out
}

// plateaus are the shares before and after a ramp that fit best.
func (f *fitting) plateaus(s, e int) (low, high float64) {
	var ll, lh, hh, lv, hv float64
	slope := 1 / float64(e-s+1)
	for t, v := range f.share {
		h := max(0, min(1, float64(t-s+1)*slope))
		l, w := 1-h, f.trust[t]
		ll, lh, hh, lv, hv = ll+w*l*l, lh+w*l*h, hh+w*h*h, lv+w*l*v, hv+w*h*v
	}
	det := ll*hh - lh*lh
	if det <= 1e-9 {
		return 0, 0
	}
	return (lv*hh - hv*lh) / det, (hv*ll - lv*lh) / det
}

// between is ramp from one share to another, in parts of the way.
func (f *fitting) between(s, e int, low, high, enough float64) float64 {
	var sum float64
	slope := (high - low) / float64(e-s+1)
	for t, v := range f.share {
		d := v - max(low, min(high, low+float64(t-s+1)*slope))
		if sum += f.trust[t] * min(mostMiss, d*d); sum > enough {
			break
		}
	}
	return sum
}
