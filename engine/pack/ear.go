package pack

import (
	"math"
	"math/cmplx"

	"cuechoir/internal/dsp"
)

// Aim: where a known short sound begins in a recording, whatever the room, the
// microphone, the level and the coder did to it.
// Method: the matched filter (Turin 1960) on the phases alone: the recording's
// spectrum is divided by its own smoothed magnitude and the sound's by its own,
// so that hum, a voice or a dull microphone weigh no more than their share of
// the band (the phase transform of Knapp and Carter 1976, smoothed). The
// envelope of the answer does not mind a turned phase or polarity.
// The answer is in units of what random phases give: noise exceeds z with a
// probability of exp(-z²) a sample.
// Cost: four transforms a block.
// Known failure: two copies of the sound less than a millisecond apart are one.

// earRate is the sample rate at which recordings are searched: it carries the
// telephone band and every click.
const earRate = 12000

const (
	bandShare    = 0.1  // of the sound's strongest bin: what is weaker is not looked at
	smoothHz     = 30.0 // each side
	quietestBand = 1e-16
)

// listener finds one sound.
type listener struct {
	f      *dsp.RealFFT
	n, use int // points a block, and lags of them that are whole
	shape  []complex128
	bins   int // in use
	smooth int

	x, re, im []float64
	s, y      []complex128
	power     []float64
}

// newListener looks for a sound of shape, at earRate, by blocks of n points.
func newListener(shape []float64, n int) (*listener, error) {
	f, err := dsp.NewRealFFT(n)
	if err != nil {
		return nil, err
	}
	l := &listener{f: f, n: n, use: n - len(shape) + 1, shape: make([]complex128, f.Bins()), smooth: max(1, int(smoothHz*float64(n)/earRate)),
		x: make([]float64, n), re: make([]float64, n), im: make([]float64, n), s: make([]complex128, f.Bins()), y: make([]complex128, f.Bins()),
		power: make([]float64, f.Bins()+1)}
	copy(l.x, shape)
	f.Forward(l.shape, l.x)
	top := 0.0
	for _, v := range l.shape {
		top = max(top, cmplx.Abs(v))
	}
	for k, v := range l.shape {
		a := cmplx.Abs(v)
		if a < bandShare*top || k == 0 || k == l.n/2 {
			l.shape[k] = 0
			continue
		}
		l.shape[k] = cmplx.Conj(v) / complex(a, 0)
		l.bins++
	}
	return l, nil
}

// hear gives the answer for each start in x; x is at earRate.
func (l *listener) hear(x []float32) []float32 {
	z := make([]float32, len(x))
	scale := float64(l.n) / 2 / math.Sqrt(float64(l.bins))
	for at := 0; at < len(x); at += l.use {
		clear(l.x)
		for i, v := range x[at:min(at+l.n, len(x))] {
			l.x[i] = float64(v)
		}
		l.f.Forward(l.s, l.x)
		l.whiten()
		l.f.Inverse(l.re, l.s)
		for k, v := range l.s {
			l.y[k] = complex(imag(v), -real(v)) // a quarter turn: the envelope's other half
		}
		l.f.Inverse(l.im, l.y)
		for i := range z[at:min(at+l.use, len(x))] {
			z[at+i] = float32(scale * math.Hypot(l.re[i], l.im[i]))
		}
	}
	return z
}

// whiten divides the spectrum by its smoothed magnitude and turns it by the
// sound's.
func (l *listener) whiten() {
	sum := 0.0
	for k, v := range l.s {
		l.power[k] = sum
		sum += real(v)*real(v) + imag(v)*imag(v)
	}
	last := len(l.s)
	l.power[last] = sum
	for k, t := range l.shape {
		if t == 0 {
			l.s[k] = 0
			continue
		}
		a, b := max(0, k-l.smooth), min(last, k+l.smooth+1)
		mean := (l.power[b] - l.power[a]) / float64(b-a)
		if mean < quietestBand {
			l.s[k] = 0
			continue
		}
		l.s[k] *= t / complex(math.Sqrt(mean), 0)
	}
}

// peak is a place where the answer is largest around it.
type peak struct {
	at float64 // samples at earRate
	z  float64
}

// peaksOf are the peaks over floor that nothing within `apart` samples exceeds.
func peaksOf(z []float32, floor float32, apart int) []peak {
	var out []peak
	for i := 1; i+1 < len(z); i++ {
		if z[i] < floor || z[i] < z[i-1] || z[i] <= z[i+1] {
			continue
		}
		if top := topOf(z, i-apart, i+apart+1); top == i {
			out = append(out, peak{float64(i) + vertex(z, i), float64(z[i])})
		}
	}
	return out
}

// topOf is the index of the largest value from a to b (left out).
func topOf(z []float32, a, b int) int {
	a, b = max(0, a), min(len(z), b)
	best := a
	for i := a; i < b; i++ {
		if z[i] > z[best] {
			best = i
		}
	}
	return best
}

// vertex is where the parabola through a peak and its neighbours is highest,
// from -0.5 to 0.5 (J. O. Smith, Spectral Audio Signal Processing, «Quadratic
// Interpolation»).
func vertex(z []float32, i int) float64 {
	if i < 1 || i+1 >= len(z) {
		return 0
	}
	a, b, c := float64(z[i-1]), float64(z[i]), float64(z[i+1])
	if bend := a - 2*b + c; bend < 0 {
		return min(max((a-c)/(2*bend), -0.5), 0.5)
	}
	return 0
}
