// Package voice changes a recorded voice: how fast it goes, its pitch, its
// formants, its time, its colour.
package voice

import (
	"math"

	"cuechoir/engine/timecode"
	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// Aim: the same sound, slower or faster, at its own pitch.
// Method: waveform similarity (Verhelst & Roelands, ICASSP 1993): the sound is
// copied as it is, and where it has drifted too far from where it should be, a
// jump to the most similar place nearby mends that under a short crossfade.
// Attacks are found first, land where they belong and are neither cut nor
// heard twice (Grofit & Lavner, IEEE Trans. Audio, Speech and Language
// Processing 16(1), 2008, who leave transients intact within this method).
// A crossfade keeps the power whatever the likeness of its two sides (the
// ratio of gains stays, their sum follows the correlation; O. Niemitalo and R.
// Bristow-Johnson, music-dsp list, 2010).
// Cost: one correlation of 40 ms by FFT for each jump; BenchmarkStretch.
// Memory: the output, eight bytes a millisecond of input, and some 100 kB.
// Known failure: a chord of unrelated pitches has no similar place nearby, and
// a jump in it can be heard as roughness; of two attacks within 20 ms the
// second is not guarded.

// Bounds of Stretch.
const (
	maxStretched = 1 << 27 // samples of output: 46 minutes at 48 kHz
	maxSpeedTerm = 1 << 20
)

// Lengths in milliseconds.
const (
	driftMS      = 10 // how far a place may be from where it belongs, between attacks
	likeMS       = 20 // length that is compared: the longest period of a voice, and more
	crossfadeMS  = 10
	attackTolMS  = 5 // how far an attack may land beside its place, for a better join
	attackPreMS  = 1 // copied untouched before an attack
	attackPostMS = 6 // and after it
)

// nearer is how much likeness one gives up for the middle of the search, so
// that silence and noise stay in place.
const nearer = 0.005

// CheckSpeed reports a speed outside 1/2 to 2.
func CheckSpeed(speed timecode.Ratio) error {
	if !speed.InRange() || speed.Num > maxSpeedTerm || speed.Den > maxSpeedTerm ||
		speed.Cmp(timecode.R(1, 2)) < 0 || speed.Cmp(timecode.Int(2)) > 0 {
		return fault.New(fault.Usage, "a speed of %.4g is out of range", speed.Float()).Mended("use 0.5 (half) to 2 (double)")
	}
	return nil
}

// StretchedLen is the length of n samples at a speed: n/speed, rounded, halves
// up.
func StretchedLen(n int64, speed timecode.Ratio) int64 {
	return timecode.Int(n).Div(speed).Round()
}

// Stretch is x, mono, ±1.0 full scale, at speed times its own speed (1/2 to
// 2) and at its own pitch. It has exactly StretchedLen samples; its first
// sample is x's first, what lies at n in x lies within 20 ms of n/speed, and
// attacks within 5. At speed 1 it is x, bit by bit. x is not changed. The
// sample rate is 8000 to 192000 Hz. Errors: Usage, OverLimit.
func Stretch(x []float32, sampleRate int, speed timecode.Ratio) ([]float32, error) {
	if err := CheckSpeed(speed); err != nil {
		return nil, err
	}
	if sampleRate < 8000 || sampleRate > 192000 {
		return nil, fault.New(fault.Usage, "a sample rate of %d Hz is out of range", sampleRate)
	}
	if len(x) > maxStretched/2 {
		return nil, fault.New(fault.OverLimit, "%d samples are too many to stretch at once", len(x)).Mended("stretch a shorter span")
	}
	out := make([]float32, StretchedLen(int64(len(x)), speed))
	if speed.Cmp(timecode.Int(1)) == 0 {
		copy(out, x)
		return out, nil
	}
	s, err := newStretcher(x, out, sampleRate)
	if err != nil {
		return nil, err
	}
	s.run(speed)
	return out, nil
}

// stretcher fills out from x. An offset is the place in x minus the place in
// out: while it stands still, the sound is copied.
type stretcher struct {
	x, out             []float32
	at, offset         int // written up to at; the offset there
	ms                 func(float64) int
	fft                *dsp.RealFFT
	ref, seg, likeness []float64
	refBins, segBins   []complex128
}

func newStretcher(x, out []float32, sampleRate int) (*stretcher, error) {
	s := &stretcher{x: x, out: out, ms: func(ms float64) int { return int(math.Round(ms * float64(sampleRate) / 1000)) }}
	size := 2
	for size < s.ms(likeMS)+2*s.ms(driftMS)+2 {
		size *= 2
	}
	var err error
	if s.fft, err = dsp.NewRealFFT(size); err != nil {
		return nil, err
	}
	s.ref, s.seg, s.likeness = make([]float64, size), make([]float64, size), make([]float64, size)
	s.refBins, s.segBins = make([]complex128, s.fft.Bins()), make([]complex128, s.fft.Bins())
	return s, nil
}

// run goes from attack to attack: a stretch between two, then the attack as
// it is.
func (s *stretcher) run(speed timecode.Ratio) {
	pre, post, tol := s.ms(attackPreMS), s.ms(attackPostMS), s.ms(attackTolMS)
	lo := 0 // the first place in x that is free to be used again
	for _, t := range attacks(s.x, s.ms(1)) {
		place := int(StretchedLen(int64(t), speed))
		hi, end := t-pre, place-pre
		if hi <= lo || end <= s.at || t+post >= len(s.x) {
			continue // no room to guard it
		}
		s.bridge(gap{lo: lo, hi: hi, end: end, offset: t - place, below: tol, above: tol})
		lo = t + post
		s.copyTo(lo - s.offset)
	}
	// The last place must not lie beyond x.
	s.bridge(gap{lo: lo, hi: len(s.x), end: len(s.out), offset: len(s.x) - len(s.out), below: tol})
}

// gap is what lies between two attacks: x from lo to hi is what may be used,
// out is to be filled up to end and to have, there, the offset, but for a
// tolerance.
type gap struct {
	lo, hi, end  int
	offset       int
	below, above int
}

func (g gap) good(offset int) bool { return offset >= g.offset-g.below && offset <= g.offset+g.above }

// bridge fills out up to the gap's end. The line of offsets that would be
// exact runs straight from the present one to the gap's.
func (s *stretcher) bridge(g gap) {
	from, first := s.at, s.offset
	room := g.end - from
	if room <= 0 {
		return
	}
	slope := float64(g.offset-first) / float64(room)
	fade := max(1, min(s.ms(crossfadeMS), room/4, (g.hi-g.lo)/4))
	drift := float64(max(1, min(s.ms(driftMS), (g.hi-g.lo)/4)))
	side := math.Copysign(drift, -slope) // where the copy drifts to
	line := func(at int) float64 { return float64(first) + slope*float64(at-from) }
	for s.at < g.end {
		leave := g.end // where the copy is too far from the line
		if slope != 0 {
			leave = from + int(min(float64(room), (float64(s.offset-first)-side)/slope))
		}
		last := leave >= g.end-2*fade-g.below
		if last && g.good(s.offset) {
			break
		}
		if last {
			leave = g.end - fade - g.below
		}
		// Neither side of the crossfade may touch the next attack.
		at := max(s.at, min(leave, g.hi-s.offset-fade))
		middle := line(at+fade/2) - side
		least, most := middle-drift, middle+drift
		if last {
			least, most = float64(g.offset-g.below), float64(g.offset+g.above)
		}
		// Nor may it go back to the last one, or jump over the next.
		lowest, highest := float64(g.lo-at), float64(g.hi-at-fade)
		least, most = min(max(least, lowest), highest), max(min(most, highest), min(lowest, highest))
		s.jump(at, min(fade, g.end-at), int(math.Ceil(least)), int(math.Floor(most)))
		if last {
			break
		}
	}
	s.copyTo(g.end)
}

// copyTo copies on, at the present offset.
func (s *stretcher) copyTo(end int) {
	end = min(end, len(s.out))
	for ; s.at < end; s.at++ {
		s.out[s.at] = s.sample(s.at + s.offset)
	}
}

func (s *stretcher) sample(i int) float32 {
	if i < 0 || i >= len(s.x) {
		return 0
	}
	return s.x[i]
}

// jump copies up to at and there goes over to the offset of least..most at
// which x is most like what would have followed.
func (s *stretcher) jump(at, fade, least, most int) {
	s.copyTo(at)
	old := s.offset
	s.offset = s.mostLike(at+old, at+least, max(0, most-least)) - at
	rho := s.correlation(at+old, at+s.offset, fade)
	for i := range fade {
		w := 0.5 - 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(fade))
		v := 1 - w
		gain := 1 / math.Sqrt(v*v+w*w+2*v*w*rho)
		s.out[s.at] = float32(gain * (v*float64(s.sample(s.at+old)) + w*float64(s.sample(s.at+s.offset))))
		s.at++
	}
}

