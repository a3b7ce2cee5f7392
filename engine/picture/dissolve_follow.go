package picture

import "math"

// Following. Aim: how much of Z is in each frame, though both cameras move as
// they like. Method: A and Z are moved, frame by frame from where they are
// whole, to where the frame is best explained as a mix of both (registration of
// two layers by least residual, in the manner of Bergen, Burt, Hingorani and
// Peleg, "A three-frame algorithm for estimating two-component image motion",
// IEEE PAMI 14, 1992); what still does not agree, players and passers-by, loses
// its say (Cauchy weights: Holland and Welsch, "Robust regression using
// iteratively reweighted least-squares", 1977). Cost: two or three milliseconds.

// follower is where A and Z are in each of some frames.
type follower struct {
	from   int          // the first of them
	da, dz [][2]float64 // how far A and Z have moved in each, in points of a tiny
}

const (
	followRounds = 2
	followSlack  = 0.15 // levels for a squared point off the way that is expected
	followGain   = 0.3  // of the speed, for what it is off
)

// follow finds where both plates are in frames from from to to-1, of which a and
// z are the whole ones that the plates were made at, and how much of Z each has.
func (f *fitting) follow(a, z, from, to int) {
	l := &f.way
	l.from = from
	va, vz := f.motion(a, -1, from), f.motion(z, 1, to-1)
	l.da, l.dz = l.da[:0], l.dz[:0]
	for t := from; t < to; t++ {
		l.da = append(l.da, scaled(va, float64(t-a)))
		l.dz = append(l.dz, scaled(vz, float64(t-z)))
	}
	pa, pz := &f.plates[0], &f.plates[1]
	for range followRounds {
		f.sweep(a, pa, pz, l.da, l.dz, va)
		f.sweep(z, pz, pa, l.dz, l.da, vz)
	}
	f.share, f.off, f.trust = f.share[:0], f.off[:0], f.trust[:0]
	for i := range l.da {
		p, q := pa.movedCells(l.da[i], 1, &f.moved[0]), pz.movedCells(l.dz[i], 1, &f.moved[1])
		u, off := robustMix(f.b.at(from+i).cells, p, q)
		f.share, f.off = append(f.share, u), append(f.off, off)
		f.trust = append(f.trust, 1/(1+off*off/(usualOff*usualOff)))
	}
}

// sweep betters where a plate is in each frame, from the one it was made at
// outward both ways, with the other where it is.
func (f *fitting) sweep(at int, own, other *plate, places, others [][2]float64, v [2]float64) {
	for _, way := range [...]int{-1, 1} {
		m := drift{places[at-f.way.from], scaled(v, float64(way))}
		for k := at - f.way.from + way; k >= 0 && k < len(places); k += way {
			c, o := f.b.at(f.way.from+k).cells, other.movedCells(others[k], 1, &f.moved[1])
			m.step(func(d [2]float64) float32 { return mixResidual(c, own.movedCells(d, 1, &f.moved[0]), o) })
			places[k] = m.d
		}
	}
}

// drift is where a picture is, and how far it goes from one frame to the next.
type drift struct{ d, v [2]float64 }

// step goes on by a frame, to the nearest place of the least residual.
func (m *drift) step(residual func(d [2]float64) float32) {
	expected := [2]float64{m.d[0] + m.v[0], m.d[1] + m.v[1]}
	m.d = nearestPlace(expected, residual)
	m.v[0] += followGain * (m.d[0] - expected[0])
	m.v[1] += followGain * (m.d[1] - expected[1])
}

// mixResidual is how far c is from the nearest mix of a and z, neither below
// nothing, in levels, each cell counting up to a bound.
func mixResidual(c, a, z []float32) float32 {
	a, z = a[:len(c)], z[:len(c)]
	var p, q float32
	for pass := range 2 {
		var aa, zz, az, ca, cz float32
		if pass == 0 {
			for i, v := range c {
				x, y := a[i], z[i]
				aa, zz, az, ca, cz = aa+x*x, zz+y*y, az+x*y, ca+v*x, cz+v*y
			}
		} else {
			for i, v := range c {
				x, y := a[i], z[i]
				r := v - p*x - q*y
				w := 1 / (cellOff*cellOff + r*r)
				wx, wy := w*x, w*y
				aa, zz, az, ca, cz = aa+wx*x, zz+wy*y, az+wx*y, ca+wx*v, cz+wy*v
			}
		}
		det := aa*zz - az*az
		if det <= 1e-6*aa*zz {
			return math.MaxFloat32
		}
		p, q = (ca*zz-cz*az)/det, (cz*aa-ca*az)/det
		if p < 0 {
			p, q = 0, cz/zz
		} else if q < 0 {
			p, q = ca/aa, 0
		}
	}
	var miss float32
	for i, v := range c {
		r := v - p*a[i] - q*z[i]
		r *= r
		miss += r / (r + cellOff*cellOff)
	}
	return cellOff * miss / float32(len(c))
}

func scaled(v [2]float64, by float64) [2]float64 { return [2]float64{v[0] * by, v[1] * by} }

// nearestPlace is the place, on half cells about the one that is expected, with
// the least residual and slack for the way off it.
func nearestPlace(expected [2]float64, residual func(d [2]float64) float32) [2]float64 {
	best, place := float32(math.Inf(1)), expected
	try := func(d [2]float64) {
		r := residual(d)
		x, y := d[0]-expected[0], d[1]-expected[1]
		if r += float32(followSlack * (x*x + y*y)); r < best {
			best, place = r, d
		}
	}
	try(expected)
	for _, step := range [...]float64{1, 0.5} {
		m := place
		try([2]float64{m[0] - step, m[1]})
		try([2]float64{m[0] + step, m[1]})
		try([2]float64{m[0], m[1] - step})
		try([2]float64{m[0], m[1] + step})
	}
	return place
}

const (
	robustPasses = 6
	cauchyFrom   = 3   // the passes before are by least deviations
	cauchyScale  = 0.5 // of the mean deviation
)

// robustMix is the share of z in a picture c that is g((1-u)a + uz), by least
// squares weighted anew: first by least absolute deviations (Schlossmacher 1973),
// then by weights that fall with the square of what is off, so that what moves
// before the camera has little say. off is the mean deviation in parts of that
// between a and z.
func robustMix(c, a, z []float32) (u, off float64) {
	a, z = a[:len(c)], z[:len(c)]
	p, q := float32(0.5), float32(0.5)
	var dev float32
	for pass := range robustPasses {
		var aa, zz, az, ca, cz, sum float32
		s := cauchyScale*cauchyScale*dev*dev + 1
		for i, v := range c {
			x, y := a[i], z[i]
			r := v - p*x - q*y
			r = max(r, -r)
			sum += r
			w := float32(1)
			if pass >= cauchyFrom {
				w = 1 / (s + r*r)
			} else if pass > 0 {
				w = 1 / (leastOff + r)
			}
			wx, wy := w*x, w*y
			aa, zz, az, ca, cz = aa+wx*x, zz+wy*y, az+wx*y, ca+wx*v, cz+wy*v
		}
		dev = sum / float32(len(c))
		det := aa*zz - az*az
		if det <= 1e-6*aa*zz {
			return 0, 1
		}
		p, q = (ca*zz-cz*az)/det, (cz*aa-ca*az)/det
	}
	return mixShare(c, a, z, p, q)
}
