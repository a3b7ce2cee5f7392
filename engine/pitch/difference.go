package pitch

import (
	"math"

	"cuechoir/internal/dsp"
)

// The difference function of a frame: for each lag the mean of
// (x[j]-x[j+lag])^2 over the pairs inside the frame, over its mean so far
// (de Cheveigné & Kawahara 2002, eq. 6 and 8). All pairs lie within one frame
// centred on its time, so a long lag does not move the reading in time
// (McLeod & Wyvill 2005, type II). Fast path: autocorrelation by FFT; slow
// reference: slowDifference, in the tests.
type difference struct {
	rate           float64
	size           int // frame length, samples of the band's low, even
	minLag, maxLag int // in the same
	fft            *dsp.RealFFT
	frame, corr    []float64
	sums           []float64 // running sums of the frame's squares
	spectrum       []complex128
	norm           []float64 // the normalised difference, by lag
	prior          []float64
	dips           []candidate
}

const framePeriods = 3.0 // frame length in longest periods

func newDifference(rate float64, o Options) (*difference, error) {
	d := &difference{rate: rate, prior: thresholdPrior()}
	longest := rate / o.MinHz
	d.size = int(math.Ceil(framePeriods*longest/2)) * 2
	d.minLag = int(rate / o.MaxHz)
	d.maxLag = int(math.Ceil(longest))
	n := 2
	for n < d.size+d.maxLag+2 {
		n *= 2
	}
	var err error
	if d.fft, err = dsp.NewRealFFT(n); err != nil {
		return nil, err
	}
	d.frame, d.corr = make([]float64, n), make([]float64, n)
	d.spectrum = make([]complex128, d.fft.Bins())
	d.norm = make([]float64, d.maxLag+2)
	d.dips = make([]candidate, 0, d.maxLag/2+1)
	d.sums = make([]float64, d.size+1)
	return d, nil
}

// at computes the normalised difference of the frame around a sample.
func (d *difference) at(b *band, sample int64) {
	start := b.pad + int(math.Round(b.index(sample)/float64(b.lowStep))) - d.size/2
	d.of(b.low[start : start+d.size])
}

// of computes the normalised difference of a frame of d.size samples.
func (d *difference) of(frame []float32) {
	sum := 0.0
	for j, s := range frame {
		v := float64(s)
		d.frame[j] = v
		sum += v * v
		d.sums[j+1] = sum
	}
	d.fft.Forward(d.spectrum, d.frame)
	for k, v := range d.spectrum {
		d.spectrum[k] = complex(real(v)*real(v)+imag(v)*imag(v), 0)
	}
	d.fft.Inverse(d.corr, d.spectrum)
	mean := 0.0
	d.norm[0] = 1
	for lag := 1; lag < len(d.norm); lag++ {
		m := d.sums[d.size-lag] + d.sums[d.size] - d.sums[lag]
		diff := (m - 2*d.corr[lag]) / float64(d.size-lag)
		mean += diff
		d.norm[lag] = 1
		if mean > 0 {
			d.norm[lag] = diff * float64(lag) / mean
		}
	}
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
// late ones with a little share, so that the path may still take them. They
// hold until the next call.
func (d *difference) candidates() []candidate {
	dips := d.dips[:0]
	best := 1.0
	for lag := max(2, d.minLag); lag <= d.maxLag; lag++ {
		l, m, r := d.norm[lag-1], d.norm[lag], d.norm[lag+1]
		if m > l || m >= r || m > candidateDepth {
			continue
		}
		shift, depth := parabola(l, m, r)
		depth = max(0, depth)
		dips = append(dips, candidate{hz: d.rate / (float64(lag) + shift), depth: depth})
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
	d.dips = dips
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
