package mix

import "math"

// Levels in dB and back, for dynamics that look each 16 samples: within 1e-7 dB of
// the exact, about twice as fast as the general functions, and the same bits on
// every processor. Series are summed in pairs (Estrin's scheme), so that little is
// waited for.

// fastDB is 20·log10 of a normal number above 0. ln m = 2·artanh((m-1)/(m+1)) for
// m within a factor √2 of 1.
func fastDB(x float64) float64 {
	const mantissa, bias = 1<<52 - 1, 1023
	bits := math.Float64bits(x)
	e := int(bits>>52) - bias
	m := math.Float64frombits(bits&mantissa | bias<<52)
	if m > math.Sqrt2 {
		m, e = m/2, e+1
	}
	t := (m - 1) / (m + 1)
	q := t * t
	r := q * q
	p := (1 + float64(q*(1./3))) + float64(r*((1./5+float64(q*(1./7)))+float64(r*(1./9))))
	return float64(float64(e)*(20*math.Ln2/math.Ln10)) + float64(t*p)*(40/math.Ln10)
}

// fastGain is 10^(-db/20) for db from 0 to 1000: a power of 2 times the series of
// the exponential for what is left.
func fastGain(reductionDB float64) float64 {
	y := reductionDB * (-math.Ln10 / math.Ln2 / 20)
	whole := int64(y - 0.5) // the nearest, as y is at most 0
	z := (y - float64(whole)) * math.Ln2
	y2 := z * z
	low := (1 + z) + float64(y2*(1./2+float64(z*(1./6))))
	high := (1./24 + float64(z*(1./120))) + float64(y2*(1./720+float64(z*(1./5040))))
	p := low + float64(float64(y2*y2)*high)
	return p * math.Float64frombits(uint64(whole+1023)<<52)
}
