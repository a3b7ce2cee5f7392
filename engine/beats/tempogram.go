package beats

import "math"

// tempogram tells, for each half second and period, how well the strength of
// the seconds around repeats at that period: the autocorrelation at the
// period and at twice the period, less that at half of it and at one and a
// half. Source: Ellis 2007, section 3, where one such row serves the piece.
type tempogram struct {
	every int // frames
	rows  [][]float32
}

const gramSeconds = 4.0 // each way, under a Hann window

func newTempogram(o []float64, rate float64, periods []float64) tempogram {
	g := tempogram{every: int(rate / 2)}
	half := int(gramSeconds * rate)
	last := int(2*periods[len(periods)-1]) + 2
	for mid := 0; mid < len(o)+g.every; mid += g.every {
		x := window(o, mid, half)
		for i := range x {
			d := float64(max(0, mid-half) + i - mid)
			x[i] *= 0.5 + 0.5*math.Cos(math.Pi*d/float64(half))
		}
		r := autocorrelation(x, last)
		row := make([]float32, len(periods))
		for c, p := range periods {
			row[c] = float32(at(r, p) + 0.5*at(r, 2*p) - 0.5*at(r, p/2) - 0.25*at(r, 1.5*p))
		}
		g.rows = append(g.rows, row)
	}
	return g
}

func (g tempogram) at(t, c int) float64 {
	k := t / g.every
	f := float64(t%g.every) / float64(g.every)
	return (1-f)*float64(g.rows[k][c]) + f*float64(g.rows[k+1][c])
}

// window copies the strength within half of mid; what lies deep between
// onsets counts no more than what lies shallow.
func window(o []float64, mid, half int) []float64 {
	from, to := max(0, mid-half), min(len(o), mid+half)
	x := make([]float64, max(0, to-from))
	for i := range x {
		x[i] = max(o[from+i], -0.5)
	}
	return x
}

// at reads between two values; 0 outside.
func at(x []float64, i float64) float64 {
	k := int(i)
	if k < 0 || k+1 >= len(x) {
		return 0
	}
	f := i - float64(k)
	return (1-f)*x[k] + f*x[k+1]
}

// autocorrelation up to a lag, 1 at lag 0 (0 for silence).
func autocorrelation(x []float64, last int) []float64 {
	out := make([]float64, last+1)
	energy := 1e-9
	for _, v := range x {
		energy += v * v
	}
	for lag := range out {
		var s0, s1, s2, s3 float64 // four sums, so that none waits for another
		ahead := x[min(lag, len(x)):]
		behind := x[:len(ahead)]
		for len(ahead) >= 4 {
			s0 += behind[0] * ahead[0]
			s1 += behind[1] * ahead[1]
			s2 += behind[2] * ahead[2]
			s3 += behind[3] * ahead[3]
			ahead, behind = ahead[4:], behind[4:]
		}
		for i, v := range behind {
			s0 += v * ahead[i]
		}
		out[lag] = (s0 + s1 + s2 + s3) / energy
	}
	return out
}
