package check

import (
	"math"
	"slices"

	"cuechoir/engine/pitch"
	"cuechoir/internal/dsp"
)

// A note so far under the layer's usual level, and short or unsure, is bleed
// or room.
const (
	bleedDB         = 25.0
	bleedConfidence = 0.4
)

func (l *layer) keepSung(notes []pitch.Note) []pitch.Note {
	levels := make([]float64, len(notes))
	for i, n := range notes {
		levels[i] = n.LevelDB
	}
	l.typical = dsp.Median(levels)
	notes = l.dropTails(notes)
	return slices.DeleteFunc(notes, func(n pitch.Note) bool {
		return n.LevelDB < l.typical-bleedDB || n.Confidence < bleedConfidence && n.LevelDB < l.typical-bleedDB/2
	})
}

// What a room adds to the end of a note: short, soft against it, without a gap,
// and on its pitch or an octave of it, or softer still.
const (
	tailSeconds = 0.22
	tailGap     = 0.06
	tailDB      = 9.0
	deepTailDB  = 16.0
	tailCents   = 80.0
)

func (l *layer) dropTails(notes []pitch.Note) []pitch.Note {
	var out []pitch.Note
	for _, n := range notes {
		if len(out) > 0 {
			m := out[len(out)-1]
			off := n.CentreCents - m.CentreCents
			off -= 1200 * math.Round(off/1200)
			under := m.LevelDB - n.LevelDB
			if n.Offset-n.Onset < l.samples(tailSeconds) && n.Onset-m.Offset < l.samples(tailGap) &&
				(under > deepTailDB || under > tailDB && math.Abs(off) < tailCents) {
				continue
			}
		}
		out = append(out, n)
	}
	return out
}

// Notes further apart than this are two.
const joinCents = 80.0

// joinOverHoles makes one note again of two that a hole parts.
func (l *layer) joinOverHoles(notes []pitch.Note) []pitch.Note {
	slack := l.samples(0.03)
	var out []pitch.Note
	for _, n := range notes {
		if len(out) > 0 && l.holeCovers(out[len(out)-1].Offset, n.Onset, slack) &&
			math.Abs(out[len(out)-1].CentreCents-n.CentreCents) < joinCents {
			out[len(out)-1] = joined(out[len(out)-1], n)
			continue
		}
		out = append(out, n)
	}
	return out
}

// joined is one note of two: each counts by its length and loudness, and when
// they differ in pitch the longer alone (the other is a tail or a slip).
func joined(a, b pitch.Note) pitch.Note {
	la, lb := float64(a.Offset-a.Onset), float64(b.Offset-b.Onset)
	if math.Abs(a.CentreCents-b.CentreCents) > joinCents {
		out := a
		if lb > la {
			out = b
		}
		out.Attack, out.Onset, out.Offset, out.Murmur = a.Attack, a.Onset, b.Offset, a.Murmur
		return out
	}
	w := la / (la + lb)
	out := a
	out.Offset = b.Offset
	out.CentreCents = w*a.CentreCents + (1-w)*b.CentreCents
	out.ErrorCents = max(w*a.ErrorCents, (1-w)*b.ErrorCents)
	out.Confidence = w*a.Confidence + (1-w)*b.Confidence
	out.LevelDB = w*a.LevelDB + (1-w)*b.LevelDB
	if lb > la {
		out.VibratoHz, out.VibratoCents = b.VibratoHz, b.VibratoCents
	}
	return out
}

// holeCovers: the gap from..to is mostly a hole.
func (l *layer) holeCovers(from, to, slack int64) bool {
	for _, h := range l.holes {
		if h.Sample >= from-slack && h.Sample+h.Length <= to+slack && to-from < h.Length+3*slack {
			return true
		}
	}
	return false
}
