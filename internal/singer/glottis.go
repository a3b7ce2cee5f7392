package singer

import (
	"math"
	"math/cmplx"
)

// Shape of the glottal pulse: the share of the period in which the flow rises
// and falls (Rosenberg 1971 found 40 % and 16 % to sound most natural; from
// memory).
const (
	openRise = 0.40
	openFall = 0.16

	tableBits = 11
	tableSize = 1 << tableBits
	topHz     = 12000.0 // a voice has little above; spares the table
	topShare  = 0.45    // of the sample rate
)

// harmonics is how many partials are safe below half the sample rate at hz,
// the highest pitch of a note.
func harmonics(hz, sampleRate float64) int {
	k := int(math.Min(topHz, topShare*sampleRate) / hz)
	return max(1, min(k, tableSize/8))
}

// pulse is the k-th complex Fourier coefficient of the flow derivative of
// Rosenberg's pulse C with period 1:
// g = (1-cos(πt/P))/2 for t < P, cos(π(t-P)/2N) for t < P+N, else 0.
// Time is turned so that the closure, the strongest excitation, is at phase 0.
func pulse(k int) complex128 {
	w := 2 * math.Pi * float64(k)
	expInt := func(a, from, to float64) complex128 { // ∫ e^{i(a-w)t} dt
		d := a - w
		if math.Abs(d) < 1e-12 {
			return complex(to-from, 0)
		}
		return (cmplx.Exp(complex(0, d*to)) - cmplx.Exp(complex(0, d*from))) / complex(0, d)
	}
	rise := math.Pi / openRise
	fall := math.Pi / (2 * openFall)
	turn := cmplx.Exp(complex(0, -fall*openRise))
	g := 0.5*expInt(0, 0, openRise) -
		0.25*(expInt(rise, 0, openRise)+expInt(-rise, 0, openRise)) +
		0.5*(turn*expInt(fall, openRise, openRise+openFall)+cmplx.Conj(turn)*expInt(-fall, openRise, openRise+openFall))
	return complex(0, w) * g * cmplx.Exp(complex(0, w*(openRise+openFall)))
}

// softened is the share that SoftDB leaves of partial k.
func softened(k int, softDB float64) float64 {
	if softDB == 0 {
		return 1
	}
	return math.Pow(10, -softDB/20*math.Log2(float64(k)))
}

// table is one period of the band-limited source, with three guard points for
// the cubic interpolation.
type table [tableSize + 3]float64

// newTable sums the first n harmonics, each octave softer by softDB.
func newTable(n int, softDB float64) *table {
	spec := make([]complex128, tableSize)
	for k := 1; k <= n; k++ {
		c := pulse(k) * complex(softened(k, softDB), 0)
		spec[k], spec[tableSize-k] = c, cmplx.Conj(c)
	}
	inverseFFT(spec)
	t := new(table)
	for i := range t {
		t[i] = real(spec[(i+tableSize-1)%tableSize]) // one point before the period
	}
	return t
}

// at reads the period at phase 0 to 1 (exclusive): four-point Lagrange.
func (t *table) at(phase float64) float64 {
	x := phase * tableSize
	i := int(x)
	f := x - float64(i)
	p := t[i : i+4 : i+4]
	a, b, c, d := p[0], p[1], p[2], p[3]
	return b + f*(c-a/3-b/2-d/6+f*((a+c)/2-b+f*((d-a)/6+(b-c)/2)))
}

// inverseFFT is the unscaled inverse transform, radix 2 (Cooley & Tukey 1965).
func inverseFFT(x []complex128) {
	n := len(x)
	for i, j := 1, 0; i < n; i++ {
		bit := n >> 1
		for ; j&bit != 0; bit >>= 1 {
			j ^= bit
		}
		j ^= bit
		if i < j {
			x[i], x[j] = x[j], x[i]
		}
	}
	for size := 2; size <= n; size <<= 1 {
		step := cmplx.Exp(complex(0, 2*math.Pi/float64(size)))
		for from := 0; from < n; from += size {
			w := complex(1, 0)
			for k := from; k < from+size/2; k++ {
				a, b := x[k], x[k+size/2]*w
				x[k], x[k+size/2] = a+b, a-b
				w *= step
			}
		}
	}
}
