package tempo

import (
	"sort"

	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// Sounding is a schedule of clicks made ready to be heard. It is read-only and
// safe for concurrent use.
type Sounding struct {
	events  []event // in order of at
	longest int64   // samples of the longest shape
}

// event is one click: its shape at a gain, from a sample on.
type event struct {
	at    int64
	shape []float32 // peaks at 1
	gain  float32
}

// paces are how quickly numbers are spoken: the slowest that fits its beat.
var paces = []float64{1, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4}

// NewSounding readies clicks, which are in order, for a sample rate of 8000 to
// 192000 Hz. Errors: Usage for options out of range, for a spoken number over
// twelve, and for beats too short to be spoken.
func NewSounding(clicks []Click, sampleRate int, o ClickOptions) (*Sounding, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if err := checkSampleRate(sampleRate); err != nil {
		return nil, err
	}
	s := &Sounding{}
	k := kit{sampleRate: sampleRate, plain: map[plainKey][]float32{}, said: map[saidKey]singer.Spoken{}}
	var beats []Click
	for _, c := range clicks {
		if c.Part == 0 {
			beats = append(beats, c)
		}
		if o.of(c) != SoundSpoken {
			s.add(event{c.Sample, k.click(o.of(c), c.Accent), float32(amplitude(o.levelOf(c)))})
		}
	}
	// From the last to the first: a number is over before the next one begins.
	lead := int64(0)
	for i := len(beats) - 1; i >= 0; i-- {
		c := beats[i]
		if o.of(c) != SoundSpoken {
			lead = 0
			continue
		}
		said, err := k.number(c, roomAround(beats, i, sampleRate), lead)
		if err != nil {
			return nil, err
		}
		lead = int64(said.Stress)
		s.add(event{c.Sample - lead, said.Samples, float32(amplitude(o.levelOf(c)))})
	}
	sort.SliceStable(s.events, func(i, j int) bool { return s.events[i].at < s.events[j].at })
	return s, nil
}

func (s *Sounding) add(e event) {
	s.events = append(s.events, e)
	s.longest = max(s.longest, int64(len(e.shape)))
}

// Start is the first sample that is heard; 0 when there is none. A click of
// sound starts on its own sample, a number before it: see RenderClick.
func (s *Sounding) Start() int64 {
	if len(s.events) == 0 {
		return 0
	}
	return s.events[0].at
}

// Add mixes what is heard from timeline sample from on into dst, mono, ±1.0
// full scale, and holds the sum within it.
func (s *Sounding) Add(dst []float32, from int64) {
	to := from + int64(len(dst))
	i := sort.Search(len(s.events), func(i int) bool { return s.events[i].at > from-s.longest })
	for ; i < len(s.events) && s.events[i].at < to; i++ {
		e := s.events[i]
		at := e.at - from
		for k := max(0, -at); k < int64(len(e.shape)) && at+k < int64(len(dst)); k++ {
			dst[at+k] = max(-1, min(1, dst[at+k]+e.gain*e.shape[k]))
		}
	}
}

// RenderClick is the samples from (included) to to (left out) of the timeline,
// mono, ±1.0 full scale. The first sample of each click that is not 0 is the
// click's own; of a spoken number, the first sample of its stressed onset: the
// vowel, or the burst of a first plosive (other consonants lead). Clicks need
// to be in order. Rendering a span in parts gives the same samples. A span that
// is empty, over an hour, or options out of range give nil and an error.
func RenderClick(clicks []Click, from, to int64, sampleRate int, o ClickOptions) ([]float32, error) {
	s, err := NewSounding(clicks, sampleRate, o)
	if err != nil {
		return nil, err
	}
	if err := checkSpan(from, to, sampleRate); err != nil {
		return nil, err
	}
	out := make([]float32, to-from)
	s.Add(out, from)
	return out, nil
}

// kit keeps the shapes that are made.
type kit struct {
	sampleRate int
	plain      map[plainKey][]float32
	said       map[saidKey]singer.Spoken
}

type plainKey struct {
	sound  Sound
	accent bool
}

type saidKey struct {
	word string
	pace float64
}

func (k *kit) click(s Sound, accent bool) []float32 {
	key := plainKey{s, accent}
	if _, ok := k.plain[key]; !ok {
		v := voices[s]
		hz := v.beatHz
		if accent {
			hz = v.accentHz
		}
		k.plain[key] = v.render(hz, k.sampleRate)
	}
	return k.plain[key]
}

// roomAround is the shorter way from a beat to its neighbours, in samples.
func roomAround(beats []Click, i, sampleRate int) int64 {
	room := int64(sampleRate)
	if i > 0 {
		room = min(room, beats[i].Sample-beats[i-1].Sample)
	}
	if i+1 < len(beats) {
		room = min(room, beats[i+1].Sample-beats[i].Sample)
	}
	return room
}

// number says a click's beat at the easiest pace at which it is over before
// the next beat, or the lead of the number there.
func (k *kit) number(c Click, room, lead int64) (singer.Spoken, error) {
	word, ok := singer.NumberWord(c.Beat)
	if !ok {
		return singer.Spoken{}, fault.New(fault.Usage, "bar %d counts to %d or more, and numbers are spoken up to twelve", c.Bar, c.Beat).
			Mended("use another click sound")
	}
	for _, pace := range paces {
		said, err := k.say(word, pace)
		if err != nil || int64(len(said.Samples)-said.Stress)+lead <= room {
			return said, err
		}
	}
	return singer.Spoken{}, fault.New(fault.Usage, "bar %d beat %d lasts %d ms, which is too short to be spoken", c.Bar, c.Beat, 1000*room/int64(k.sampleRate)).
		Mended("use another click sound")
}

func (k *kit) say(word string, pace float64) (singer.Spoken, error) {
	key := saidKey{word, pace}
	if s, ok := k.said[key]; ok {
		return s, nil
	}
	s, err := singer.Say(word, k.sampleRate, pace)
	if err != nil {
		return s, fault.New(fault.Unexpected, "speaking %q", word).Because(err)
	}
	k.said[key] = s
	return s, nil
}
