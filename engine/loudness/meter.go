// Package loudness measures programme loudness and peaks: ITU-R BS.1770-4/5
// (K-weighting, gating, true peak), EBU R 128 with Tech 3341 (momentary,
// short-term) and Tech 3342 (loudness range).
//
// Mono is measured as the one channel it is: a mono file reads 3.01 LU lower
// than the same sound in both channels of a stereo file. Options.Weights of
// [2] measures mono as if it played from both loudspeakers.
package loudness

import (
	"math"

	"cuechoir/internal/fault"
)

// The meter looks every 10 ms: a 100 ms grid misses up to 0.45 LU of a
// 400 ms burst that starts between its points (Tech 3341 case 13).
const (
	hopsASecond    = 100
	momentaryHops  = 40  // 400 ms
	shortTermHops  = 300 // 3 s
	gateEveryHops  = 10  // gating blocks overlap by 75 %: one each 100 ms
	roomForBlocks  = 10 * 60 * hopsASecond / gateEveryHops
	maxChannels    = 64
	minRate        = 8000
	maxRate        = 384000
	chunk          = 512 // frames worked on at a time
	surroundWeight = 1.41
)

// Options sets up a Meter.
type Options struct {
	SampleRate   int       // Hz, 8000 to 384000; 0 is 48000
	Channels     int       // 1 to 64; 0 is 2
	Weights      []float64 // one a channel; nil: 1 each for mono and stereo; BS.1770 for 5 (L R C Ls Rs) and 6 (L R C LFE Ls Rs)
	SkipTruePeak bool      // leaves TruePeakDBTP at the sample peak; about twice as fast
}

// Meter measures a stream. It allocates nothing while it runs, but for a
// doubling of its list of gating blocks at 10, 20, 40… minutes. The result
// does not depend on how the stream is cut into pushes. Not for use by two
// goroutines at once.
type Meter struct {
	rate      int
	weights   []float64
	shelf, hp biquad
	ip        *interpolator // nil: no true peak

	k     []kState    // one a channel
	sums  []float64   // this hop's sum of squares, one a channel
	bufs  [][]float64 // tpHist old samples, then a chunk, one a channel
	hops  [shortTermHops]float64
	hop   int64 // hops finished
	frame int64 // frames pushed
	next  int64 // frame at which this hop ends

	blocks, shorts, scratch []float64 // energies of 400 ms and 3 s, each 100 ms
	momentary, shortTerm    float64   // energies of the last windows
	maxM, maxS              float64
	samplePeak, truePeak    float64
}

// Result is what a meter reads at one moment. A level of nothing but silence,
// and loudness of less than one window, is -Inf.
type Result struct {
	IntegratedLUFS   float64
	RangeLU          float64 // 0 under 3 s; Tech 3342 advises against reading it under 60 s
	MaxMomentaryLUFS float64
	MaxShortTermLUFS float64
	TruePeakDBTP     float64
	SamplePeakDBFS   float64
	Frames           int64
}

// New makes a meter.
func New(o Options) (*Meter, error) {
	if o.SampleRate == 0 {
		o.SampleRate = 48000
	}
	if o.Channels == 0 {
		o.Channels = 2
	}
	if o.SampleRate < minRate || o.SampleRate > maxRate {
		return nil, fault.New(fault.Unsupported, "loudness cannot be measured at %d Hz", o.SampleRate).Mended("use %d to %d Hz", minRate, maxRate)
	}
	if o.Channels < 1 || o.Channels > maxChannels {
		return nil, fault.New(fault.Unsupported, "loudness cannot be measured over %d channels", o.Channels)
	}
	w := o.Weights
	if w == nil {
		w = defaultWeights(o.Channels)
	}
	if len(w) != o.Channels {
		return nil, fault.New(fault.Usage, "loudness of %d channels needs %d channel weights, not %d", o.Channels, o.Channels, len(w))
	}
	for _, v := range w {
		if !(v >= 0 && v <= 100) {
			return nil, fault.New(fault.Usage, "channel weight %g is not between 0 and 100", v)
		}
	}
	m := &Meter{rate: o.SampleRate, weights: append([]float64(nil), w...)}
	m.shelf, m.hp = kWeighting(o.SampleRate)
	if !o.SkipTruePeak {
		m.ip = newInterpolator()
	}
	m.k = make([]kState, o.Channels)
	m.sums = make([]float64, o.Channels)
	m.bufs = make([][]float64, o.Channels)
	for c := range m.bufs {
		m.bufs[c] = make([]float64, tpHist+chunk)
	}
	m.blocks = make([]float64, 0, roomForBlocks)
	m.shorts = make([]float64, 0, roomForBlocks)
	m.scratch = make([]float64, 0, roomForBlocks)
	m.next = m.hopEnd(1)
	return m, nil
}

