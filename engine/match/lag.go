package match

import "math"

// A shot's lateness is where the rises of its loudness, correlated with the
// reference's, agree best: spectral flux over log bands (Dixon, DAFx 2006),
// Pearson's correlation over the shot.
const (
	stepsASecond = 200
	riseSteps    = 3    // over which a rise is taken
	riseFloorDB  = 45.0 // under a band's loudest step: nothing rises below it
	lagReachMS   = 500  // as far as a shot is looked for
	lagLeast     = 0.35 // a correlation of less tells nothing
	lagBetter    = 0.1  // so much better than in place
)

func stepOf(sampleRate int) int { return sampleRate / stepsASecond }

// rises are the mean rise in dB over the bands at each step, smoothed over
// 25 ms. bands are mean squares, [band][step].
func rises(bands [len(Bands)][]float64) []float64 {
	n := len(bands[0])
	raw, db := make([]float64, n), make([]float64, n)
	for _, e := range bands {
		top := 0.0
		for _, v := range e {
			top = max(top, v)
		}
		floor := 10*math.Log10(top+1e-10) - riseFloorDB
		for k, v := range e {
			db[k] = max(floor, 10*math.Log10(v+1e-12))
			if k >= riseSteps+1 {
				raw[k] += max(0, db[k]-max(db[k-riseSteps], db[k-riseSteps-1])) / float64(len(Bands))
			}
		}
	}
	out := make([]float64, n)
	for k := range out {
		for j, w := range [...]float64{1, 2, 3, 2, 1} {
			if i := k + j - 2; i >= 0 && i < n {
				out[k] += w / 9 * raw[i]
			}
		}
	}
	return out
}

// place finds how late a shot's rises are. A place further off than AccentMS
// must agree better than the one in place by lagBetter: what beats evenly agrees
// with itself a beat away. A shot of under a second says nothing.
func (s *Shot) place(ref, own measured, sampleRate int) {
	step := stepOf(sampleRate)
	from, to := int(s.From)/step, min(int(s.To)/step, len(ref.rises))
	if to-from < stepsASecond || len(own.rises) == 0 {
		return
	}
	at, best, inPlace := lag(ref.rises[from:to], own.rises[min(from, len(own.rises)):min(to, len(own.rises))])
	ms := at * 1000 * float64(step) / float64(sampleRate)
	s.Agree = best
	if best < lagLeast || math.Abs(ms) > AccentMS && best < inPlace+lagBetter {
		return
	}
	s.AccentMS, s.Placed = ms, true
}

// lag is by how many steps own is late against ref, with the correlation there and the best within AccentMS of 0.
func lag(ref, own []float64) (at, best, inPlace float64) {
	const reach = lagReachMS * stepsASecond / 1000
	const near = AccentMS * stepsASecond / 1000
	var r [2*reach + 1]float64
	where := 0
	for l := -reach; l <= reach; l++ {
		c := correlation(ref, own, l)
		r[l+reach] = c
		if c > best {
			best, where = c, l
		}
		if math.Abs(float64(l)) <= near {
			inPlace = max(inPlace, c)
		}
	}
	at = float64(where)
	if i := where + reach; i > 0 && i < len(r)-1 { // a parabola's top
		if d := r[i-1] - 2*r[i] + r[i+1]; d < 0 {
			at += (r[i-1] - r[i+1]) / (2 * d)
		}
	}
	return at, best, inPlace
}

// correlation is Pearson's of a with b from at on, over what of a lies in b.
func correlation(a, b []float64, at int) float64 {
	from, to := max(0, -at), min(len(a), len(b)-at)
	if to-from < len(a)/2 {
		return 0
	}
	b = b[at+from : at+to]
	a = a[from:to]
	var sa, sb, saa, sbb, sab float64
	for i, x := range a {
		y := b[i]
		sa, sb, saa, sbb, sab = sa+x, sb+y, saa+x*x, sbb+y*y, sab+x*y
	}
	n := float64(len(a))
	va, vb := saa-sa*sa/n, sbb-sb*sb/n
	if va <= 1e-9 || vb <= 1e-9 {
		return 0
	}
	return (sab - sa*sb/n) / math.Sqrt(va*vb)
}
