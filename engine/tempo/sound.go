package tempo

import (
	"math"
	"sort"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Sound is how the click sounds.
type Sound string

const (
	SoundTone Sound = "tone" // short and high: easy to follow
	SoundSoft Sound = "soft" // low and rounded: leaks less from open headphones
)

// ClickOptions shape the click's sound. The zero value is a tone at -18 dBFS.
type ClickOptions struct {
	LevelDB float64 // peak of an accent in dBFS, -60 to 0; 0 itself is read as -18 (write a hair below for full scale)
	Sound   Sound   // "" is tone
}

// Level of clicks and pop.
const (
	defaultClickDB  = -18
	beatBelowDB     = 4   // beats lie this far under the accent
	defaultTwoPopDB = -20 // common practice
)

// voice is a decaying sine: the shape of one click.
type voice struct {
	accentHz, beatHz float64
	attackS, decayS  float64 // decay to 1/e
	lengthS          float64
}

func (s Sound) voice() (voice, error) {
	switch s {
	case "", SoundTone:
		return voice{1760, 1320, 0.0005, 0.006, 0.030}, nil
	case SoundSoft:
		return voice{660, 495, 0.003, 0.010, 0.045}, nil
	}
	return voice{}, fault.New(fault.Usage, "%q is not a click sound", clip(string(s))).Mended("choose tone or soft")
}

// Validate reports a level or a sound out of range.
func (o ClickOptions) Validate() error {
	if math.IsNaN(o.LevelDB) || o.LevelDB > 0 || o.LevelDB < -60 {
		return fault.New(fault.Usage, "a click level of %.1f dB is out of range", o.LevelDB).Mended("use -60 to 0")
	}
	_, err := o.Sound.voice()
	return err
}

// RenderClick is the samples from (included) to to (left out) of the timeline,
// mono, ±1.0 full scale. The first sample of each click that is not 0 is the
// click's own; clicks need to be in order. Rendering a span in parts gives the
// same samples. A span that is empty, over an hour, or options out of range
// give nil and an error.
func RenderClick(clicks []Click, from, to int64, sampleRate int, o ClickOptions) ([]float32, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if err := checkSpan(from, to, sampleRate); err != nil {
		return nil, err
	}
	v, _ := o.Sound.voice()
	level := o.LevelDB
	if level == 0 {
		level = defaultClickDB
	}
	accent := v.render(v.accentHz, amplitude(level), sampleRate)
	beat := v.render(v.beatHz, amplitude(level-beatBelowDB), sampleRate)
	out := make([]float32, to-from)
	i := sort.Search(len(clicks), func(i int) bool { return clicks[i].Sample > from-int64(len(accent)) })
	for ; i < len(clicks) && clicks[i].Sample < to; i++ {
		shape := beat
		if clicks[i].Accent {
			shape = accent
		}
		addAt(out, shape, clicks[i].Sample-from)
	}
	return out, nil
}

func (v voice) render(hz, peak float64, sampleRate int) []float32 {
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
		out[i] = float32(shape[i] / top * peak)
	}
	return out
}

// TwoPopHz is the pop's pitch: common practice.
const twoPopHz = 1000

// TwoPop is where the pop lies: one frame long, two seconds of time code (48
// frames at 24 and at 24000/1001) before frame 0. Common practice.
func TwoPop(rate timecode.Rate, sampleRate int) (from, to int64) {
	k := -2 * rate.Nominal()
	return rate.SampleOf(k, sampleRate), rate.SampleOf(k+1, sampleRate)
}

// RenderTwoPop is the samples from..to of a timeline that holds the pop alone,
// at levelDB dBFS (0 is read as -20).
func RenderTwoPop(from, to int64, rate timecode.Rate, sampleRate int, levelDB float64) ([]float32, error) {
	if err := checkSpan(from, to, sampleRate); err != nil {
		return nil, err
	}
	if err := (ClickOptions{LevelDB: levelDB}).Validate(); err != nil {
		return nil, err
	}
	if levelDB == 0 {
		levelDB = defaultTwoPopDB
	}
	a, b := TwoPop(rate, sampleRate)
	pop := make([]float32, b-a)
	for i := range pop {
		pop[i] = float32(amplitude(levelDB) * math.Sin(2*math.Pi*twoPopHz*float64(i)/float64(sampleRate)))
	}
	out := make([]float32, to-from)
	addAt(out, pop, a-from)
	return out, nil
}

// checkSpan bounds a rendering to an hour.
func checkSpan(from, to int64, sampleRate int) error {
	if sampleRate < 8000 || sampleRate > 192000 {
		return fault.New(fault.Usage, "a sample rate of %d Hz is out of range", sampleRate)
	}
	if to < from || to-from > 3600*int64(sampleRate) || to-from < 0 {
		return fault.New(fault.Usage, "samples %d to %d are not a span to render", from, to).Mended("render up to an hour at a time")
	}
	return nil
}

// addAt adds shape into out from index at, which may lie outside.
func addAt(out, shape []float32, at int64) {
	for i := max(0, -at); i < int64(len(shape)) && at+i < int64(len(out)); i++ {
		out[at+i] += shape[i]
	}
}

func amplitude(db float64) float64 { return math.Pow(10, db/20) }