// correlation of two places in x over n samples, 0 to 1.
func (s *stretcher) correlation(a, b, n int) float64 {
	ab, aa, bb := 0.0, 0.0, 0.0
	for i := range n {
		x, y := float64(s.sample(a+i)), float64(s.sample(b+i))
		ab, aa, bb = ab+x*y, aa+x*x, bb+y*y
	}
	if !(ab > 0) {
		return 0
	}
	return min(1, ab/math.Sqrt(aa*bb))
}

// mostLike is the place among first..first+span of x whose next 20 ms are most
// like those at ref: the highest normalised cross-correlation.
func (s *stretcher) mostLike(ref, first, span int) int {
	length := min(s.ms(likeMS), len(s.ref)-span-1)
	clear(s.ref)
	clear(s.seg)
	power := 0.0
	for i := range length {
		v := float64(s.sample(ref + i))
		s.ref[i] = v
		power += v * v
	}
	for i := range length + span {
		s.seg[i] = float64(s.sample(first + i))
	}
	s.fft.Forward(s.refBins, s.ref)
	s.fft.Forward(s.segBins, s.seg)
	for i, b := range s.refBins {
		s.segBins[i] *= complex(real(b), -imag(b))
	}
	s.fft.Inverse(s.likeness, s.segBins)
	here := 0.0
	for _, v := range s.seg[:length] {
		here += v * v
	}
	const silence = 1e-12 // of the mean power: -120 dBFS
	best, place := math.Inf(-1), first
	for k := range span + 1 {
		like := 0.0
		if power > silence*float64(length) && here > silence*float64(length) {
			like = s.likeness[k] / math.Sqrt(power*here)
		}
		like -= nearer * math.Abs(float64(2*k-span)) / float64(span+1)
		if like > best {
			best, place = like, first+k
		}
		here += s.seg[k+length]*s.seg[k+length] - s.seg[k]*s.seg[k]
	}
	return place
}

