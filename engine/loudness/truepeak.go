package loudness

import (
	"math"

	"cuechoir/internal/dsp"
)

// True peak: the largest value of the signal rebuilt between its samples
// (ITU-R BS.1770, Annex 2). Method: four-fold oversampling by a polyphase
// windowed sinc, longer than the annex's own 48 taps: flat to 0.44 of the
// sample rate. Cost: 16 steps a sample, none where a bound shows that no new
// maximum can come. Known failure: a four-fold grid can miss the crest by up
// to 20*log10(cos(pi*f/(4*fs))): 0.17 dB at fs/4, 0.6 dB near fs/2 (Annex 2,
// attachment 1); the standard accepts it.
const (
	tpPhases = 4
	tpTaps   = 32 // per phase
	tpHalf   = tpTaps / 2
	tpHist   = tpTaps - 1
	tpBeta   = 6.0 // Kaiser window: side lobes about -60 dB
)

// interpolator holds the taps of phases 1/4, 2/4, 3/4; phase 0 is the samples
// themselves. Phase 3/4 mirrors 1/4, so both come from an even and an odd half.
type interpolator struct {
	even, odd, mid [tpHalf]float64
	l1             float64 // largest sum of |tap| of a phase: bounds any output
}

func newInterpolator() *interpolator {
	quarter, mid := tpPhase(0.25), tpPhase(0.5)
	ip := &interpolator{l1: math.Max(sumAbs(quarter), sumAbs(mid)) * (1 + 1e-12)}
	for k := range tpHalf {
		a, b := quarter[k], quarter[tpTaps-1-k]
		ip.even[k], ip.odd[k] = (a+b)/2, (a-b)/2
		ip.mid[k] = mid[k]
	}
	return ip
}

// tpPhase gives the taps that rebuild the signal at fraction of a sample after
// the tap at tpHalf-1, with unit gain at 0 Hz.
func tpPhase(fraction float64) [tpTaps]float64 {
	var h [tpTaps]float64
	window := dsp.Kaiser(tpPhases*tpTaps+1, tpBeta) // spans the taps, four points a tap
	sum := 0.0
	for k := range h {
		d := float64(tpHalf-1) + fraction - float64(k)
		h[k] = math.Sin(math.Pi*d) / (math.Pi * d) * window[int(tpPhases*(tpHalf+d))]
		sum += h[k]
	}
	for k := range h {
		h[k] /= sum
	}
	return h
}

func sumAbs(h [tpTaps]float64) float64 {
	s := 0.0
	for _, v := range h {
		s += math.Abs(v)
	}
	return s
}

// peak returns the larger of max and the largest |value| between the samples
// of buf, which begins with tpHist samples that came before.
func (ip *interpolator) peak(buf []float64, max float64) float64 {
	const stretch = 32
	for at := 0; at+tpHist < len(buf); at += stretch {
		end := min(at+stretch+tpHist, len(buf))
		part := buf[at:end]
		if maxAbs(part)*ip.l1 <= max {
			continue
		}
		max = ip.peakPart(part, max)
	}
	return max
}

func (ip *interpolator) peakPart(buf []float64, max float64) float64 {
	for n := 0; n+tpTaps <= len(buf); n++ {
		x := (*[tpTaps]float64)(buf[n:])
		var e, o, m float64
		for k := range tpHalf {
			a, b := x[k]+x[tpTaps-1-k], x[k]-x[tpTaps-1-k]
			e += float64(ip.even[k] * a)
			o += float64(ip.odd[k] * b)
			m += float64(ip.mid[k] * a)
		}
		if y := math.Abs(e + o); y > max {
			max = y
		}
		if y := math.Abs(e - o); y > max {
			max = y
		}
		if y := math.Abs(m); y > max {
			max = y
		}
	}
	return max
}

func maxAbs(x []float64) float64 {
	m := 0.0
	for _, v := range x {
		if a := math.Abs(v); a > m {
			m = a
		}
	}
	return m
}

// CrestDelay is by how many samples Crests lags what is pushed to it.
const CrestDelay = tpHalf

// Crests tells the true peak around each sample of one channel (BS.1770 Annex
// 2), for a limiter. Not for use by two goroutines at once.
type Crests struct {
	ip     *interpolator
	old    [tpHist]float64
	before float64 // largest magnitude between the last sample told and the one before
	room   []float64
}

// NewCrests makes one at rest.
func NewCrests() *Crests { return &Crests{ip: newInterpolator()} }

// Push takes samples, finite ones, and writes for each the largest magnitude of
// the signal from one sample before to one after the sample CrestDelay samples
// earlier. Where that is at most quiet for certain, the sample's own magnitude
// may be told instead. What it tells does not depend on how the sound is cut,
// but for that.
func (c *Crests) Push(x, out []float64, quiet float64) {
	for len(x) > 0 {
		n := min(len(x), crestPiece)
		if cap(c.room) == 0 {
			c.room = make([]float64, tpHist+crestPiece)
		}
		buf := c.room[:tpHist+n]
		copy(buf, c.old[:])
		copy(buf[tpHist:], x[:n])
		c.tell(buf, out[:n], quiet)
		copy(c.old[:], buf[n:])
		x, out = x[n:], out[n:]
	}
}

const crestPiece = 64

func (c *Crests) tell(buf, out []float64, quiet float64) {
	certain := maxAbs(buf)*c.ip.l1 <= quiet
	for i := range out {
		own := math.Abs(buf[i+tpHalf-1])
		between := 0.0
		if !certain {
			between = c.ip.peakPart(buf[i:i+tpTaps], 0)
		}
		out[i] = max(own, between, c.before)
		c.before = between
	}
}
