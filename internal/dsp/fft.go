package dsp

import (
	"math"
	"math/bits"
	"math/cmplx"

	"cuechoir/internal/fault"
)

// Aim: the spectrum of a real signal, for the pitch tracker and correlation.
// Method: the n real points are taken as n/2 complex ones, transformed by an
// iterative radix-4 decimation in time (with one radix-2 stage when needed),
// and the two interleaved spectra are taken apart.
// Cost: about n·log2(n) multiplications; no allocation after the plan.
// Known failure: none; the error grows as the root of log2(n).
// Sources: Cooley and Tukey 1965; Press et al., Numerical Recipes, section
// 12.3 («FFT of real functions»); Oppenheim and Schafer, chapter 9.

// MaxFFT bounds the size of a plan.
const MaxFFT = 1 << 26

// RealFFT is a plan for real transforms of one size. Its work space makes it
// fit for one goroutine at a time.
type RealFFT struct {
	n       int
	swap    []int32      // the place of each point in digit-reversed order
	twiddle []complex128 // exp(-2πi·k/(n/2)), k < n/2
	split   []complex128 // exp(-2πi·k/n), k <= n/4
	work    []complex128
}

// NewRealFFT plans transforms of n real points, a power of two from 2 to
// MaxFFT. Errors: Usage for another n.
func NewRealFFT(n int) (*RealFFT, error) {
	if n < 2 || n > MaxFFT || n&(n-1) != 0 {
		return nil, fault.New(fault.Usage, "a transform of %d points is not done: the size is a power of two from 2 to %d", n, MaxFFT)
	}
	h := n / 2
	f := &RealFFT{n: n, swap: make([]int32, h), work: make([]complex128, h)}
	f.twiddle = roots(h, h)
	f.split = roots(n, n/4+1)
	shift := 32 - bits.Len32(uint32(h)) + 1
	for i := range f.swap {
		f.swap[i] = int32(uint64(bits.Reverse32(uint32(i))) >> shift)
	}
	return f, nil
}

// roots gives exp(-2πi·k/n) for k < count.
func roots(n, count int) []complex128 {
	w := make([]complex128, count)
	for k := range w {
		s, c := math.Sincos(-2 * math.Pi * float64(k) / float64(n))
		w[k] = complex(c, s)
	}
	return w
}

// Len is the number of real points.
func (f *RealFFT) Len() int { return f.n }

// Bins is the number of spectrum values, Len/2 + 1: bin k stands for the
// frequency k·rate/Len.
func (f *RealFFT) Bins() int { return f.n/2 + 1 }

// Forward puts the spectrum of x, of Len points, into dst, of Bins values:
// dst[k] = Σ x[j]·exp(-2πi·jk/n), no scaling. It panics when a slice has
// another length.
func (f *RealFFT) Forward(dst []complex128, x []float64) {
	h := f.n / 2
	_, _ = dst[:h+1], x[:f.n]
	if len(dst) != h+1 || len(x) != f.n {
		panic("dsp: RealFFT.Forward with slices of another size than the plan's")
	}
	for i, at := range f.swap {
		f.work[i] = complex(x[2*at], x[2*at+1])
	}
	f.transform()
	z0 := f.work[0]
	dst[0] = complex(real(z0)+imag(z0), 0)
	dst[h] = complex(real(z0)-imag(z0), 0)
	for k := 1; k <= h/2; k++ {
		a, b := f.work[k], cmplx.Conj(f.work[h-k])
		even := (a + b) * 0.5
		odd := (a - b) * 0.5
		odd = complex(imag(odd), -real(odd)) * f.split[k] // /i, then turned
		dst[k] = even + odd
		dst[h-k] = cmplx.Conj(even - odd)
	}
}

