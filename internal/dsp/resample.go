package dsp

import (
	"math"

	"cuechoir/internal/fault"
)

// Aim: change the sample rate with no audible or measurable mark below 0.91 of
// the lower Nyquist frequency, and put each output sample exactly where it
// belongs in time.
// Method: polyphase windowed sinc (Kaiser window); the place of an output
// sample is kept in integers. Up to maxPhases phases each has its own row of
// coefficients; ratios with more share maxPhases rows and interpolate between
// neighbours, at a cost of about -150 dB.
// Cost: 2·halfTaps multiplications an output sample (times from/to when the
// rate goes down).
// Known failure: a step rings, as with any linear-phase filter, by about 9 %
// over 2.5 ms each side.
// Sources: Smith, «Digital Audio Resampling Home Page»; Oppenheim and Schafer,
// Discrete-Time Signal Processing, sections 4.6 and 7.5.
const (
	halfTaps      = 112   // zero crossings each side
	attenuationDB = 155.0 // of the stopband, from the lower Nyquist frequency on
	maxPhases     = 8192

	minRate  = 1000   // Hz
	maxRate  = 768000 // Hz
	maxRatio = 64     // up or down
)

// Resample changes the rate of x from one sample rate to another, in Hz. The
// output has round(len(x)·to/from) samples; sample k of it stands at time
// k/to, with no delay. What lies outside x counts as silence. Errors: Usage
// for rates outside 1000 to 768000 Hz or over 64 apart.
func Resample(x []float32, from, to int) ([]float32, error) {
	r, err := NewResampler(from, to)
	if err != nil {
		return nil, err
	}
	out := make([]float32, 0, r.OutputLength(int64(len(x))))
	return r.Flush(r.Push(out, x)), nil
}

// Resampler is Resample for a signal that comes in blocks; the output is the
// same, bit for bit, however the blocks are cut. Not for several goroutines.
type Resampler struct {
	from, to int // as given, Hz
	up, down int64
	half     int         // taps each side, in input samples
	rows     [][]float64 // coefficients by phase; one row more when interpolated
	exact    bool        // a row for each phase

	hist  []float64 // input samples from `base` on
	base  int64
	in    int64 // input samples taken
	out   int64 // output samples given
	at    int64 // input sample at or before the next output
	phase int64 // how far behind `at` it stands, in 1/up of a sample
	wide  []float64
}

// NewResampler prepares a converter. Errors as for Resample.
func NewResampler(from, to int) (*Resampler, error) {
	if from < minRate || from > maxRate || to < minRate || to > maxRate {
		return nil, fault.New(fault.Usage, "sound is not resampled from %d to %d Hz: rates go from %d to %d", from, to, minRate, maxRate)
	}
	if from > maxRatio*to || to > maxRatio*from {
		return nil, fault.New(fault.Usage, "sound is not resampled from %d to %d Hz: the rates are over %d times apart", from, to, maxRatio)
	}
	g := gcd(int64(from), int64(to))
	r := &Resampler{from: from, to: to, up: int64(to) / g, down: int64(from) / g}
	if r.up != r.down {
		r.design()
		r.Reset()
	}
	return r, nil
}

// Reset forgets the signal so far.
func (r *Resampler) Reset() {
	r.in, r.out, r.at, r.phase = 0, 0, 0, 0
	r.base = -int64(r.half - 1)
	r.hist = append(r.hist[:0], make([]float64, max(0, r.half-1))...)
}

// OutputLength is the number of output samples for n input samples.
func (r *Resampler) OutputLength(n int64) int64 {
	whole, rest := n/r.down, n%r.down // n·up could overflow
	return whole*r.up + (2*rest*r.up+r.down)/(2*r.down)
}

// design fills the rows: row p holds the kernel for an output that stands p/up
// of an input sample behind the sample `at`.
func (r *Resampler) design() {
	scale := min(1, float64(r.to)/float64(r.from))
	r.half = int(math.Ceil(halfTaps / scale))
	r.half += r.half % 2 // the inner product goes in steps of four
	phases := r.up
	r.exact = phases <= max(1, int64(maxPhases*scale))
	if !r.exact {
		phases = max(1, int64(maxPhases*scale))
	}
	count := phases
	if !r.exact {
		count++
	}
	r.rows = sincRows(r.half, scale, phases, count)
}

