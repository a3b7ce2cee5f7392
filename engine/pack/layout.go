// Package pack is for a friend who sings elsewhere: what the one sound file
// that goes out looks like, the page of instructions, the parcel itself, and
// how the recording that comes back is laid on the timeline.
//
// Nobody has to know a latency: before and after the music chirps are played,
// the friend holds an earpiece to the microphone while they sound, and so the
// recording carries the clock by which the friend sang.
package pack

import (
	"math"

	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// Aim: a sound that a telephone carries, that no music holds, and that is found
// to a fraction of a millisecond.
// Method: linear sweeps of constant amplitude with soft edges (Müller and
// Massarani, «Transfer-function measurement with sweeps», 2001; from memory):
// much energy at a low peak, within 300 to 3400 Hz (the telephone band of ITU-T
// G.712, from memory). Three at uneven distances, so that an echo or a second
// try is not taken for the next one; upwards at the head and downwards at the
// tail, so that a recording that lacks one end shows which.
const (
	chirpSeconds = 0.5
	chirpLowHz   = 500.0
	chirpHighHz  = 3200.0
	chirpEdge    = 0.02 // seconds of raised-cosine edge
	quietSeconds = 1    // before the first and after the last chirp
)

// ChirpDB is the peak of a chirp in dBFS: it is meant for an earpiece held to a
// microphone, and must not hurt whoever still wears it.
const ChirpDB = -20

// HandSeconds is the time to move the headphones from the microphone to the
// head, and back.
const HandSeconds = 10

// chirpAtMs are the starts of a mark's chirps, in ms from the first.
var chirpAtMs = [...]int64{0, 900, 2000}

// End is which end of the sound a mark is at.
type End int

const (
	Head End = iota
	Tail
)

func (e End) String() string { return [...]string{"head", "tail"}[e] }

// Layout is where everything stands in the sound that goes out, in samples of
// the timeline.
type Layout struct {
	SampleRate int   `json:"sample_rate"`
	From       int64 `json:"from"` // the first that is sung to: the count-in's start
	To         int64 `json:"to"`   // the end of the music
}

// bounds of a layout, which may come from a file.
const maxSpan = 6 * 3600 * 96000

// Validate reports a layout that cannot be. Errors: Malformed.
func (l Layout) Validate() error {
	if l.SampleRate < 8000 || l.SampleRate > 192000 {
		return fault.New(fault.Malformed, "a sample rate of %d Hz is out of range", l.SampleRate)
	}
	if l.From < -maxSpan || l.To > maxSpan || l.To <= l.From {
		return fault.New(fault.Malformed, "sound from sample %d to %d is out of range", l.From, l.To)
	}
	return nil
}

func (l Layout) seconds(s float64) int64 { return int64(math.Round(s * float64(l.SampleRate))) }

// markSpan is the length of a mark, in samples.
func (l Layout) markSpan() int64 {
	return chirpAtMs[len(chirpAtMs)-1]*int64(l.SampleRate)/1000 + l.seconds(chirpSeconds)
}

// Chirps are the starts of the chirps at an end.
func (l Layout) Chirps(e End) [len(chirpAtMs)]int64 {
	at := l.From - l.seconds(HandSeconds) - l.markSpan()
	if e == Tail {
		at = l.To + l.seconds(HandSeconds)
	}
	var out [len(chirpAtMs)]int64
	for i, ms := range chirpAtMs {
		out[i] = at + ms*int64(l.SampleRate)/1000
	}
	return out
}

// Start is the sound's first sample, and Stop the first after it.
func (l Layout) Start() int64 { return l.Chirps(Head)[0] - l.seconds(quietSeconds) }
func (l Layout) Stop() int64  { return l.Chirps(Tail)[0] + l.markSpan() + l.seconds(quietSeconds) }

// chirp is one at a sample rate, with a peak of 1.
func chirp(e End, rate int) []float64 {
	x := make([]float64, int(math.Round(chirpSeconds*float64(rate))))
	edge := chirpEdge * float64(rate)
	for i := range x {
		t := float64(i) / float64(rate) // the same moment at every rate
		if e == Tail {
			t = chirpSeconds - t
		}
		near := math.Min(float64(i), float64(len(x)-1-i)) + 0.5
		gain := 1.0
		if near < edge {
			gain = 0.5 - 0.5*math.Cos(math.Pi*near/edge)
		}
		x[i] = gain * math.Sin(2*math.Pi*(chirpLowHz*t+(chirpHighHz-chirpLowHz)/(2*chirpSeconds)*t*t))
	}
	return x
}

// Marks are the chirps of a layout, made ready to be heard.
type Marks struct {
	layout Layout
	shapes [2][]float64
}

// NewMarks readies the chirps.
func NewMarks(l Layout) *Marks {
	m := &Marks{layout: l}
	for _, e := range []End{Head, Tail} {
		m.shapes[e] = chirp(e, l.SampleRate)
	}
	return m
}

// Add mixes the chirps into dst, mono, which begins at timeline sample at.
func (m *Marks) Add(dst []float32, at int64) {
	gain := dsp.DBToAmplitude(ChirpDB)
	for _, e := range []End{Head, Tail} {
		for _, start := range m.layout.Chirps(e) {
			for i := max(start, at); i < min(start+int64(len(m.shapes[e])), at+int64(len(dst))); i++ {
				dst[i-at] += float32(gain * m.shapes[e][i-start])
			}
		}
	}
}
