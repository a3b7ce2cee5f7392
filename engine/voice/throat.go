package voice

import "math"

// Aim: the throat's resonances under a pitch too high to show them by its
// partials.
// Method: linear prediction of that part of each period in which the glottis is
// closed and the throat rings alone (quasi-closed phase: Alku, Pohjalainen,
// Vainio, Laukkanen & Story, JASA 134, 2013), over the periods around. Plain
// linear prediction finds the nearest partial instead. The closure is where its
// error is greatest, folded over the periods. The rate is low, and the low-pass
// before it short: a sharp one rings, and its ringing is taken for the throat's.
// Cost: some 100 products a sample of the low rate and 500 a period.
// Known failure: a first formant within some 5 % of the pitch; a glottis that
// hardly closes (falsetto), whose tilt is taken for the throat's in part.

const (
	throatRate     = 16000.0 // Hz, about
	throatOrder    = 12      // five resonances and the tilt
	throatSpan     = 0.03    // seconds each side that a reading leans on
	throatHop      = 0.015   // seconds: plain prediction is made anew after this
	throatEmphasis = 0.97
	throatRidge    = 1e-9
	closedFrom     = 0.05 // of a period behind the closure the throat is alone ...
	closedTo       = 0.45 // ... until here
	closureBins    = 32   // of a period
	closurePeriods = 4    // each side that a closure leans on
	steadyRadius   = 0.985
	moments        = (throatOrder + 1) * (throatOrder + 2) / 2
)

// predictor are the coefficients of x[n] = -p[0]x[n-1] - p[1]x[n-2] ...
type predictor [throatOrder]float64

// products are those of a stretch's samples with those before, a lower
// triangle in rows.
type products [moments]float64

// throat is a predictor at each mark, where there is one.
type throat struct {
	rate float64
	at   []predictor
	ok   []bool
}

// listenThroat reads the throat of x, between two samples, at marks in x.
func listenThroat(x []float32, rate, from, to int, marks []float64) throat {
	factor := max(1, int(math.Round(float64(rate)/throatRate)))
	t := throat{rate: float64(rate) / float64(factor), at: make([]predictor, len(marks)), ok: make([]bool, len(marks))}
	y := lowered(x[from:to], factor, throatEmphasis)
	places := make([]float64, len(marks))
	for i, m := range marks {
		places[i] = (m - float64(from)) / float64(factor)
	}
	closure := closures(plainError(y, t.rate), places)
	periods := make([]*products, len(marks))
	reach := throatSpan * t.rate
	lo, hi := 0, 0
	for i, m := range places {
		for ; hi+1 < len(places) && (places[hi] < m+reach || hi < i+2); hi++ {
			periods[hi] = closedProducts(y, places[hi]+closure[hi]*(places[hi+1]-places[hi]), places[hi+1]-places[hi])
		}
		for ; lo < i-2 && places[lo] < m-reach; lo++ {
			periods[lo] = nil
		}
		var sum products
		for _, p := range periods[lo:hi] {
			for k, v := range p {
				sum[k] += v
			}
		}
		t.at[i], t.ok[i] = sum.solve()
	}
	return t
}

// lowered is x at a factor-th of its rate, emphasised, under a short window.
func lowered(x []float32, factor int, emphasis float64) []float64 {
	half := 2 * factor
	if factor == 1 {
		half = 0
	}
	window := make([]float64, 2*half+1)
	for k := range window {
		window[k] = hann(math.Abs(float64(k-half))/float64(half+1)) / float64(half+1)
	}
	out := make([]float64, len(x)/factor)
	before := 0.0
	for i := range out {
		sum := 0.0
		for k, c := range window {
			if n := i*factor + k - half; n >= 0 && n < len(x) {
				sum += c * float64(x[n])
			}
		}
		out[i], before = sum-emphasis*before, sum
	}
	return out
}

// closedProducts are the products in the closed part of the period that
// begins with a closure.
func closedProducts(y []float64, closure, period float64) *products {
	var sum products
	from, to := int(math.Ceil(closure+closedFrom*period)), int(math.Ceil(closure+closedTo*period))
	for n := max(throatOrder, from); n < min(len(y), to); n++ {
		v := (*[throatOrder + 1]float64)(y[n-throatOrder:])
		k := 0
		for i := range v {
			x := v[throatOrder-i]
			for j := 0; j <= i; j++ {
				sum[k+j] += x * v[throatOrder-j]
			}
			k += i + 1
		}
	}
	return &sum
}