// defaultWeights follows BS.1770 Annex 1 table 3; nil where it names no layout.
func defaultWeights(channels int) []float64 {
	switch channels {
	case 1:
		return []float64{1}
	case 2:
		return []float64{1, 1}
	case 5:
		return []float64{1, 1, 1, surroundWeight, surroundWeight}
	case 6:
		return []float64{1, 1, 1, 0, surroundWeight, surroundWeight}
	}
	return nil
}

// hopEnd is the frame at which hop k (from 1) ends, whatever the rate.
func (m *Meter) hopEnd(k int64) int64 {
	return (k*int64(m.rate) + hopsASecond/2) / hopsASecond
}

// Reset forgets all that was pushed.
func (m *Meter) Reset() {
	clear(m.k)
	clear(m.sums)
	for c := range m.bufs {
		clear(m.bufs[c])
	}
	m.hops = [shortTermHops]float64{}
	m.hop, m.frame, m.next = 0, 0, m.hopEnd(1)
	m.blocks, m.shorts = m.blocks[:0], m.shorts[:0]
	m.momentary, m.shortTerm, m.maxM, m.maxS, m.samplePeak, m.truePeak = 0, 0, 0, 0, 0, 0
}

// Push takes interleaved samples, whole frames. A sample that is not a finite
// number is an error, and the meter must be Reset before further use.
func (m *Meter) Push(interleaved []float32) error {
	ch := len(m.k)
	if len(interleaved)%ch != 0 {
		return fault.New(fault.Unexpected, "%d samples are not whole frames of %d channels", len(interleaved), ch)
	}
	for len(interleaved) > 0 {
		n := m.room(len(interleaved) / ch)
		for c := range m.bufs {
			buf := m.bufs[c][tpHist : tpHist+n]
			for i := range buf {
				buf[i] = float64(interleaved[i*ch+c])
			}
		}
		if err := m.work(n); err != nil {
			return err
		}
		interleaved = interleaved[n*ch:]
	}
	return nil
}

// PushPlanar takes one slice a channel, all of one length.
func (m *Meter) PushPlanar(planes [][]float32) error {
	if len(planes) != len(m.k) {
		return fault.New(fault.Unexpected, "%d channels were pushed to a meter of %d", len(planes), len(m.k))
	}
	for _, p := range planes {
		if len(p) != len(planes[0]) {
			return fault.New(fault.Unexpected, "channels of unequal length (%d and %d samples)", len(planes[0]), len(p))
		}
	}
	for at, left := 0, len(planes[0]); left > 0; {
		n := m.room(left)
		for c, p := range planes {
			buf := m.bufs[c][tpHist : tpHist+n]
			for i := range buf {
				buf[i] = float64(p[at+i])
			}
		}
		if err := m.work(n); err != nil {
			return err
		}
		at, left = at+n, left-n
	}
	return nil
}

// room is how many of left frames fit this chunk and this hop.
func (m *Meter) room(left int) int {
	return int(min(int64(left), chunk, m.next-m.frame))
}

// work measures the n frames that lie in bufs.
func (m *Meter) work(n int) error {
	for c := range m.k {
		all := m.bufs[c][:tpHist+n]
		fresh := all[tpHist:]
		peak := m.samplePeak
		for i, v := range fresh {
			a := math.Abs(v)
			if a > peak {
				peak = a
			}
			if !(a <= math.MaxFloat32) {
				return fault.New(fault.Malformed, "sample %d of channel %d is not a finite number", m.frame+int64(i), c+1)
			}
		}
		m.samplePeak = peak
		m.sums[c] = m.k[c].energy(fresh, m.shelf, m.hp, m.sums[c])
		m.truePeak = math.Max(m.truePeak, peak)
		if m.ip != nil {
			m.truePeak = m.ip.peak(all, m.truePeak)
			copy(all, all[n:])
		}
	}
	m.frame += int64(n)
	if m.frame == m.next {
		m.endHop()
	}
	return nil
}

