// Package sketch turns a hummed line into notes of a part: which keys, where
// on the map's grid, how sure.
//
// Aim: an untrained voice over a click, some 25 cents and 40 ms off from note
// to note, flat or sharp as a whole and drifting, becomes the line that it
// meant.
//
// Method: pitch.Track and pitch.Segment hear notes; what is a scoop or no note
// is taken out. A constant and a straight line are taken off their pitch
// (circular mean and robust line), the key is guessed from the pitch classes
// (Krumhansl 1990) and leans on the choice of each note's key. Starts and ends
// go onto the grid by dynamic programming over all notes at once, after what
// they share of lateness is taken off: distance costs, unlikely places cost
// (the Bayesian quantiser of Cemgil, Desain & Kappen 2000 in a simple form).
// Confidence is the chosen reading's posterior probability.
//
// Cost: BenchmarkRead states it; hearing takes more than quantising.
//
// Known failure: two notes of one pitch hummed without a consonant between
// them are one; a run faster than the finest place of the grid loses notes,
// which is told.
package sketch

import (
	"fmt"
	"math"

	"cuechoir/engine/part"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Input is a hummed line. Samples are mono, ±1.0 full scale; Start is where
// Samples[0] lies on the timeline.
type Input struct {
	Samples    []float32
	Start      int64
	SampleRate int
	Grid       *tempo.Grid
}

// Options of Read; the zero value reads sixteenths in a key that it guesses.
type Options struct {
	Finest   timecode.Ratio // finest place, as quarters: 1/8 to 1; 0: 1/4, a sixteenth
	Triplets bool           // thirds of a beat are places too
	Scale    *Scale         // nil: guessed, and then only leaned on
	Octaves  int            // the part lies so many octaves above what was hummed, -3 to 3
}

// Bounds of Options.
const maxOctaves = 3

// defaultFinest is a sixteenth.
var defaultFinest = timecode.R(1, 4)

func (o Options) filled() (Options, error) {
	if o.Finest.Sign() == 0 {
		o.Finest = defaultFinest
	}
	switch o.Finest {
	case timecode.R(1, 8), timecode.R(1, 4), timecode.R(1, 2), timecode.Int(1):
	default:
		return o, fault.New(fault.Usage, "a grid of %s quarters is not one to write on", o.Finest).Mended("use quarters, eighths, sixteenths or thirty-seconds")
	}
	if o.Octaves < -maxOctaves || o.Octaves > maxOctaves {
		return o, fault.New(fault.Usage, "%d octaves are too far", o.Octaves).Mended("use -%d to %d", maxOctaves, maxOctaves)
	}
	return o, nil
}

// Note is a note of the sketch and what was heard of it.
type Note struct {
	part.Note
	Bar          int
	Beat         string // place in the bar, as tempo.Grid.BarBeat writes it
	Onset        int64  // timeline samples, as hummed
	Offset       int64
	Cents        float64 // above the key, once tuning and drift are off
	Milliseconds float64 // after its place, once the lateness of the whole is off
	PitchSure    float64 // probability of the key, 0 to 1
	PlaceSure    float64 // probability of the place, 0 to 1
	Confidence   float64 // of the note as a whole, 0 to 1
	Doubt        string  // why it is unsure, for the person; "" when it is sure
}

// Left is a sound that became no note.
type Left struct {
	Onset, Offset int64 // timeline samples
	Why           string
}

// Sketch is a hummed line as a part.
type Sketch struct {
	Notes    []Note
	Left     []Left
	Scale    Scale   // given, or the guess
	Guessed  bool    // the scale is a guess ...
	ScaleFit float64 // ... whose profile agrees with the notes so well (correlation, -1 to 1)
	Rival    Scale   // ... and the next best
	RivalFit float64
	// What was taken off before the notes were read.
	TuneCents           float64 // at the first note, -50 to 50 and on as it drifts
	DriftCentsPerMinute float64
	LateMilliseconds    float64
	// MaybeSemitone is 1 or -1 when the tuning lies so near to half-way between two
	// keys that the whole line may be meant a semitone higher or lower.
	MaybeSemitone int
	// TripletsFit reports that thirds of a beat explain the line far better
	// than the places that were allowed.
	TripletsFit bool
}

// halfwayCents is the tuning from which on the other side is as likely: its
// error is a few cents, and singers without a reference start anywhere.
const halfwayCents = 42.0

// UnsureBelow is the confidence under which a note is told as unsure.
const UnsureBelow = 0.8

// Unsure counts the notes that a person should look at.
func (s Sketch) Unsure() int {
	n := 0
	for _, x := range s.Notes {
		if x.Doubt != "" {
			n++
		}
	}
	return n
}

// Part is the sketch as a part.
func (s Sketch) Part(name string) part.Part {
	p := part.Part{Name: name}
	for _, n := range s.Notes {
		p.Notes = append(p.Notes, n.Note)
	}
	return p
}

// Read hears a line and writes it down. Errors: Usage (options out of range),
// NotMet (nothing was heard that could be a note; none lies on the map), and as
// for pitch.Track.
func Read(in Input, o Options) (Sketch, error) {
	o, err := o.filled()
	if err != nil {
		return Sketch{}, err
	}
	heard, left, err := hear(in)
	if err != nil {
		return Sketch{}, err
	}
	if len(heard) == 0 {
		return Sketch{}, fault.New(fault.NotMet, "no hummed note was heard").
			Mended("hum nearer to the microphone, on da or na, and sing it again")
	}
	places := placesOf(in, o)
	heard, outside := onMap(heard, places, in)
	left = append(left, outside...)
	if len(heard) == 0 {
		return Sketch{}, fault.New(fault.NotMet, "all that was hummed lies outside the tempo map").
			Mended("say where the recording begins: --at POSITION")
	}
	s := Sketch{Left: left}
	tune := findTuning(heard, in.SampleRate)
	keys := s.readKeys(heard, tune, in.SampleRate, o)
	q := quantise(heard, places, in.SampleRate)
	if !o.Triplets {
		s.TripletsFit = tripletsFit(heard, in, o, q)
	}
	s.LateMilliseconds = 1000 * q.late
	s.TuneCents = tune.At(minutesOf(heard[0], in.SampleRate))
	s.DriftCentsPerMinute = tune.CentsPerMinute
	switch off := s.TuneCents - 100*math.Round(s.TuneCents/100); {
	case off > halfwayCents:
		s.MaybeSemitone = 1
	case off < -halfwayCents:
		s.MaybeSemitone = -1
	}
	for i, h := range heard {
		if q.placed[i].from < 0 {
			s.Left = append(s.Left, Left{h.onset, h.offset, "no place is free for it between its neighbours: a finer grid may have one"})
			continue
		}
		s.Notes = append(s.Notes, written(in, h, keys[i], q.placed[i], places))
	}
	return s, nil
}

// written is a heard note as it stands in the part.
func written(in Input, h heardNote, k keyChoice, p placed, places []place) Note {
	from, to := places[p.from].quarter, places[p.to].quarter
	n := Note{
		Note:  part.Note{Start: from, Length: to.Sub(from), Key: uint8(k.key)},
		Onset: h.onset, Offset: h.offset,
		Cents: k.off, Milliseconds: 1000 * p.late,
		PitchSure: k.sure, PlaceSure: p.sure,
	}
	n.Bar, n.Beat = in.Grid.BarBeat(from)
	n.Confidence = n.PitchSure * n.PlaceSure * math.Min(1, h.confidence/clearlyHeard)
	n.Doubt = doubt(n, k, p, h, in, places)
	return n
}

// doubt says in words what makes a note unsure.
func doubt(n Note, k keyChoice, p placed, h heardNote, in Input, places []place) string {
	if n.Confidence >= UnsureBelow {
		return ""
	}
	heard := math.Min(1, h.confidence/clearlyHeard)
	switch {
	case n.PitchSure <= n.PlaceSure && n.PitchSure <= heard:
		return fmt.Sprintf("it lies between %s and %s", part.KeyName(uint8(k.key)), part.KeyName(uint8(k.rival)))
	case n.PlaceSure <= heard && p.rival >= 0:
		bar, beat := in.Grid.BarBeat(places[p.rival].quarter)
		return fmt.Sprintf("it may begin on bar %d beat %s", bar, beat)
	case n.PlaceSure <= heard:
		return "its place is not sure"
	}
	return "it was heard faintly"
}

// minutesOf is the middle of a note, in minutes of the timeline.
func minutesOf(h heardNote, sampleRate int) float64 {
	return float64(h.onset+h.offset) / 2 / float64(sampleRate) / 60
}
