package pitch

import (
	"math"
	"math/cmplx"
)

// The difference function of a frame: for each lag the mean of
// (x[j]-x[j+lag])^2 over the pairs inside the frame, over its mean so far
// (de Cheveigné & Kawahara 2002, eq. 6 and 8). All pairs lie within one frame
// centred on its time, so a long lag does not move the reading in time
// (McLeod & Wyvill 2005, type II). Fast path: autocorrelation by FFT,
// interpolated by two; slow reference: slowDifference, in the tests.
type difference struct {
	rate           float64
	size           int // frame length, decimated samples, even
	minLag, maxLag int // in half samples
	fft, inverse   *fourier
	frame          []float64
	spectrum       []complex128
	wide           []complex128
	corr           []float64
	norm           []float64 // the normalised difference, per half sample of lag
	prior          []float64
}

const (
	framePeriods = 3.0 // frame length in longest periods
	lagDensity   = 2   // lags a decimated sample
)

func newDifference(rate float64, o Options) *difference {
	d := &difference{rate: rate}
	longest := rate / o.MinHz
	d.size = int(math.Ceil(framePeriods*longest/2)) * 2
	d.minLag = int(rate / o.MaxHz * lagDensity)
	d.maxLag = int(math.Ceil(longest * lagDensity))
	n := 1
	for n < d.size+d.maxLag/lagDensity+2 {
		n *= 2
	}
	d.fft, d.inverse = newFourier(n), newFourier(lagDensity*n)
	d.frame = make([]float64, n)
	d.spectrum = make([]complex128, n/2+1)
	d.wide = make([]complex128, lagDensity*n/2+1)
	d.corr = make([]float64, lagDensity*n)
	d.norm = make([]float64, d.maxLag+2)
	d.prior = thresholdPrior()
	return d
}

// at computes the normalised difference of the frame around a sample.
func (d *difference) at(b *band, sample int64) {
	start := int(math.Round(b.index(sample))) - d.size/2
	for j := range d.frame {
		k := start + j
		d.frame[j] = 0
		if j < d.size && k >= 0 && k < len(b.y) {
			d.frame[j] = float64(b.low[k])
		}
	}
	d.fft.forward(d.spectrum, d.frame)
	clear(d.wide)
	for k, v := range d.spectrum {
		p := real(v)*real(v) + imag(v)*imag(v)
		d.wide[k] = complex(p, 0)
	}
	d.wide[len(d.spectrum)-1] /= 2 // the old Nyquist bin now has a twin
	d.inverse.backward(d.corr, d.wide)
	scale := float64(lagDensity)
	sum := 0.0
	d.norm[0] = 1
	for lag := 1; lag < len(d.norm); lag++ {
		t := float64(lag) / lagDensity
		lo, hi := float64(start), float64(start+d.size)
		m := b.energyAt(hi-t) - b.energyAt(lo) + b.energyAt(hi) - b.energyAt(lo+t)
		diff := (m - 2*scale*d.corr[lag]) / (float64(d.size) - t)
		sum += diff
		d.norm[lag] = 1
		if sum > 0 {
			d.norm[lag] = diff * float64(lag) / sum
		}
	}
}

// energyAt is the running sum of squares at a fractional index.
func (b *band) energyAt(at float64) float64 {
	k := int(math.Floor(at))
	if k < 0 {
		return 0
	}
	if k >= len(b.y) {
		return b.sums[len(b.y)]
	}
	return b.sums[k] + (at-float64(k))*(b.sums[k+1]-b.sums[k])
}

// candidate is a possible pitch with its share of the thresholds and the
// depth of its dip (0 periodic, 1 noise).
type candidate struct{ hz, share, depth float64 }

// A threshold lies above the deepest dip by a slack: what the voice's own
// unevenness needs, and a share of the deepest dip, which noise makes uneven.
// It is drawn from a distribution (Mauch & Dixon 2014, section 2.1, where it
// stands on absolute thresholds): gamma of shape 2 about the slack. The slack
// is small, since a vowel whose first formant sits on the second harmonic
// leaves half the period a dip only 0.1 deep.
const (
	thresholds     = 40
	thresholdStep  = 0.1 // of the slack
	slackLeast     = 0.03
	slackShare     = 0.4
	slackMost      = 0.10
	maxCandidates  = 8
	candidateDepth = 0.9
)

