package tempo

import (
	"math"

	"cuechoir/internal/fault"
)

// Sound is how a click sounds. Closed headphones leak highs most, and what
// leaks is in the take: beside each sound stands what its beats and accents
// hold above 2 kHz, against the tone's, and how long an accent lasts until it
// is 60 dB down (TestBleed).
type Sound string

const (
	SoundTone   Sound = "tone"   // short and high: easy to follow; 0 dB, 29 ms
	SoundShort  Sound = "short"  // a tick: 21 dB less, 12 ms, and the least sound in all
	SoundSoft   Sound = "soft"   // low and rounded: 37 dB less, 44 ms
	SoundLow    Sound = "low"    // a dull knock: 49 dB less, 59 ms
	SoundSpoken Sound = "spoken" // the number of the beat, one to twelve
)

// ClickOptions shape the click's sound. The zero value is a tone at -18 dBFS.
type ClickOptions struct {
	LevelDB float64 // peak of an accent in dBFS, -60 to 0; 0 itself is read as -18 (write a hair below for full scale)
	Sound   Sound   // "" is tone
	CountIn Sound   // of the count-in; "" is Sound
}

// Levels of clicks.
const (
	defaultClickDB = -18
	beatBelowDB    = 4  // beats lie this far under the accent
	partBelowDB    = 10 // and the parts of a beat so far
)

// voice is a decaying sine: the shape of one click.
type voice struct {
	accentHz, beatHz float64
	attackS, decayS  float64 // decay to 1/e
	lengthS          float64
}

// voices are the sounds but for the spoken one.
var voices = map[Sound]voice{
	SoundTone:  {1760, 1320, 0.0005, 0.006, 0.030},
	SoundShort: {1100, 825, 0.0015, 0.0025, 0.012},
	SoundSoft:  {660, 495, 0.003, 0.010, 0.045},
	SoundLow:   {330, 247, 0.006, 0.014, 0.060},
}

func (s Sound) orTone() Sound {
	if s == "" {
		return SoundTone
	}
	return s
}

// check reports a sound that is not known.
func (s Sound) check() error {
	if _, ok := voices[s.orTone()]; ok || s == SoundSpoken {
		return nil
	}
	return fault.New(fault.Usage, "%q is not a click sound", clip(string(s))).Mended("choose tone, short, soft, low or spoken")
}

// Validate reports a level or a sound out of range.
func (o ClickOptions) Validate() error {
	if err := checkLevel(o.LevelDB); err != nil {
		return err
	}
	if err := o.Sound.check(); err != nil {
		return err
	}
	return o.CountIn.check()
}

func checkLevel(db float64) error {
	if math.IsNaN(db) || db > 0 || db < -60 {
		return fault.New(fault.Usage, "a click level of %.1f dB is out of range", db).Mended("use -60 to 0")
	}
	return nil
}

// of is the sound of a click: a spoken count is quiet between the beats.
func (o ClickOptions) of(c Click) Sound {
	s := o.Sound
	if c.CountIn && o.CountIn != "" {
		s = o.CountIn
	}
	if s == SoundSpoken && c.Part > 0 {
		return SoundSoft
	}
	return s.orTone()
}

// levelOf is the peak of a click in dBFS.
func (o ClickOptions) levelOf(c Click) float64 {
	level := o.LevelDB
	if level == 0 {
		level = defaultClickDB
	}
	switch {
	case c.Part > 0:
		return level - partBelowDB
	case !c.Accent:
		return level - beatBelowDB
	}
	return level
}

// render is a click that peaks at 1.
func (v voice) render(hz float64, sampleRate int) []float32 {
	sr := float64(sampleRate)
	out := make([]float32, int(math.Round(v.lengthS*sr)))
	top := 0.0
	shape := make([]float64, len(out))
	for i := range out {
		t := (float64(i) + 0.5) / sr // half a sample in: the first sample is not 0
		rise := math.Min(1, t/v.attackS)
		tail := math.Min(1, (v.lengthS-t)/(v.lengthS/4)) // to nothing, without a step
		shape[i] = math.Sin(2*math.Pi*hz*t) * math.Exp(-t/v.decayS) * rise * tail
		top = math.Max(top, math.Abs(shape[i]))
	}
	for i := range out {
		out[i] = float32(shape[i] / top)
	}
	return out
}
