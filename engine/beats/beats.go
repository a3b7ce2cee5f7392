// Package beats follows the beat of a reference's own sound, and mends what a
// person tapped along with it.
//
// Track finds beats, their tempo and a guess of the bars in a mono signal; a
// Follower does the same for a sound that comes in blocks. Mend turns taps
// into beats. Positions are samples of the sound, sample 0 its first.
//
// Method: onset strength, then dynamic programming over moments and periods
// (Ellis, «Beat tracking by dynamic programming», J. New Music Research 36(1),
// 2007; Krebs, Böck and Widmer, ISMIR 2015). Each file names its own source,
// the titles from memory but for Ellis's.
package beats

import (
	"context"
	"math"

	"cuechoir/internal/fault"
)

// Bounds of what is followed.
const (
	minRate    = 8000 // Hz
	maxRate    = 192000
	maxSeconds = 3600 // of sound
	lowestBPM  = 30
	highestBPM = 300
	maxMetre   = 12
)

// DefaultMetre is the beats of a bar that nothing tells more of.
const DefaultMetre = 4

// Options say what beat is looked for. The zero value is fit for most music.
type Options struct {
	MinBPM, MaxBPM float64 // the range of the beat, 30 to 300; 0: 48 and 208
	ExpectBPM      float64 // the tempo held likeliest, all else equal; 0: 102, or the middle of a range that leaves it out
	Metres         []int   // beats a bar, the likeliest first; nil: 4, 3, 2
}

// Beat is one beat of the sound.
type Beat struct {
	Sample   int64
	Strength float64 // of what begins there, 0 to 4, in usual deviations of the seconds around
	Downbeat bool    // it is guessed to begin a bar
}

// Tempo is the tempo at a beat.
type Tempo struct {
	Sample int64
	BPM    float64
}

// Result is what was found in a sound.
type Result struct {
	SampleRate    int
	Beats         []Beat  // in order; empty when there is no beat
	Curve         []Tempo // one for each beat
	Confidence    float64 // 0 to 1 that there is a beat and that it is this one; under Sure there are no Beats
	Metre         int     // beats a bar, as guessed; 0 without beats
	BarConfidence float64 // 0 to 1
	NoBeat        string  // why there are no beats, in plain words; "" when there are

	onsets strength
	chroma [][12]float32
}

// Track follows the beat of a mono sound at sampleRate Hz (8000 to 192000), up
// to an hour. Samples that are no numbers count as silence. No beat is no
// error: Beats is then empty and NoBeat says why. Errors: Usage for options or
// rates out of range, OverLimit for a longer sound, the context's error.
func Track(ctx context.Context, samples []float32, sampleRate int, o Options) (Result, error) {
	f, err := New(sampleRate, o)
	if err != nil {
		return Result{}, err
	}
	const block = 1 << 16
	for len(samples) > 0 {
		if err := ctx.Err(); err != nil {
			return Result{}, err
		}
		n := min(len(samples), block)
		if err := f.Push(samples[:n]); err != nil {
			return Result{}, err
		}
		samples = samples[n:]
	}
	return f.Finish(ctx)
}

// Follower is Track for a sound that comes in blocks; the result is the same
// however they are cut. It keeps about 55 kB for a second of sound. Not for
// several goroutines.
type Follower struct {
	rate    int
	o       Options
	samples int64
	a       *analyser
}

// New prepares a Follower. Errors as for Track.
func New(sampleRate int, o Options) (*Follower, error) {
	if sampleRate < minRate || sampleRate > maxRate {
		return nil, fault.New(fault.Usage, "a sample rate of %d Hz is outside %d to %d", sampleRate, minRate, maxRate)
	}
	o = o.withDefaults()
	if err := o.validate(); err != nil {
		return nil, err
	}
	a, err := newAnalyser(sampleRate)
	return &Follower{rate: sampleRate, o: o, a: a}, err
}

// Push takes the next samples. Errors: OverLimit beyond an hour.
func (f *Follower) Push(samples []float32) error {
	f.samples += int64(len(samples))
	if f.samples > maxSeconds*int64(f.rate) {
		return fault.New(fault.OverLimit, "the sound is longer than an hour: its beat is not followed").Mended("cut it first")
	}
	f.a.push(samples)
	return nil
}