// Inverse puts the signal whose spectrum is s, of Bins values, into dst, of
// Len points; Inverse after Forward gives the signal back. The imaginary
// parts of the first and last bins are not looked at. It panics when a slice
// has another length.
func (f *RealFFT) Inverse(dst []float64, s []complex128) {
	h := f.n / 2
	if len(s) != h+1 || len(dst) != f.n {
		panic("dsp: RealFFT.Inverse with slices of another size than the plan's")
	}
	// The conjugate in makes the forward transform an inverse.
	scale := complex(1/float64(f.n), 0)
	for i, at := range f.swap {
		k := int(at)
		a, b := s[k], cmplx.Conj(s[h-k])
		if k == 0 {
			a, b = complex(real(s[0]), 0), complex(real(s[h]), 0)
		}
		even, odd := a+b, a-b
		turn := f.splitAt(k)
		odd *= cmplx.Conj(turn)
		z := even + complex(-imag(odd), real(odd))
		f.work[i] = cmplx.Conj(z * scale)
	}
	f.transform()
	for i, z := range f.work {
		dst[2*i] = real(z)
		dst[2*i+1] = -imag(z)
	}
}

// splitAt is exp(-2πi·k/n) for k < n/2, by the symmetry about n/4.
func (f *RealFFT) splitAt(k int) complex128 {
	if k < len(f.split) {
		return f.split[k]
	}
	w := f.split[f.n/2-k]
	return complex(-real(w), imag(w))
}

// transform does the complex transform of work, which is in bit-reversed
// order, in place: two radix-2 stages at a time.
func (f *RealFFT) transform() {
	z, n := f.work, len(f.work)
	size := 1
	if bits.Len(uint(n))%2 == 0 { // an odd number of stages: one alone first
		for i := 0; i+1 < n; i += 2 {
			z[i], z[i+1] = z[i]+z[i+1], z[i]-z[i+1]
		}
		size = 2
	}
	for ; size < n; size *= 4 {
		f.radix4(size)
	}
}

// radix4 joins each four transforms of size q into one of 4q.
func (f *RealFFT) radix4(q int) {
	n := len(f.work)
	stride := n / (4 * q)
	for base := 0; base < n; base += 4 * q {
		// Bit-reversed order keeps the quarters as 0, 2, 1, 3.
		z0 := f.work[base : base+q]
		z2 := f.work[base+q : base+2*q][:len(z0)]
		z1 := f.work[base+2*q : base+3*q][:len(z0)]
		z3 := f.work[base+3*q : base+4*q][:len(z0)]
		for k := range z0 {
			w1 := f.twiddle[k*stride]
			w2 := f.twiddle[2*k*stride]
			w3 := w1 * w2
			a, b, c, d := z0[k], z1[k]*w1, z2[k]*w2, z3[k]*w3
			ac, amc := a+c, a-c
			bd, bmd := b+d, b-d
			turned := complex(imag(bmd), -real(bmd)) // -i·(b-d)
			z0[k] = ac + bd
			z2[k] = amc + turned
			z1[k] = ac - bd
			z3[k] = amc - turned
		}
	}
}

// CrossCorrelate gives r[k] = Σ a[j+k]·b[j] for the lags k of 0 to maxLag: how
// well b, moved to the right by k samples, lies on a. What is outside a slice
// counts as 0. Errors: Usage for a lag outside 0 to MaxFFT, or a sum of
// lengths over MaxFFT.
func CrossCorrelate(a, b []float64, maxLag int) ([]float64, error) {
	if maxLag < 0 || maxLag > MaxFFT {
		return nil, fault.New(fault.Usage, "a lag of %d samples is outside 0 to %d", maxLag, MaxFFT)
	}
	a = a[:min(len(a), len(b)+maxLag)] // what is behind is never met
	r := make([]float64, maxLag+1)
	if len(a) == 0 || len(b) == 0 {
		return r, nil
	}
	n := 2
	for n < len(a)+len(b) && n <= MaxFFT {
		n *= 2
	}
	f, err := NewRealFFT(n)
	if err != nil {
		return nil, err
	}
	x := make([]float64, n)
	sa, sb := make([]complex128, f.Bins()), make([]complex128, f.Bins())
	copy(x, a)
	f.Forward(sa, x)
	clear(x)
	copy(x, b)
	f.Forward(sb, x)
	for k := range sa {
		sa[k] *= cmplx.Conj(sb[k])
	}
	f.Inverse(x, sa)
	copy(r, x[:min(len(r), len(a))]) // lags of len(a) and over meet nothing
	return r, nil
}
