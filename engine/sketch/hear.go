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
)

// hear is the notes of a hummed line, and what was left out.
func hear(in Input) ([]heardNote, []Left, error) {
	frames, err := pitch.Track(in.Samples, in.SampleRate, pitch.Options{})
	if err != nil {
		return nil, nil, err
	}
	raw := pitch.Segment(in.Samples, frames, in.SampleRate, pitch.SegmentOptions{})
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
