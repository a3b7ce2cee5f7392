package voice

import (
	"math"
	"math/cmplx"

	"cuechoir/internal/dsp"
)

// Aim: low partials as the throat gives them at the new pitch. A grain's
// spectrum between two partials as sung is what its window smears there: where
// a formant lies between them (i and u from about 150 Hz up) it is a dip, and
// under the first partial it is next to nothing.
// Method: source and filter (Fant 1960). Partial k of the new pitch is partial k
// as sung, read by its Fourier component at each mark, times the throat's
// response where it goes by that where it was: the source moves with the pitch,
// the throat stays, and so does the power of the band. What overlap-add gives
// instead is known by its window's spectrum; the difference is laid beside each
// grain as partials under a window of the new period, all at a low rate.
// Cost: some 8 products a partial and sample of the low rate; with the throat a
// half of the whole (BenchmarkOctaveDown).
// Known failure: see throat.

const (
	partialRate = 8000.0 // Hz, or a little more
	partialPass = 2200.0 // Hz: all of the way up to here ...
	partialStop = 3000.0 // ... and none from here on
	partialTaps = 7      // of the low-pass, each side, at the low rate
	partialBeta = 5.65   // Kaiser's, 60 dB
	mostThroat  = 60     // times, that the throat lifts a partial: 35 dB
	mostParts   = 64
)

// partials are those of a run, and what is laid beside its grains.
type partials struct {
	factor int
	rate   float64
	low    []float64 // the run at the low rate
	marks  []float64 // in low
	period []float64 // in low
	throat throat
	known  [][]complex128 // of each mark, the first partial first
	kernel []float64
	added  []float64 // at the low rate, from sample base of the sound on
	base   int
	lack   [mostParts]complex128 // of the grain being laid
}

// newPartials reads a run; what is added lies in length samples from base on.
func newPartials(s *Sung, v *run, base, length int) *partials {
	p := &partials{factor: max(1, int(float64(s.rate)/partialRate)), base: base}
	f := float64(p.factor)
	p.rate = float64(s.rate) / f
	p.makeKernel()
	last := len(v.marks) - 1
	from := max(0, int(v.first()-2*(v.marks[1]-v.marks[0])))
	to := min(len(s.x), int(v.last()+2*(v.marks[last]-v.marks[last-1]))+1)
	p.low = p.down(s.x, from, to)
	for i, m := range v.marks {
		lo, hi := max(0, i-1), min(last, i+1)
		p.marks = append(p.marks, (m-float64(from))/f)
		p.period = append(p.period, (v.marks[hi]-v.marks[lo])/float64(hi-lo)/f)
	}
	p.throat = listenThroat(s.x, s.rate, from, to, v.marks)
	p.known = make([][]complex128, len(p.marks))
	p.added = make([]float64, length/p.factor+2*partialTaps+2)
	return p
}

// makeKernel is the low-pass on the way down and up; none when nothing is
// between.
func (p *partials) makeKernel() {
	if p.factor == 1 {
		p.kernel = []float64{1}
		return
	}
	half := partialTaps * p.factor
	p.kernel = dsp.Kaiser(2*half+1, partialBeta)
	for i := range p.kernel {
		if x := float64(i-half) / float64(p.factor); x != 0 {
			p.kernel[i] *= math.Sin(math.Pi*x) / (math.Pi * x)
		}
		p.kernel[i] /= float64(p.factor)
	}
}

// down is x from one sample to another at the low rate.
func (p *partials) down(x []float32, from, to int) []float64 {
	out := make([]float64, (to-from+p.factor-1)/p.factor)
	for i := range out {
		at := from + i*p.factor - len(p.kernel)/2
		lo, hi := max(0, -at), min(len(p.kernel), len(x)-at)
		out[i] = weighed(p.kernel[lo:hi], x[at+lo:at+hi])
	}
	return out
}

// weighed is the sum of x by weights, in four sums at once.
func weighed(weights []float64, x []float32) float64 {
	var a, b, c, d float64
	for len(weights) >= 4 && len(x) >= 4 {
		a += weights[0] * float64(x[0])
		b += weights[1] * float64(x[1])
		c += weights[2] * float64(x[2])
		d += weights[3] * float64(x[3])
		weights, x = weights[4:], x[4:]
	}
	for k, w := range weights {
		a += w * float64(x[k])
	}
	return (a + b) + (c + d)
}

// of are the partials at mark i, by their Fourier components under a Hann
// window of two periods: the real part of each is its wave at the mark.
func (p *partials) of(i int) []complex128 {
	if p.known[i] != nil {
		return p.known[i]
	}
	if i > 2 {
		p.known[i-3] = nil // marks come in a row
	}
	t, m := p.period[i], p.marks[i]
	out := make([]complex128, min(mostParts, int(partialStop/p.rate*t)+1))
	from, to := max(0, int(math.Ceil(m-t))), min(len(p.low)-1, int(math.Floor(m+t)))
	w, all := 2*math.Pi/t, 0.0
	turn, step := cmplx.Rect(1, w*(m-float64(from))), cmplx.Rect(1, -w)
	half, halfStep := cmplx.Rect(1, w/2*(m-float64(from))), cmplx.Rect(1, -w/2)
	for n := from; n <= to; n++ {
		window := 0.5 + 0.5*real(half)
		all += window
		z := complex(window*p.low[n], 0)
		for k := range out {
			z *= turn
			out[k] += z
		}
		turn, half = turn*step, half*halfStep
	}
	for k := range out {
		out[k] *= complex(2/max(all, 1e-9), 0)
	}
	p.known[i] = out
	return out
}

