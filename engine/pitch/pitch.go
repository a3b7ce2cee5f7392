// Package pitch follows the fundamental frequency of one sung voice and cuts
// it into notes.
//
// Aim: a voice between E2 and C6 with breath, room, consonants, vibrato and a
// click bleeding in, within a few cents and without octave errors.
//
// Method: the sound is limited to the band that carries pitch and decimated;
// each frame's normalised difference function (de Cheveigné & Kawahara 2002,
// steps 2-3; frame-centred as in McLeod & Wyvill 2005, so that no lag shifts
// the frame in time) comes from one FFT; its dips become candidates weighted
// over a distribution of thresholds (Mauch & Dixon 2014), and between two an
// octave apart the partials decide (Sun 2002); a Viterbi path with an unvoiced
// state (the path finder of Boersma 1993) chooses among them; runs of voice are
// cut to where the sound is; the chosen period is refined by a Gauss-Newton fit
// of the delay over a short window (Lucas & Kanade 1981, in one dimension),
// symmetric about the frame.
//
// Cost: the benchmarks in this package state it; memory is a few dozen bytes
// a frame and a dozen bytes a decimated sample.
//
// Known failure: two voices at once, growl and fry (the period itself
// doubles), whispering; in a room the tail of a note is voice.
package pitch

import (
	"math"
	"slices"

	"cuechoir/internal/fault"
)

// Frame is one reading. Sample is the frame's centre, counted from x[0] of
// what was tracked. Hz is the reading, 0 where there is none; an unvoiced
// frame may still carry the best guess. Confidence is 0 (none) to 1.
// LevelDB is the level of the voice's band around the centre, dB re full
// scale RMS, at least MinLevelDB.
type Frame struct {
	Sample                  int64
	Hz, Confidence, LevelDB float64
	Voiced                  bool
}

// Options of Track; the zero value is good for any voice.
type Options struct {
	MinHz, MaxHz float64 // range searched; 0: 70 and 1200
	HopSamples   int     // frame step in samples; 0: 5 ms
}

// Bounds and defaults of the tracker.
const (
	DefaultMinHz = 70.0   // a whole tone and more under E2, 82.4 Hz
	DefaultMaxHz = 1200.0 // over C6, 1046.5 Hz
	MinLevelDB   = -140.0

	hopSeconds    = 0.005
	lowestMinHz   = 30.0
	highestMaxHz  = 2000.0
	minSampleRate = 8000
	maxSampleRate = 384000
	maxSamples    = 1 << 31 // twelve hours at 48 kHz
)

func (o Options) filled(sampleRate int) (Options, error) {
	if sampleRate < minSampleRate || sampleRate > maxSampleRate {
		return o, fault.New(fault.Unsupported, "a sample rate of %d Hz cannot be tracked", sampleRate).
			Mended("use %d to %d Hz", minSampleRate, maxSampleRate)
	}
	if o.MinHz == 0 {
		o.MinHz = DefaultMinHz
	}
	if o.MaxHz == 0 {
		o.MaxHz = DefaultMaxHz
	}
	if !(o.MinHz >= lowestMinHz && o.MaxHz <= highestMaxHz && o.MinHz*1.2 <= o.MaxHz) {
		return o, fault.New(fault.Usage, "a pitch range of %g to %g Hz cannot be searched", o.MinHz, o.MaxHz).
			Mended("use a range within %g to %g Hz", lowestMinHz, highestMaxHz)
	}
	if o.HopSamples == 0 {
		o.HopSamples = int(math.Round(hopSeconds * float64(sampleRate)))
	}
	if o.HopSamples < 16 {
		return o, fault.New(fault.Usage, "a pitch frame step of %d samples is too small", o.HopSamples).
			Mended("use 16 or more; 0 is 5 ms")
	}
	return o, nil
}

// Track reads the pitch of x (mono, ±1.0 full scale) once each hop, from
// sample 0 on; frame i is centred on sample i*hop. Samples that are not
// numbers count as silence. Sound shorter than a hop gives one frame; none
// gives none.
func Track(x []float32, sampleRate int, o Options) ([]Frame, error) {
	o, err := o.filled(sampleRate)
	if err != nil {
		return nil, err
	}
	if len(x) > maxSamples {
		return nil, fault.New(fault.OverLimit, "%d samples are too many to track at once", len(x)).
			Mended("check the layer in parts")
	}
	if len(x) == 0 {
		return nil, nil
	}
	b := limitBand(x, sampleRate, o)
	n := (len(x)-1)/o.HopSamples + 1
	frames := make([]Frame, n)
	for i := range frames {
		frames[i].Sample = int64(i) * int64(o.HopSamples)
	}
	b.levels(frames)
	d, err := newDifference(b.lowRate(), o)
	if err != nil {
		return nil, err
	}
	nodes := make([][]candidate, n)
	oct := &octaves{rate: b.rate}
	hop := float64(o.HopSamples) / float64(sampleRate)
	for i := range frames {
		if frames[i].LevelDB < silentDB {
			continue
		}
		d.at(b, frames[i].Sample)
		nodes[i] = slices.Clone(d.candidates())
		oct.settle(b.y, b.pad+int(math.Round(b.index(frames[i].Sample))), nodes[i])
	}
	choose(frames, nodes, newGate(frames, hop), hop)
	e := newEdges(b)
	e.extend(frames)
	e.trim(frames)
	newRefiner(b.y, b.slope, b.rate, o.MinHz).refineRuns(b, frames)
	return frames, nil
}

// Cents is a frequency as absolute cents: 6900 is A4 = 440 Hz.
func Cents(hz float64) float64 { return 6900 + 1200*math.Log2(hz/440) }

// Hz is the frequency of absolute cents.
func Hz(cents float64) float64 { return 440 * math.Exp2((cents-6900)/1200) }
