package voice

import (
	"math"
	"sort"

	"cuechoir/engine/pitch"
	"cuechoir/internal/fault"
)

// Aim: a mark in each period of a voice, on the moment of its energy.
// Method: pitch-synchronous marks (Moulines & Charpentier, Speech
// Communication 9, 1990). The f0 track is summed up to a phase; the phase of
// the first Fourier component of the power over two periods says how far a
// mark lies beside the period's energy, and pulls the next one there, gently.
// So marks are smooth to fractions of a sample: a mark on the highest peak
// would jump from peak to peak, and each jump would be heard as roughness.
// Cost: two complex products a sample of voice.
// Known failure: two voices at once; creak, whose every second period counts.

// Sung is a voice with its pitch and its marks. It is not changed by Render
// and may be used by several at once.
type Sung struct {
	x    []float32 // about its mean: an input's constant offset is no voice
	mean float64
	kept []float32 // as it was given
	rate int
	runs []run
}

// run is an unbroken stretch of voice.
type run struct {
	marks  []float64 // samples of x, rising, at least three
	at     []float64 // places of the readings below
	octave []float64 // log2 of Hz there
}

// Marks and runs.
const (
	pull         = 0.3   // how much of the way to the energy a mark goes
	leastRun     = 3     // frames of voice
	growSeconds  = 0.06  // a run may go on so far beyond its last voiced frame
	growLikeness = 0.6   // while each period is so like the one before
	growPower    = 1e-8  // and no softer than -80 dBFS
	listenHop    = 0.010 // seconds
	maxListened  = 1 << 28
)

// Listen finds the voice in x, mono, ±1.0 full scale, at 8000 to 192000 Hz.
// x is kept and must not change. Errors: Unsupported, OverLimit.
func Listen(x []float32, sampleRate int) (*Sung, error) {
	if len(x) > maxListened {
		return nil, fault.New(fault.OverLimit, "%d samples are too many to mend at once", len(x)).Mended("mend a shorter take")
	}
	if sampleRate < 8000 || sampleRate > 192000 {
		return nil, fault.New(fault.Unsupported, "a sample rate of %d Hz is out of range", sampleRate)
	}
	swing, _ := aboutMean(x)
	frames, err := pitch.Track(swing, sampleRate, pitch.Options{HopSamples: int(listenHop * float64(sampleRate))})
	if err != nil {
		return nil, err
	}
	return ListenTo(x, sampleRate, frames), nil
}

// ListenTo is Listen with a pitch track that is there already.
func ListenTo(x []float32, sampleRate int, frames []pitch.Frame) *Sung {
	s := &Sung{kept: x, rate: sampleRate}
	s.x, s.mean = aboutMean(x)
	for i := 0; i < len(frames); {
		j := i
		for j < len(frames) && frames[j].Voiced && frames[j].Hz > 0 {
			j++
		}
		if j-i >= leastRun {
			if r, ok := s.newRun(frames[i:j]); ok {
				s.runs = append(s.runs, r)
			}
		}
		i = max(j, i+1)
	}
	return s
}

// leastMean is the smallest offset that is taken off, -80 dBFS.
const leastMean = 1e-4

// aboutMean is x without its mean, and that; x itself where there is next to none.
func aboutMean(x []float32) ([]float32, float64) {
	mean := 0.0
	for _, v := range x {
		mean += float64(v)
	}
	if mean /= float64(max(1, len(x))); !(math.Abs(mean) > leastMean) {
		return x, 0
	}
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = float32(float64(v) - mean)
	}
	return out, mean
}

func (r *run) first() float64 { return r.marks[0] }
func (r *run) last() float64  { return r.marks[len(r.marks)-1] }

// hz is the pitch at a place, between readings on a straight line of cents.
func (r *run) hz(at float64) float64 {
	i := sort.SearchFloat64s(r.at, at)
	switch {
	case i == 0:
		return math.Exp2(r.octave[0])
	case i == len(r.at):
		return math.Exp2(r.octave[i-1])
	}
	u := (at - r.at[i-1]) / (r.at[i] - r.at[i-1])
	return math.Exp2(r.octave[i-1] + u*(r.octave[i]-r.octave[i-1]))
}

// nearest is the mark nearest to a place.
func (r *run) nearest(at float64) int {
	i := sort.SearchFloat64s(r.marks, at)
	if i == len(r.marks) || i > 0 && at-r.marks[i-1] < r.marks[i]-at {
		i--
	}
	return i
}

// between is the mark at or before a place, and how much of the way to the next
// it lies on; at the ends there is no way.
func (r *run) between(at float64) (i int, part float64) {
	i = sort.SearchFloat64s(r.marks, at)
	if i == 0 || i == len(r.marks) {
		return min(i, len(r.marks)-1), 0
	}
	return i - 1, (at - r.marks[i-1]) / (r.marks[i] - r.marks[i-1])
}

