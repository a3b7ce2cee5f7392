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