// Finish follows the beat of all that was pushed. Call it once.
func (f *Follower) Finish(ctx context.Context) (Result, error) {
	res := Result{SampleRate: f.rate}
	f.a.finish()
	res.onsets, res.chroma = f.a.strength(f.rate), f.a.chroma
	if f.samples < leastSeconds*int64(f.rate) {
		res.NoBeat = "the sound is too short to have a beat"
		return res, nil
	}
	p, err := follow(ctx, res.onsets, f.o)
	if err != nil {
		return Result{}, err
	}
	if res.Confidence, err = confidence(ctx, p, res.onsets, f.o); err != nil {
		return Result{}, err
	}
	if res.Confidence < Sure {
		res.NoBeat = "nothing in the sound repeats in time: it may be speech, noise or silence"
		return res, nil
	}
	res.fill(p.trim(res.onsets), f.o)
	return res, nil
}

// fill makes beats of a path.
func (r *Result) fill(p path, o Options) {
	s := r.onsets
	bars := guessBars(accents(r.chroma, s, p.frames), o.Metres)
	r.Metre, r.BarConfidence = bars.metre, bars.confidence
	times := make([]float64, len(p.frames))
	for i, t := range p.frames {
		times[i] = s.refine(t)
		sample := int64(math.Round(times[i] * float64(r.SampleRate)))
		r.Beats = append(r.Beats, Beat{Sample: max(0, sample), Strength: nearby(s.all, t), Downbeat: bars.first[i]})
	}
	for i := range times {
		a, b := max(0, i-2), min(len(times)-1, i+2)
		bpm := 60 * s.rate / p.period[i]
		if b > a {
			bpm = 60 * float64(b-a) / (times[b] - times[a])
		}
		r.Curve = append(r.Curve, Tempo{r.Beats[i].Sample, bpm})
	}
}

// Defaults of Options. Ellis's preference is a log-Gaussian around 120 with a
// width of 1.4 octaves over its tempo; ours is narrower and slower, for what
// is to be sung along.
const (
	defaultMinBPM    = 48
	defaultMaxBPM    = 208
	defaultExpectBPM = 102
	spreadOctaves    = 0.8
	leastSeconds     = 3
)

func (o Options) withDefaults() Options {
	if o.MinBPM == 0 {
		o.MinBPM = defaultMinBPM
		if o.MaxBPM != 0 {
			o.MinBPM = min(o.MinBPM, o.MaxBPM)
		}
	}
	if o.MaxBPM == 0 {
		o.MaxBPM = max(defaultMaxBPM, o.MinBPM)
	}
	if o.ExpectBPM == 0 {
		o.ExpectBPM = defaultExpectBPM
		if o.ExpectBPM < o.MinBPM || o.ExpectBPM > o.MaxBPM {
			o.ExpectBPM = math.Sqrt(o.MinBPM * o.MaxBPM)
		}
	}
	if len(o.Metres) == 0 {
		o.Metres = []int{4, 3, 2}
	}
	return o
}

// validate checks options that carry their defaults.
func (o Options) validate() error {
	switch {
	case !(o.MinBPM >= lowestBPM && o.MaxBPM <= highestBPM):
		return fault.New(fault.Usage, "a range of %.4g to %.4g BPM is outside %d to %d", o.MinBPM, o.MaxBPM, lowestBPM, highestBPM)
	case o.MaxBPM < o.MinBPM:
		return fault.New(fault.Usage, "a range of %.4g to %.4g BPM is empty", o.MinBPM, o.MaxBPM)
	case !(o.ExpectBPM >= o.MinBPM && o.ExpectBPM <= o.MaxBPM):
		return fault.New(fault.Usage, "an expected tempo of %.4g BPM is outside the range of %.4g to %.4g", o.ExpectBPM, o.MinBPM, o.MaxBPM)
	}
	for _, m := range o.Metres {
		if m < 1 || m > maxMetre {
			return fault.New(fault.Usage, "a bar of %d beats is outside 1 to %d", m, maxMetre)
		}
	}
	return nil
}