func (s *Sung) newRun(frames []pitch.Frame) (run, bool) {
	var r run
	loudest := 0
	for i, f := range frames {
		r.at = append(r.at, float64(f.Sample))
		r.octave = append(r.octave, math.Log2(f.Hz))
		if f.LevelDB > frames[loudest].LevelDB {
			loudest = i
		}
	}
	half := float64(frames[1].Sample-frames[0].Sample) / 2
	from, to := r.at[0]-half, r.at[len(r.at)-1]+half
	if k := len(s.runs); k > 0 {
		from = max(from, s.runs[k-1].last()+s.period(&s.runs[k-1], s.runs[k-1].last()))
	}
	start := r.at[loudest]
	for range 3 { // from the middle of the loudest frame to its energy
		beside, _ := s.beside(start, s.period(&r, start))
		start += beside
	}
	var before []float64
	for m := s.step(&r, start, -1); s.goesOn(&r, m, from, -1); m = s.step(&r, m, -1) {
		before = append(before, m)
	}
	for i := len(before) - 1; i >= 0; i-- {
		r.marks = append(r.marks, before[i])
	}
	r.marks = append(r.marks, start)
	for m := s.step(&r, start, 1); s.goesOn(&r, m, to, 1); m = s.step(&r, m, 1) {
		r.marks = append(r.marks, m)
	}
	return r, len(r.marks) >= 3
}

func (s *Sung) period(r *run, at float64) float64 { return float64(s.rate) / r.hz(at) }

// ahead is the length of the period that begins at a place (way 1) or ends
// there (-1): the pitch in its middle is its pitch.
func (s *Sung) ahead(r *run, from, way float64) float64 {
	return s.period(r, from+way*s.period(r, from)/2)
}

// step is the mark after one, or before it.
func (s *Sung) step(r *run, from, way float64) float64 {
	t := s.ahead(r, from, way)
	at := from + way*t
	beside, sure := s.beside(at, t)
	return at + pull*sure*beside
}

// goesOn says whether a mark still belongs to the voice: up to an edge, and a
// little beyond while the waveform goes on as it was.
func (s *Sung) goesOn(r *run, m, edge, way float64) bool {
	t := s.period(r, m)
	if m-t < 0 || m+t >= float64(len(s.x)) {
		return false
	}
	beyond := (m - edge) * way
	if beyond <= 0 {
		return true
	}
	if k := len(s.runs); way < 0 && k > 0 && m-2*t < s.runs[k-1].last() {
		return false
	}
	return beyond < growSeconds*float64(s.rate) && s.alike(int(m), int(m-way*t), int(t))
}

// alike compares the periods around two places.
func (s *Sung) alike(a, b, period int) bool {
	if min(a, b)-period/2 < 0 || max(a, b)+period/2 >= len(s.x) {
		return false
	}
	ab, aa, bb := 0.0, 0.0, 0.0
	for i := -period / 2; i < period/2; i++ {
		x, y := float64(s.x[a+i]), float64(s.x[b+i])
		ab, aa, bb = ab+x*y, aa+x*x, bb+y*y
	}
	return aa > growPower*float64(period) && ab > growLikeness*math.Sqrt(aa*bb)
}

// beside is how far the energy of the period around a place lies behind it,
// ±half a period, and how sure that is, 0 to 1: the phase and the share of the
// power's first Fourier component under a Hann window of two periods.
func (s *Sung) beside(at, period float64) (samples, sure float64) {
	from, to := max(0, int(math.Ceil(at-period))), min(len(s.x)-1, int(math.Floor(at+period)))
	if to <= from {
		return 0, 0
	}
	w := 2 * math.Pi / period
	// e^{iwt} turns on once a sample; the window, (1+cos(wt/2·...))/2 with its
	// end at one period, turns at half that pace.
	sin, cos := math.Sincos(w * (float64(from) - at))
	hs, hc := math.Sincos(w / 2 * (float64(from) - at))
	ts, tc := math.Sincos(w)
	us, uc := math.Sincos(w / 2)
	re, im, all := 0.0, 0.0, 0.0
	for _, v := range s.x[from : to+1] {
		p := float64(v) * float64(v) * (0.5 + 0.5*hc)
		all += p
		re += p * cos
		im += p * sin
		sin, cos = sin*tc+cos*ts, cos*tc-sin*ts
		hs, hc = hs*uc+hc*us, hc*uc-hs*us
	}
	if !(all > 0) {
		return 0, 0
	}
	return math.Atan2(im, re) / w, min(1, 2*math.Hypot(re, im)/all)
}
