package singer

import (
	"math"
	"math/cmplx"
	"slices"
)

// vowels are the first three formants in Hz, averages of men: G. E. Peterson &
// H. L. Barney, "Control Methods Used in a Study of the Vowels", JASA 24
// (1952), table II (from memory). "m" is a hum: a nasal murmur (Stevens,
// Acoustic Phonetics, 1998; from memory).
var vowels = map[string][3]float64{
	"i": {270, 2290, 3010}, "ih": {390, 1990, 2550}, "e": {530, 1840, 2480}, "ae": {660, 1720, 2410},
	"a": {730, 1090, 2440}, "o": {570, 840, 2410}, "uh": {640, 1190, 2390}, "oo": {440, 1020, 2240},
	"u": {300, 870, 2240}, "er": {490, 1350, 1690}, "m": {250, 1050, 2200},
}

// bandwidthHz of the five formants, and the upper two formants that are the
// same for all vowels (Klatt 1980, table of default values; from memory).
var (
	bandwidthHz  = [5]float64{70, 90, 150, 250, 300}
	upperFormant = [2]float64{3300, 3750}
)

// Vowels lists the names that Note.Vowel takes, sorted.
func Vowels() []string {
	var names []string
	for n := range vowels {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

// Formants are a vowel's formants in Hz as this voice sings it at hz, and
// false when there is no such vowel. A pitch above the first formant pulls it
// up (Joliveau, Smith & Wolfe, "Tuning of vocal tract resonance by sopranos",
// Nature 427, 2004).
func (v Voice) Formants(vowel string, hz float64) ([5]float64, bool) {
	f, ok := vowels[vowel]
	scale := v.FormantScale
	if scale <= 0 {
		scale = 1
	}
	var out [5]float64
	for i := range out {
		if i < len(f) {
			out[i] = f[i] * scale
		} else {
			out[i] = upperFormant[i-len(f)] * scale
		}
	}
	const above = 1.05 // the resonance stays a little over the pitch
	out[0] = max(out[0], above*hz)
	out[1] = max(out[1], out[0]+200)
	return out, ok
}

// resonator is Klatt's second-order section, gain 1 at 0 Hz:
// y[n] = A x[n] + B y[n-1] + C y[n-2].
type resonator struct{ a, b, c, y1, y2 float64 }

// tune sets centre and bandwidth and keeps the state.
func (r *resonator) tune(hz, bandwidth, sampleRate float64) {
	r.c = -math.Exp(-2 * math.Pi * bandwidth / sampleRate)
	r.b = 2 * math.Exp(-math.Pi*bandwidth/sampleRate) * math.Cos(2*math.Pi*hz/sampleRate)
	r.a = 1 - r.b - r.c
}

func (r *resonator) gain(hz, sampleRate float64) float64 {
	z := cmplx.Exp(complex(0, -2*math.Pi*hz/sampleRate))
	return r.a / cmplx.Abs(1-complex(r.b, 0)*z-complex(r.c, 0)*z*z)
}

// power is the mean square of white noise of power 1 through the
// resonator, from its impulse response.
func (r *resonator) power() float64 {
	sum, y1, y2 := 0.0, 0.0, 0.0
	x := 1.0
	for range 4096 {
		y := r.a*x + r.b*y1 + r.c*y2
		x, y2, y1 = 0, y1, y
		sum += y * y
	}
	return sum
}

// tract is the cascade of up to five formants; those that the sample rate
// cannot hold are left out.
type tract struct {
	r [5]resonator
	n int
}

func (t *tract) tune(formants [5]float64, sampleRate float64) {
	t.n = 0
	for i, hz := range formants {
		if hz > topShare*sampleRate {
			break
		}
		t.r[i].tune(hz, bandwidthHz[i], sampleRate)
		t.n = i + 1
	}
}

func (t *tract) step(x float64) float64 {
	for i := range t.r[:t.n] {
		r := &t.r[i]
		y := r.a*x + r.b*r.y1 + r.c*r.y2
		r.y2, r.y1 = r.y1, y
		x = y
	}
	return x
}

func (t *tract) gain(hz, sampleRate float64) float64 {
	g := 1.0
	for i := range t.r[:t.n] {
		g *= t.r[i].gain(hz, sampleRate)
	}
	return g
}