// sincRows are `count` rows of 2·half coefficients: row p is the kernel for a
// place p/phases of a sample behind tap half-1. scale is the lower rate over
// the input's.
func sincRows(half int, scale float64, phases, count int64) [][]float64 {
	// Kaiser: transition width in cycles a sample of the lower rate, all of
	// it kept below that rate's Nyquist frequency.
	width := (attenuationDB - 7.95) / (14.36 * 2 * halfTaps)
	cut := scale * (1 - width)
	beta := KaiserBeta(attenuationDB)
	flat := make([]float64, count*int64(2*half))
	norm := 1 / besselI0(beta)
	rows := make([][]float64, count)
	for p := range rows {
		row := flat[:2*half]
		flat = flat[2*half:]
		rows[p] = row
		for k := range row {
			// Tap k weighs input sample at-half+1+k.
			t := float64(p)/float64(phases) + float64(half-1-k)
			edge := t * scale / halfTaps
			if math.Abs(edge) < 1 {
				row[k] = cut * sinc(cut*t) * besselI0(beta*math.Sqrt(1-edge*edge)) * norm
			}
		}
	}
	return rows
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// resampleBlock is how many input samples are taken at a time, so that the
// history stays small.
const resampleBlock = 4096

// Push takes the next input samples and appends to dst the output samples that
// are settled by them. It allocates nothing when dst has room.
func (r *Resampler) Push(dst, src []float32) []float32 {
	if r.up == r.down {
		return append(dst, src...)
	}
	for len(src) > 0 {
		n := min(len(src), resampleBlock)
		r.wide = r.wide[:0]
		for _, v := range src[:n] {
			r.hist = append(r.hist, float64(v))
		}
		r.in += int64(n)
		r.wide = r.produce(r.wide, math.MaxInt64)
		for _, v := range r.wide {
			dst = append(dst, float32(v))
		}
		src = src[n:]
	}
	return dst
}

// Flush appends the rest of the output and starts anew.
func (r *Resampler) Flush(dst []float32) []float32 {
	if r.up == r.down {
		return dst
	}
	for _, v := range r.finish(r.wide[:0]) {
		dst = append(dst, float32(v))
	}
	r.Reset()
	return dst
}

// finish puts silence behind the input until the last output is settled.
func (r *Resampler) finish(dst []float64) []float64 {
	total := r.OutputLength(r.in)
	for r.out < total {
		for range r.half {
			r.hist = append(r.hist, 0)
		}
		dst = r.produce(dst, total)
	}
	return dst
}

// produce appends each output whose kernel lies within the history, up to
// `limit` outputs in all, then drops the history that is used up.
func (r *Resampler) produce(dst []float64, limit int64) []float64 {
	for r.out < limit {
		from := int(r.at - int64(r.half) + 1 - r.base)
		if from+2*r.half > len(r.hist) {
			break
		}
		x := r.hist[from : from+2*r.half]
		if r.exact {
			dst = append(dst, dot(r.rows[r.phase], x))
		} else {
			dst = append(dst, r.between(x))
		}
		r.out++
		r.phase += r.down
		r.at += r.phase / r.up
		r.phase %= r.up
	}
	if used := r.at - int64(r.half) + 1 - r.base; used > 0 {
		used = min(used, int64(len(r.hist)))
		r.hist = r.hist[:copy(r.hist, r.hist[used:])]
		r.base += used
	}
	return dst
}

// between interpolates between the two rows next to the phase.
func (r *Resampler) between(x []float64) float64 {
	rows := int64(len(r.rows) - 1)
	i, rest := r.phase*rows/r.up, r.phase*rows%r.up
	a, b := dot(r.rows[i], x), dot(r.rows[i+1], x)
	return a + (b-a)*float64(rest)/float64(r.up)
}

// dot is the inner product; len(a) is a multiple of four and len(b) the same.
func dot(a, b []float64) float64 {
	var s0, s1, s2, s3 float64
	for len(a) >= 4 && len(b) >= 4 {
		s0 += a[0] * b[0]
		s1 += a[1] * b[1]
		s2 += a[2] * b[2]
		s3 += a[3] * b[3]
		a, b = a[4:], b[4:]
	}
	return (s0 + s2) + (s1 + s3)
}