// endHop closes 10 ms: windows move on, and each 100 ms a gating block is kept.
func (m *Meter) endHop() {
	energy := 0.0
	for c := range m.sums {
		energy += float64(m.weights[c] * m.sums[c])
		m.sums[c] = 0
		m.k[c].settle()
	}
	m.hops[m.hop%shortTermHops] = energy
	m.hop++
	m.next = m.hopEnd(m.hop + 1)
	m.momentary, m.shortTerm = m.window(momentaryHops), m.window(shortTermHops)
	m.maxM, m.maxS = math.Max(m.maxM, m.momentary), math.Max(m.maxS, m.shortTerm)
	if m.hop%gateEveryHops != 0 {
		return
	}
	if m.hop >= momentaryHops {
		m.blocks = append(m.blocks, m.momentary)
	}
	if m.hop >= shortTermHops {
		m.shorts = append(m.shorts, m.shortTerm)
	}
}

// window is the mean square of the last n hops; before the start is silence.
func (m *Meter) window(n int64) float64 {
	sum := 0.0
	for h := m.hop - n; h < m.hop; h++ {
		if h >= 0 {
			sum += m.hops[h%shortTermHops]
		}
	}
	return sum / float64(m.hopEnd(m.hop)-m.hopEnd(m.hop-n))
}

// Finish tells that the stream has ended, so that the crest that the last
// samples make after them counts as true peak. Nothing may be pushed after it
// but a Reset.
func (m *Meter) Finish() {
	if m.ip == nil {
		return
	}
	for c := range m.bufs {
		tail := m.bufs[c][:tpHist+tpHalf]
		clear(tail[tpHist:])
		m.truePeak = m.ip.peak(tail, m.truePeak)
	}
}

// MomentaryLUFS is the loudness of the last 400 ms (Tech 3341).
func (m *Meter) MomentaryLUFS() float64 { return lufs(m.momentary) }

// ShortTermLUFS is the loudness of the last 3 s (Tech 3341).
func (m *Meter) ShortTermLUFS() float64 { return lufs(m.shortTerm) }

// MaxMomentaryLUFS and MaxShortTermLUFS are the largest since the start.
func (m *Meter) MaxMomentaryLUFS() float64 { return lufs(m.maxM) }
func (m *Meter) MaxShortTermLUFS() float64 { return lufs(m.maxS) }

// IntegratedLUFS is gated programme loudness since the start (BS.1770).
func (m *Meter) IntegratedLUFS() float64 { return integrate(m.blocks, 0) }

// GainForLUFS is the gain in dB that would bring IntegratedLUFS to target;
// false when what was pushed is silent or shorter than 400 ms.
func (m *Meter) GainForLUFS(target float64) (gainDB float64, ok bool) {
	return gainFor(m.blocks, target)
}

// RangeLU is loudness range (Tech 3342).
func (m *Meter) RangeLU() float64 {
	var lra float64
	lra, m.scratch = loudnessRange(m.shorts, m.scratch)
	return lra
}

// TruePeakDBTP is the largest true peak of any channel since the start.
func (m *Meter) TruePeakDBTP() float64 { return 20 * math.Log10(m.truePeak) }

// SamplePeakDBFS is the largest sample of any channel since the start.
func (m *Meter) SamplePeakDBFS() float64 { return 20 * math.Log10(m.samplePeak) }

// Result reads everything at once.
func (m *Meter) Result() Result {
	return Result{
		IntegratedLUFS: m.IntegratedLUFS(), RangeLU: m.RangeLU(),
		MaxMomentaryLUFS: m.MaxMomentaryLUFS(), MaxShortTermLUFS: m.MaxShortTermLUFS(),
		TruePeakDBTP: m.TruePeakDBTP(), SamplePeakDBFS: m.SamplePeakDBFS(), Frames: m.frame,
	}
}