func thresholdPrior() []float64 {
	p := make([]float64, thresholds)
	sum := 0.0
	for i := range p {
		s := (float64(i) + 0.5) * thresholdStep
		p[i] = s * math.Exp(-2*s)
		sum += p[i]
	}
	for i := range p {
		p[i] /= sum
	}
	return p
}

// candidates lists the dips that some threshold would choose, plus deeper
// late ones with a little share, so that the path may still take them.
func (d *difference) candidates() []candidate {
	var dips []candidate
	best := 1.0
	for lag := max(2, d.minLag); lag <= d.maxLag; lag++ {
		l, m, r := d.norm[lag-1], d.norm[lag], d.norm[lag+1]
		if m > l || m >= r || m > candidateDepth {
			continue
		}
		shift, depth := parabola(l, m, r)
		depth = max(0, depth)
		dips = append(dips, candidate{hz: d.rate * lagDensity / (float64(lag) + shift), depth: depth})
		best = min(best, depth)
	}
	slack := min(slackMost, slackLeast+slackShare*best)
	for i, p := range d.prior {
		for k := range dips {
			if dips[k].depth <= best+(float64(i)+0.5)*thresholdStep*slack {
				dips[k].share += p
				break
			}
		}
	}
	return keepBest(dips)
}

// keepBest drops all but maxCandidates dips: those without a share go first,
// then the shallowest. The order of lags stays.
func keepBest(dips []candidate) []candidate {
	for len(dips) > maxCandidates {
		worst := 0
		for k := range dips {
			a, b := dips[k], dips[worst]
			if a.share < b.share || a.share == b.share && a.depth > b.depth {
				worst = k
			}
		}
		dips = append(dips[:worst], dips[worst+1:]...)
	}
	return dips
}

// parabola is the minimum of the parabola through three points at -1, 0, 1.
func parabola(l, m, r float64) (at, value float64) {
	curve := l - 2*m + r
	if curve <= 0 {
		return 0, m
	}
	at = 0.5 * (l - r) / curve
	at = max(-0.5, min(0.5, at))
	return at, m - 0.25*(l-r)*at
}

// fourier is a real transform of power-of-two size by one complex transform
// (radix 2, in place).
type fourier struct {
	n     int
	twist []complex128
	work  []complex128
}

func newFourier(n int) *fourier {
	f := &fourier{n: n, twist: make([]complex128, n/2), work: make([]complex128, n)}
	for k := range f.twist {
		f.twist[k] = cmplx.Rect(1, -2*math.Pi*float64(k)/float64(n))
	}
	return f
}

func (f *fourier) forward(dst []complex128, src []float64) {
	for i, v := range src {
		f.work[i] = complex(v, 0)
	}
	f.run()
	copy(dst, f.work[:f.n/2+1])
}

// backward takes n/2+1 bins of a real signal's spectrum, scaled by 1/n.
func (f *fourier) backward(dst []float64, src []complex128) {
	n := f.n
	for k := 0; k <= n/2; k++ {
		f.work[k] = cmplx.Conj(src[k])
		if k > 0 && k < n/2 {
			f.work[n-k] = src[k]
		}
	}
	f.run()
	for i := range dst {
		dst[i] = real(f.work[i]) / float64(n)
	}
}

func (f *fourier) run() {
	a, n := f.work, f.n
	for i, j := 1, 0; i < n; i++ {
		bit := n >> 1
		for ; j&bit != 0; bit >>= 1 {
			j ^= bit
		}
		j ^= bit
		if i < j {
			a[i], a[j] = a[j], a[i]
		}
	}
	for size := 2; size <= n; size *= 2 {
		half, step := size/2, n/size
		for s := 0; s < n; s += size {
			for k := 0; k < half; k++ {
				u, v := a[s+k], a[s+k+half]*f.twist[k*step]
				a[s+k], a[s+k+half] = u+v, u-v
			}
		}
	}
}
