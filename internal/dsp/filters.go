package dsp

import (
	"math"

	"cuechoir/internal/fault"
)

// The designs below are those of Robert Bristow-Johnson's «Audio EQ Cookbook»
// (W3C Working Group Note, 2021): analogue prototypes through the bilinear
// transform, exact at the named frequency. Each needs 0 < hz < rate/2, q > 0
// and a gain within ±60 dB, and gives a Usage error otherwise.

// maxGainDB bounds the gains of the equalisers.
const maxGainDB = 60

// cookbook holds the intermediate values of the cookbook: cos w0, alpha, A.
type cookbook struct{ cos, alpha, a float64 }

func newCookbook(hz, q, gainDB, rate float64) (cookbook, error) {
	if !(rate > 0 && hz > 0 && hz < rate/2) || math.IsInf(rate, 0) {
		return cookbook{}, fault.New(fault.Usage, "a filter at %g Hz does not work at a rate of %g Hz: it must lie above 0 and below half the rate", hz, rate)
	}
	if !(q > 0 && q <= 1000) {
		return cookbook{}, fault.New(fault.Usage, "a filter's Q of %g is outside 0 to 1000", q)
	}
	if !(math.Abs(gainDB) <= maxGainDB) {
		return cookbook{}, fault.New(fault.Usage, "a filter's gain of %g dB is outside ±%d dB", gainDB, maxGainDB)
	}
	sin, cos := math.Sincos(2 * math.Pi * hz / rate)
	return cookbook{cos, sin / (2 * q), math.Pow(10, gainDB/40)}, nil
}

// normalised divides by a0.
func normalised(b0, b1, b2, a0, a1, a2 float64) Coefficients {
	return Coefficients{b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0}
}

// Lowpass passes what is below hz; at hz the gain is q (0.7071: -3 dB, flat).
func Lowpass(hz, q, rate float64) (Coefficients, error) {
	k, err := newCookbook(hz, q, 0, rate)
	if err != nil {
		return Coefficients{}, err
	}
	b := (1 - k.cos) / 2
	return normalised(b, 2*b, b, 1+k.alpha, -2*k.cos, 1-k.alpha), nil
}

// Highpass passes what is above hz; at hz the gain is q.
func Highpass(hz, q, rate float64) (Coefficients, error) {
	k, err := newCookbook(hz, q, 0, rate)
	if err != nil {
		return Coefficients{}, err
	}
	b := (1 + k.cos) / 2
	return normalised(b, -2*b, b, 1+k.alpha, -2*k.cos, 1-k.alpha), nil
}

// Bandpass passes what is around hz, with 0 dB there and a width of hz/q.
func Bandpass(hz, q, rate float64) (Coefficients, error) {
	k, err := newCookbook(hz, q, 0, rate)
	if err != nil {
		return Coefficients{}, err
	}
	return normalised(k.alpha, 0, -k.alpha, 1+k.alpha, -2*k.cos, 1-k.alpha), nil
}

// Notch takes hz out, with a width of hz/q.
func Notch(hz, q, rate float64) (Coefficients, error) {
	k, err := newCookbook(hz, q, 0, rate)
	if err != nil {
		return Coefficients{}, err
	}
	return normalised(1, -2*k.cos, 1, 1+k.alpha, -2*k.cos, 1-k.alpha), nil
}

// Peaking lifts or lowers what is around hz by gainDB.
func Peaking(hz, q, gainDB, rate float64) (Coefficients, error) {
	k, err := newCookbook(hz, q, gainDB, rate)
	if err != nil {
		return Coefficients{}, err
	}
	return normalised(1+k.alpha*k.a, -2*k.cos, 1-k.alpha*k.a,
		1+k.alpha/k.a, -2*k.cos, 1-k.alpha/k.a), nil
}

// LowShelf lifts or lowers what is below hz by gainDB; at hz by half of it.
func LowShelf(hz, q, gainDB, rate float64) (Coefficients, error) {
	k, err := newCookbook(hz, q, gainDB, rate)
	if err != nil {
		return Coefficients{}, err
	}
	return shelf(k, k.cos), nil
}

// HighShelf lifts or lowers what is above hz by gainDB; at hz by half of it.
func HighShelf(hz, q, gainDB, rate float64) (Coefficients, error) {
	k, err := newCookbook(hz, q, gainDB, rate)
	if err != nil {
		return Coefficients{}, err
	}
	// The high shelf is the low shelf with the frequency axis turned round:
	// z becomes -z.
	c := shelf(k, -k.cos)
	c.B1, c.A1 = -c.B1, -c.A1
	return c, nil
}

func shelf(k cookbook, cos float64) Coefficients {
	a, root := k.a, 2*math.Sqrt(k.a)*k.alpha
	return normalised(
		a*((a+1)-(a-1)*cos+root), 2*a*((a-1)-(a+1)*cos), a*((a+1)-(a-1)*cos-root),
		(a+1)+(a-1)*cos+root, -2*((a-1)+(a+1)*cos), (a+1)+(a-1)*cos-root)
}

// MaxButterworthOrder bounds the order of the Butterworth filters.
const MaxButterworthOrder = 16

// ButterworthLowpass is a Butterworth low-pass as a chain of sections: -3.01 dB
// at hz, 6.02·order dB an octave beyond, flat before. Errors: Usage for an
// order outside 1 to MaxButterworthOrder or a frequency outside 0 to rate/2.
// Source: Butterworth 1930; Oppenheim and Schafer, section 7.3 (bilinear).
func ButterworthLowpass(order int, hz, rate float64) ([]Coefficients, error) {
	return butterworth(order, hz, rate, Lowpass, func(g float64) Coefficients {
		return normalised(g, g, 0, 1+g, g-1, 0)
	})
}

// ButterworthHighpass is the high-pass of ButterworthLowpass.
func ButterworthHighpass(order int, hz, rate float64) ([]Coefficients, error) {
	return butterworth(order, hz, rate, Highpass, func(g float64) Coefficients {
		return normalised(1, -1, 0, 1+g, g-1, 0)
	})
}

// butterworth puts the pole pairs, each a cookbook filter of its own Q, and
// for an odd order the real pole (g = tan(π·hz/rate)), into a chain.
func butterworth(order int, hz, rate float64, pair func(hz, q, rate float64) (Coefficients, error), single func(g float64) Coefficients) ([]Coefficients, error) {
	if order < 1 || order > MaxButterworthOrder {
		return nil, fault.New(fault.Usage, "a filter of order %d is outside 1 to %d", order, MaxButterworthOrder)
	}
	if _, err := newCookbook(hz, 1, 0, rate); err != nil {
		return nil, err
	}
	var chain []Coefficients
	if order%2 == 1 {
		chain = append(chain, single(math.Tan(math.Pi*hz/rate)))
	}
	for k := range order / 2 {
		q := 1 / (2 * math.Sin(math.Pi*float64(2*k+1)/float64(2*order)))
		c, err := pair(hz, q, rate)
		if err != nil {
			return nil, err
		}
		chain = append(chain, c)
	}
	return chain, nil
}