// lobe is the spectrum of a Hann window of two periods, x partials beside its
// middle.
func lobe(x float64) float64 {
	switch x = math.Abs(x); {
	case x >= 1:
		return 0
	case x < 1e-6:
		return 1
	case math.Abs(x-0.5) < 1e-6:
		return 0.5
	}
	return math.Sin(2*math.Pi*x) / (2 * math.Pi * x * (1 - 4*x*x))
}

// laid says how a grain lies: its middle, the distances to its neighbours, how
// much longer its period became, how much faster it is read, and how much wider
// its window is.
type laid struct{ u, left, right, spread, formant, wide float64 }

// add lays beside a grain what it lacks. The grain is that of mark i and, for a
// part, of the next.
func (p *partials) add(i int, part float64, g laid) {
	clear(p.lack[:])
	n := p.lacks(i, 1-part, g)
	if part > 0 {
		n = max(n, p.lacks(i+1, part, g))
	}
	if n > 0 {
		f := float64(p.factor)
		p.lay(p.lack[:n], (g.u-float64(p.base))/f, g.left/f, g.right/f)
	}
}

// lacks adds up what a part of the grain of mark i lacks, and says how many
// partials that is.
func (p *partials) lacks(i int, part float64, g laid) (n int) {
	if !p.throat.ok[i] {
		return 0
	}
	known := p.of(i)
	hz := p.rate / p.period[i] // of the first partial as sung
	narrow := min(1, 1/g.spread)
	share := func(hz float64) float64 {
		return min(1, max(0, (partialStop*narrow-hz)/((partialStop-partialPass)*narrow)))
	}
	var want, have [mostParts]complex128
	was, now := 0.0, 0.0
	for k, a := range known {
		from := hz * float64(k+1)
		to := from / g.spread
		was += share(from) * power(a)
		if share(to) == 0 {
			continue
		}
		moved := p.throat.inverse(i, from) / p.throat.inverse(i, to/g.formant)
		if s := cmplx.Abs(moved); s > mostThroat {
			moved *= complex(mostThroat/s, 0)
		}
		want[k] = a * moved
		now += share(to) * power(want[k])
		have[k] = smeared(known, to/g.formant/hz, g.wide)
		n = k + 1
	}
	if !(now > 0) {
		return 0
	}
	level, gain := math.Sqrt(was/now), 1/math.Sqrt(g.spread*g.formant)
	for k := range n {
		part := part * share(hz*float64(k+1)/g.spread)
		p.lack[k] += want[k]*complex(level*part, 0) - have[k]*complex(gain*part, 0)
	}
	return n
}

// smeared is the spectrum of a grain at a place counted in partials.
func smeared(known []complex128, at, wide float64) complex128 {
	sum, j := complex(0, 0), int(at)
	for _, k := range [2]int{j, j + 1} {
		if k >= 1 && k <= len(known) {
			sum += known[k-1] * complex(wide*lobe(wide*(at-float64(k))), 0)
		}
	}
	return sum
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// lay adds partials around u under a Hann window.
func (p *partials) lay(parts []complex128, u, left, right float64) {
	from, middle := max(0, int(math.Ceil(u-left))), max(0, int(math.Floor(u))+1)
	p.half(parts, u, from, middle, math.Pi/left)
	p.half(parts, u, middle, int(math.Floor(u+right))+1, math.Pi/right)
}

// half is lay from one low sample to another; the window turns by an angle a
// sample, the first partial by twice that.
func (p *partials) half(parts []complex128, u float64, from, to int, angle float64) {
	turn, step := cmplx.Rect(1, 2*angle*(float64(from)-u)), cmplx.Rect(1, 2*angle)
	window, windowStep := cmplx.Rect(0.5, angle*(float64(from)-u)), cmplx.Rect(1, angle)
	for n := from; n < min(to, len(p.added)); n++ {
		sum := complex(0, 0)
		for k := len(parts) - 1; k >= 0; k-- {
			sum = (sum + parts[k]) * turn
		}
		p.added[n] += (0.5 + real(window)) * real(sum)
		turn, window = turn*step, window*windowStep
	}
}

// finish adds all to dst, whose first sample is the base.
func (p *partials) finish(dst []float64) {
	for n, v := range p.added {
		if v == 0 {
			continue
		}
		v *= float64(p.factor)
		at := n*p.factor - len(p.kernel)/2
		for k := max(0, -at); k < len(p.kernel) && at+k < len(dst); k++ {
			dst[at+k] += v * p.kernel[k]
		}
	}
}
