// Package compass is how low and how high a singer sings with ease: measured
// from a siren (one long glide from low to high and back), kept for each singer,
// held against parts.
//
// Method: the pitch of the glide is followed; each semitone that it passes is
// judged by how steady the pitch is about a straight line over a fifth of a
// second, and by its level against the others. The comfortable range is the
// longest row of steady, sounding semitones, drawn in a little at both ends:
// what a glide touches for a moment is not what can be sung for a bar.
//
// Cost: that of pitch.Track.
//
// Known failure: who sirens half-heartedly has more range than is found; the
// safe side. A siren says nothing of how long a voice lasts.
package compass

import (
	"fmt"
	"math"
	"slices"

	"cuechoir/engine/part"
	"cuechoir/engine/pitch"
	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// Range is a singer's comfortable range, from MIDI key Low to High.
type Range struct{ Low, High uint8 }

// String is "A2 to E4".
func (r Range) String() string { return part.KeyName(r.Low) + " to " + part.KeyName(r.High) }

// Validate reports a range that is none.
func (r Range) Validate() error {
	if r.Low > r.High || r.High > 127 {
		return fault.New(fault.Usage, "a range from key %d to %d is none", r.Low, r.High).Mended("give the lower note first, such as A2 and E4")
	}
	return nil
}

// The siren is judged by these; where no source is named they are set on the
// safe side and stated to the person.
const (
	SteadyCents = 40.0 // a semitone is steady when the pitch stays so near its line, RMS: a quarter tone less what a glide's own bend adds
	SoftDB      = 12.0 // and sounds when it is no more than so far under the median semitone
	DrawInLow   = 1    // semitones by which the lower end is drawn in
	DrawInHigh  = 2    // and the upper: high notes strain first (common practice)

	leastSeconds   = 4.0  // of voice
	leastSemitones = 8    // passed; fewer are no siren of a healthy voice (common practice: an octave and more)
	leastSNR       = 15.0 // dB of the voice over the room
	leastVoiced    = 0.75 // of the time from first to last voice
	leastWay       = 0.6  // of the semitones must be passed upwards, and as many downwards
	leastGlide     = 0.5  // of the time must glide
	leastPassed    = 0.85 // of the semitones between the ends
	glideRate      = 80.0 // cents a second from which on the voice glides
	lineSeconds    = 0.2
	reachedSeconds = 0.03 // in a semitone, for it to count
	islandSeconds  = 0.12 // voice shorter than this is a noise
	lowHz, highHz  = 55.0, 1500.0
)

// Semitone is what was heard at one key.
type Semitone struct {
	Key         uint8
	Seconds     float64
	SteadyCents float64 // RMS about the glide's line
	LevelDB     float64 // against the median semitone
	Good        bool
}

// Reading is a measured siren.
type Reading struct {
	Range           Range // comfortable
	Lowest, Highest uint8 // reached at all
	Semitones       []Semitone
	VoicedSeconds   float64
	SignalToNoiseDB float64 // NaN when no pause shows the room
}

// Measure reads a siren (mono, ±1.0). Errors of kind NotMet say what keeps it
// from being one: too short, too noisy, not a glide, not there and back, too
// narrow, nowhere steady.
func Measure(x []float32, sampleRate int) (Reading, error) {
	frames, err := pitch.Track(x, sampleRate, pitch.Options{MinHz: lowHz, MaxHz: highHz})
	if err != nil {
		return Reading{}, err
	}
	g := newGlide(frames, sampleRate)
	r := Reading{VoicedSeconds: float64(len(g.points)) * g.hop}
	if err := g.checkSound(&r); err != nil {
		return r, err
	}
	r.Semitones = g.semitones()
	if err := g.checkWay(&r); err != nil {
		return r, err
	}
	return r, r.comfort()
}

// comfort is the longest row of good semitones, drawn in.
func (r *Reading) comfort() error {
	var lo, hi, from int
	lo, hi = 0, -1
	for i, s := range r.Semitones {
		if !s.Good {
			from = i + 1
		} else if i-from > hi-lo {
			lo, hi = from, i
		}
	}
	if hi-lo < DrawInLow+DrawInHigh+1 {
		return refuse("the voice is steady nowhere for long", "warm up, glide slowly and without pressure, and measure again")
	}
	r.Range = Range{Low: r.Semitones[lo].Key + DrawInLow, High: r.Semitones[hi].Key - DrawInHigh}
	return nil
}

func refuse(what, mend string) error { return fault.New(fault.NotMet, "%s", what).Mended("%s", mend) }

const slowly = "glide on oo from as low as is easy to as high as is easy and back, some five seconds each way"

// checkSound refuses what is too short or too noisy to judge.
func (g *glide) checkSound(r *Reading) error {
	if r.VoicedSeconds < leastSeconds {
		return refuse(fmt.Sprintf("only %.1f s of voice were heard, %.0f are needed", r.VoicedSeconds, leastSeconds), slowly)
	}
	var levels []float64
	for _, p := range g.points {
		levels = append(levels, p.level)
	}
	r.SignalToNoiseDB = math.NaN()
	if len(g.room) > 0 {
		r.SignalToNoiseDB = dsp.Median(levels) - dsp.Median(slices.Clone(g.room))
	}
	const quiet = "find a quieter place, go nearer to the microphone, headphones closed, and measure again"
	if r.SignalToNoiseDB < leastSNR {
		return refuse(fmt.Sprintf("the voice stands only %.0f dB over the room, %.0f are needed", r.SignalToNoiseDB, leastSNR), quiet)
	}
	if share := r.VoicedSeconds / g.span(); share < leastVoiced {
		return refuse(fmt.Sprintf("the voice sounds in only %.0f %% of the time", 100*share), "sing it in one breath, without breaking off: "+slowly)
	}
	return nil
}

// checkWay refuses what does not glide there and back.
func (g *glide) checkWay(r *Reading) error {
	if len(r.Semitones) == 0 {
		return refuse("no pitch stayed for long enough to be judged", slowly)
	}
	first, last := r.Semitones[0].Key, r.Semitones[len(r.Semitones)-1].Key
	r.Lowest, r.Highest = first, last
	width := int(last) - int(first) + 1
	if width < leastSemitones {
		return refuse(fmt.Sprintf("the glide goes over %d semitones only, %s to %s", width, part.KeyName(first), part.KeyName(last)), slowly)
	}
	passed, up, down := 0, 0, 0
	for _, s := range r.Semitones {
		if s.Seconds >= reachedSeconds {
			passed++
		}
		if g.up[s.Key] {
			up++
		}
		if g.down[s.Key] {
			down++
		}
	}
	switch n := float64(width); {
	case g.gliding < leastGlide:
		return refuse("these are held notes, not a glide", slowly)
	case float64(passed) < leastPassed*n:
		return refuse(fmt.Sprintf("the voice leaps: it passed %d of the %d semitones from %s to %s", passed, width, part.KeyName(first), part.KeyName(last)), slowly)
	case float64(up) < leastWay*n || float64(down) < leastWay*n:
		return refuse("the voice does not glide both up and down", slowly)
	}
	return nil
}