// solve solves the normal equations by Cholesky's way; false when the sound
// says too little.
func (s *products) solve() (p predictor, ok bool) {
	at := func(i, j int) float64 { return s[i*(i+1)/2+j] } // i >= j
	var l [throatOrder][throatOrder]float64
	var y predictor
	ridge := 0.0
	for i := range throatOrder {
		ridge += throatRidge * at(i+1, i+1)
	}
	for i := range throatOrder {
		for j := 0; j <= i; j++ {
			sum := at(i+1, j+1)
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			if i > j {
				l[i][j] = sum / l[j][j]
				continue
			}
			if sum += ridge; !(sum > 0) {
				return p, false
			}
			l[i][i] = math.Sqrt(sum)
		}
		sum := -at(i+1, 0)
		for k := range i {
			sum -= l[i][k] * y[k]
		}
		y[i] = sum / l[i][i]
	}
	for i := throatOrder - 1; i >= 0; i-- {
		sum := y[i]
		for k := i + 1; k < throatOrder; k++ {
			sum -= l[k][i] * p[k]
		}
		p[i] = sum / l[i][i]
	}
	return p.steadied()
}

// steadied draws resonances that grow inwards until all die away; false when
// that does not help.
func (p predictor) steadied() (predictor, bool) {
	for range 40 {
		if p.dies() {
			return p, true
		}
		g := 1.0
		for k := range p {
			g *= steadyRadius
			p[k] *= g
		}
	}
	return p, false
}

// dies says whether all resonances die away: each reflection is less than 1
// (Markel & Gray 1976).
func (p predictor) dies() bool {
	for m := len(p); m > 0; m-- {
		k := p[m-1]
		if !(math.Abs(k) < 0.9995) {
			return false
		}
		before := p
		for i := range m - 1 {
			p[i] = (before[i] - k*before[m-2-i]) / (1 - k*k)
		}
	}
	return true
}

// inverse is what undoes mark i's throat at hz; the throat is 1 by it.
func (t *throat) inverse(i int, hz float64) complex128 {
	sin, cos := math.Sincos(-2 * math.Pi * hz / t.rate)
	z, sum := complex(cos, sin), complex(0, 0)
	for k := throatOrder - 1; k >= 0; k-- {
		sum = (sum + complex(t.at[i][k], 0)) * z
	}
	return 1 + sum
}

// closures are how far behind each mark the glottis closes, in periods, -0.5
// to 0.5, by the error e of prediction.
func closures(e, marks []float64) []float64 {
	bins := make([][closureBins]float64, len(marks))
	for i := 0; i+1 < len(marks); i++ {
		each := closureBins / (marks[i+1] - marks[i])
		for n := max(0, int(math.Ceil(marks[i]))); n < min(len(e), int(math.Ceil(marks[i+1]))); n++ {
			bins[i][min(int((float64(n)-marks[i])*each), closureBins-1)] += e[n] * e[n]
		}
	}
	out := make([]float64, len(marks))
	for i := range marks {
		var sum [closureBins]float64
		for _, b := range bins[max(0, i-closurePeriods):min(len(marks), i+closurePeriods+1)] {
			for k, v := range b {
				sum[k] += v
			}
		}
		best, most := 0, 0.0
		for k, v := range sum {
			if v += (sum[(k+1)%closureBins] + sum[(k+closureBins-1)%closureBins]) / 2; v > most {
				best, most = k, v
			}
		}
		if out[i] = (float64(best) + 0.5) / closureBins; out[i] > 0.5 {
			out[i]--
		}
	}
	return out
}

// plainError is what linear prediction by autocorrelation leaves of y.
func plainError(y []float64, rate float64) []float64 {
	hop := int(throatHop * rate)
	e := make([]float64, len(y))
	window, frame := make([]float64, 2*hop), make([]float64, 2*hop+throatOrder) // nothing behind
	for i := range window {
		window[i] = hann(math.Abs(float64(i)+0.5-float64(hop)) / float64(hop))
	}
	for from := 0; from < len(y); from += hop {
		for i, w := range window {
			frame[i] = 0
			if n := from - hop/2 + i; n >= 0 && n < len(y) {
				frame[i] = y[n] * w
			}
		}
		p := autocorrelated(frame)
		for n := from; n < min(len(y), from+hop); n++ {
			sum := y[n]
			for k := range min(throatOrder, n) {
				sum += p[k] * y[n-1-k]
			}
			e[n] = sum
		}
	}
	return e
}

// autocorrelated is a frame's predictor by the autocorrelation method (Levinson
// 1947, Durbin 1960); the frame ends in throatOrder samples of nothing.
func autocorrelated(x []float64) (p predictor) {
	var r [throatOrder + 1]float64
	for i := range len(x) - throatOrder {
		v := (*[throatOrder + 1]float64)(x[i:])
		for k := range r {
			r[k] += v[0] * v[k]
		}
	}
	e := r[0] * (1 + throatRidge)
	for i := 0; i < throatOrder && e > 0; i++ {
		k, before := r[i+1], p
		for j := range i {
			k += p[j] * r[i-j]
		}
		k /= -e
		for j := range i {
			p[j] = before[j] + k*before[i-1-j]
		}
		p[i] = k
		e *= 1 - k*k
	}
	return p
}
