package dsp

import "math"

// Hann fills a periodic Hann window of n points: 0.5 - 0.5·cos(2πk/n), for
// spectra of n points. Source: Harris 1978, «On the use of windows».
func Hann(n int) []float64 {
	return cosineWindow(n, 0.5, 0.5, 0)
}

// Blackman fills a periodic Blackman window of n points:
// 0.42 - 0.5·cos(2πk/n) + 0.08·cos(4πk/n). Source: Harris 1978.
func Blackman(n int) []float64 {
	return cosineWindow(n, 0.42, 0.5, 0.08)
}

func cosineWindow(n int, a0, a1, a2 float64) []float64 {
	w := make([]float64, max(n, 0))
	for k := range w {
		p := 2 * math.Pi * float64(k) / float64(n)
		w[k] = a0 - a1*math.Cos(p) + a2*math.Cos(2*p)
	}
	return w
}

// Kaiser fills a symmetric Kaiser window of n points with shape beta >= 0.
// Source: Kaiser 1974; Oppenheim and Schafer, Discrete-Time Signal Processing,
// section 7.5.3.
func Kaiser(n int, beta float64) []float64 {
	w := make([]float64, max(n, 0))
	for k := range w {
		r := 0.0
		if n > 1 {
			r = 2*float64(k)/float64(n-1) - 1
		}
		w[k] = kaiserAt(r, beta)
	}
	return w
}

// KaiserBeta is the shape that gives a windowed-sinc filter a stopband
// attenuation in dB (Kaiser's empirical formula; Oppenheim and Schafer 7.75).
func KaiserBeta(attenuationDB float64) float64 {
	switch a := attenuationDB; {
	case a > 50:
		return 0.1102 * (a - 8.7)
	case a >= 21:
		return 0.5842*math.Pow(a-21, 0.4) + 0.07886*(a-21)
	}
	return 0
}

// kaiserAt is the window at r, -1 to 1 from edge to edge.
func kaiserAt(r, beta float64) float64 {
	return besselI0(beta*math.Sqrt(max(0, 1-r*r))) / besselI0(beta)
}

// besselI0 is the modified Bessel function of the first kind, order 0, by its
// power series (Abramowitz and Stegun 9.6.12), summed to the last bit.
func besselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > sum*1e-17; k++ {
		t := x / (2 * k)
		term *= t * t
		sum += term
	}
	return sum
}
