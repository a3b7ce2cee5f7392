package rehearse

import (
	"math"
	"sort"

	"cuechoir/engine/voice"
	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// beep is the shape of a mark: a tone with ramps.
type beep struct {
	hz, seconds float64
}

// A start is told from a count by its pitch, a fifth second by its length.
var beeps = map[Kind]beep{Count: {880, 0.100}, Start: {1320, 0.250}, Second: {880, 0.080}, Fifth: {880, 0.400}}

// rampSeconds rounds off both ends of beeps and of the reference's sound.
const rampSeconds = 0.005

// Sound is a rehearsal made ready to be heard. It is read-only.
type Sound struct {
	plan      *Plan
	reference []float32 // the span at the plan's speed, faded and at its level; nil for none
	events    []event   // in order of at
	longest   int64
	Lowered   float64 // dB that the reference was lowered beyond the wish, so that nothing passes full scale; 0 or below
}

type event struct {
	at    int64
	shape []float32
}

// NewSound readies a plan's sound. span is the reference's sound of the span,
// mono, ±1.0 full scale, Plan.SpanSamples long, at its own speed; nil is
// silence. It plays at levelDB, -60 to 0, against how it is. Errors: Usage.
func NewSound(p *Plan, span []float32, levelDB float64) (*Sound, error) {
	s := &Sound{plan: p}
	if err := s.addEvents(); err != nil {
		return nil, err
	}
	if span == nil {
		return s, nil
	}
	if int64(len(span)) != p.SpanSamples() {
		return nil, fault.New(fault.Usage, "the span has %d samples, and %d were given", p.SpanSamples(), len(span))
	}
	if !(levelDB >= -60 && levelDB <= 0) {
		return nil, fault.New(fault.Usage, "a level of %+.1f dB for the reference is out of range", levelDB).Mended("use -60 to 0, or --silent")
	}
	var err error
	if s.reference, err = voice.Stretch(span, p.SampleRate, p.Speed); err != nil {
		return nil, err
	}
	s.level(dsp.DBToAmplitude(levelDB))
	return s, nil
}

// level fades the reference's ends and sets its gain: the wish, or less where
// its peak and the beeps' could pass full scale together.
func (s *Sound) level(gain float64) {
	peak := float64(dsp.Peak(s.reference))
	room := 1 - dsp.DBToAmplitude(s.plan.LevelDB)
	if peak*gain > room {
		s.Lowered = dsp.AmplitudeToDB(math.Max(room, 1e-3) / (peak * gain))
		gain *= dsp.DBToAmplitude(s.Lowered)
	}
	n := len(s.reference)
	ramp := rampSeconds * float64(s.plan.SampleRate)
	for i := range s.reference {
		edge := float64(min(i, n-1-i)) + 0.5
		s.reference[i] *= float32(gain * rampAt(edge/ramp))
	}
}

// rampAt is a raised cosine from 0 to 1.
func rampAt(x float64) float64 {
	if x >= 1 {
		return 1
	}
	return 0.5 - 0.5*math.Cos(math.Pi*x)
}

// render is a beep. Its wave begins at a crest under the ramp, so that the
// first sample is not 0 even in 24 bits.
func (b beep) render(peak float64, sampleRate int) []float32 {
	sr := float64(sampleRate)
	out := make([]float32, int(math.Round(b.seconds*sr)))
	for i := range out {
		edge := (float64(min(i, len(out)-1-i)) + 0.5) / (rampSeconds * sr)
		out[i] = float32(peak * rampAt(edge) * math.Cos(2*math.Pi*b.hz*float64(i)/sr))
	}
	return out
}

func (s *Sound) addEvents() error {
	peak := dsp.DBToAmplitude(s.plan.LevelDB)
	shapes := map[Kind][]float32{}
	for kind, b := range beeps {
		shapes[kind] = b.render(peak, s.plan.SampleRate)
	}
	words := map[string]singer.Spoken{}
	for _, m := range s.plan.Marks {
		if !s.plan.Spoken || m.Kind != Count && m.Kind != Start {
			s.add(event{m.Sample, shapes[m.Kind]})
			continue
		}
		word := "go"
		if m.Kind == Count {
			word, _ = singer.NumberWord(m.Number)
		}
		said, ok := words[word]
		if !ok {
			var err error
			if said, err = s.say(word, peak); err != nil {
				return err
			}
			words[word] = said
		}
		s.add(event{m.Sample - int64(said.Stress), said.Samples})
	}
	sort.SliceStable(s.events, func(i, j int) bool { return s.events[i].at < s.events[j].at })
	return nil
}

// say speaks so that a word is over before the next, at double speed too.
func (s *Sound) say(word string, peak float64) (singer.Spoken, error) {
	said, err := singer.Say(word, s.plan.SampleRate, min(1, 1.3/s.plan.Speed.Float()))
	if err != nil {
		return said, fault.New(fault.Unexpected, "speaking %q", word).Because(err)
	}
	for i := range said.Samples {
		said.Samples[i] *= float32(peak)
	}
	return said, nil
}

func (s *Sound) add(e event) {
	s.events = append(s.events, e)
	s.longest = max(s.longest, int64(len(e.shape)))
}

// Fill writes what is heard from a sample of the file on to dst, mono: the
// same however the file is cut into parts. No sum passes full scale.
func (s *Sound) Fill(dst []float32, from int64) {
	clear(dst)
	to := from + int64(len(dst))
	for _, p := range s.plan.Passes {
		if s.reference != nil && p.Start < to && p.End > from {
			addAt(dst, s.reference, p.Start-from)
		}
	}
	i := sort.Search(len(s.events), func(i int) bool { return s.events[i].at > from-s.longest })
	for ; i < len(s.events) && s.events[i].at < to; i++ {
		addAt(dst, s.events[i].shape, s.events[i].at-from)
	}
	for i, v := range dst {
		dst[i] = max(-1, min(1, v))
	}
}

// addAt adds shape into dst from index at, which may lie outside.
func addAt(dst, shape []float32, at int64) {
	for i := max(0, -at); i < int64(len(shape)) && at+i < int64(len(dst)); i++ {
		dst[at+i] += shape[i]
	}
}