// An attack is a millisecond whose changes from sample to sample have ten
// times the energy of any in the 20 before it (longer than a voice's period,
// so that no single pulse of a low note counts), and are not far below the
// sound's mean.
const (
	attackRise  = 10.0
	attackQuiet = 20   // milliseconds
	attackFloor = 1e-3 // of the mean energy
)

// attacks are the first samples of the attacks of x, rising, at least 20 ms
// apart; block is a millisecond.
func attacks(x []float32, block int) []int {
	energy := make([]float64, len(x)/block)
	mean := 0.0
	for k := range energy {
		for i := max(1, k*block); i < (k+1)*block; i++ {
			d := float64(x[i] - x[i-1])
			energy[k] += d * d
		}
		mean += energy[k] / float64(len(energy))
	}
	var found []int
	for k := 1; k < len(energy); k++ {
		before := 0.0
		for _, e := range energy[max(0, k-attackQuiet):k] {
			before = max(before, e)
		}
		if !(energy[k] > attackRise*before && energy[k] > attackFloor*mean) {
			continue
		}
		found = append(found, firstOf(x, k*block, (k+1)*block, energy[k]/float64(block)))
		k += attackQuiet
	}
	return found
}

// firstOf is the first sample of from..to whose change is a tenth of the mean
// energy or more.
func firstOf(x []float32, from, to int, mean float64) int {
	for i := from; i < to; i++ {
		if d := float64(x[i] - x[i-1]); d*d >= mean/10 {
			return i
		}
	}
	return from
}
