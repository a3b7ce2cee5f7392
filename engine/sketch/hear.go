package sketch

import (
	"math"
	"slices"

	"cuechoir/engine/pitch"
	"cuechoir/internal/dsp"
)

// heardNote is a note as it was hummed. Positions are timeline samples: onset
// is where the voice begins, early where a softer voiced lead (an m, an n)
// does, attack where a consonant does; either may be onset.
type heardNote struct {
	attack, early, onset, offset int64
	cents, errCents              float64
	confidence                   float64
}

// What counts as a note.
const (
	clearlyHeard = 0.6  // confidence from which on a note is fully believed
	leastHeard   = 0.25 // and under which it is none
	faintDB      = 26.0 // under the line's median level: something else than the hummer
	leastSeconds = 0.05
	slideSeconds = 0.13 // a legato step no longer than this on the way to its neighbour is a scoop
	slideCents   = 420.0
	turnCents    = 80.0 // nearer than this two legato notes may be one that wavered
	turnSeconds  = 0.12
	holeSeconds  = 0.02 // between notes that belong together
)

// hear is the notes of a hummed line, and what was left out.
func hear(in Input) ([]heardNote, []Left, error) {
	frames, err := pitch.Track(in.Samples, in.SampleRate, pitch.Options{})
	if err != nil {
		return nil, nil, err
	}
	raw := pitch.Segment(in.Samples, frames, in.SampleRate, pitch.SegmentOptions{})
	raw = joinSlides(raw, in.SampleRate)
	levels := make([]float64, len(raw))
	for i, n := range raw {
		levels[i] = n.LevelDB
	}
	floor := math.Inf(-1)
	if len(levels) > 0 {
		floor = dsp.Median(slices.Clone(levels)) - faintDB
	}
	var notes []heardNote
	var left []Left
	for _, n := range raw {
		why := ""
		switch {
		case n.Confidence < leastHeard:
			why = "its pitch was not clear"
		case n.LevelDB < floor:
			why = "it is far softer than the rest"
		case float64(n.Offset-n.Onset) < leastSeconds*float64(in.SampleRate):
			why = "it is too short"
		}
		if why != "" {
			left = append(left, Left{in.Start + n.Onset, in.Start + n.Offset, why})
			continue
		}
		notes = append(notes, heardNote{in.Start + n.Attack, in.Start + n.Murmur, in.Start + n.Onset, in.Start + n.Offset, n.CentreCents, n.ErrorCents, n.Confidence})
	}
	return notes, left, nil
}

// joinSlides gives short legato steps to the note they lead into (a scoop) or
// hang on to (a fall).
func joinSlides(notes []pitch.Note, sampleRate int) []pitch.Note {
	sec := func(n int64) float64 { return float64(n) / float64(sampleRate) }
	var out []pitch.Note
	for i := 0; i < len(notes); i++ {
		n := notes[i]
		length := sec(n.Offset - n.Onset)
		if length < slideSeconds && i+1 < len(notes) {
			next := notes[i+1]
			near := math.Abs(next.CentreCents-n.CentreCents) <= slideCents
			if next.Legato && near && sec(next.Offset-next.Onset) > length && between(n, next, out) {
				notes[i+1].Onset, notes[i+1].Murmur, notes[i+1].Attack = n.Onset, n.Murmur, n.Attack
				notes[i+1].Legato = n.Legato
				continue
			}
		}
		if n.Legato && len(out) > 0 {
			last := &out[len(out)-1]
			same := math.Abs(last.CentreCents-n.CentreCents) < turnCents && min(length, sec(last.Offset-last.Onset)) < turnSeconds
			if same && sec(n.Onset-last.Offset) < holeSeconds {
				if length > sec(last.Offset-last.Onset) {
					last.CentreCents, last.ErrorCents, last.Confidence, last.LevelDB = n.CentreCents, n.ErrorCents, n.Confidence, n.LevelDB
				}
				last.Offset = n.Offset
				continue
			}
		}
		out = append(out, n)
	}
	return out
}

// between reports whether a short step lies on the way into the next note: not
// legato itself, from below or above; legato, between its neighbours.
func between(n, next pitch.Note, before []pitch.Note) bool {
	if !n.Legato || len(before) == 0 {
		return n.CentreCents < next.CentreCents+turnCents
	}
	last := before[len(before)-1].CentreCents
	lo, hi := min(last, next.CentreCents), max(last, next.CentreCents)
	return n.CentreCents > lo && n.CentreCents < hi
}
