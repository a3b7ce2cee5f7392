package voice

import (
	"math"
	"slices"
	"sort"
)

// Aim: notes that begin on time, with their consonants as sharp as they were.
// Method: from before the consonant until the vowel stands, a note moves as a
// whole; the vowels and rests between take up the difference, at no less than
// half and no more than twice their pace. What that cannot reach is reached as
// far as it goes.

// Entry is a note that should begin elsewhere. Places are samples of the
// sound.
type Entry struct {
	Onset, Offset int64 // of the pitched sound
	By            int64 // later; negative: earlier
}

// Retiming.
const (
	leadReach  = 0.18  // seconds: a consonant is no longer than this
	leadBlock  = 0.005 // is looked for in steps of this
	leadSoft   = 0.02  // and is over where the level is this of the note's
	leadGap    = 0.03  // between a consonant and its vowel, at most
	leadGuard  = 0.005 // before what begins
	attackHold = 0.06  // of the vowel moves with the consonant ...
	attackPart = 0.4   // ... but no more than this of the note
	bearable   = 2     // times as slow or as fast
)

// zone moves as a whole.
type zone struct{ from, to, by int64 }

// Retimed is what Edits.Moves is to be so that notes begin elsewhere, and how
// many could not go all the way. Notes that stand well hold their place: give
// them too, By 0.
func (s *Sung) Retimed(entries []Entry) (moves []Move, short int) {
	zones := s.zones(entries)
	end := int64(len(s.x))
	wished := make([]int64, len(zones))
	for i, z := range zones {
		wished[i] = z.by
	}
	before := zone{}
	for i := range zones { // what can be reached from the left, then from the right
		z := &zones[i]
		z.by = within(z.by, before.by, z.from-before.to)
		before = *z
	}
	after := zone{from: end, to: end}
	for i := len(zones) - 1; i >= 0; i-- {
		z := &zones[i]
		z.by = -within(-z.by, -after.by, after.from-z.to)
		after = *z
	}
	for i, z := range zones {
		if z.by != wished[i] {
			short++
		}
		moves = append(moves, Move{z.from, z.from + z.by}, Move{z.to, z.to + z.by})
	}
	return moves, short
}

// within is the move nearest to by that a gap after a zone moved by last can
// bear.
func within(by, last, gap int64) int64 {
	return min(max(by, last-gap/bearable), last+gap*(bearable-1))
}

// begins is where the sound of a note begins, its consonant with it: the first
// that is not far below the note's level, going back from its onset.
func (s *Sung) begins(onset int64) int64 {
	block := max(1, int64(leadBlock*float64(s.rate)))
	level := func(from int64) float64 {
		sum := 0.0
		for i := max(0, from); i < min(from+block, int64(len(s.x))); i++ {
			sum += float64(s.x[i]) * float64(s.x[i])
		}
		return math.Sqrt(sum / float64(block))
	}
	note := 0.0
	for k := range int64(attackHold / leadBlock) {
		note = max(note, level(onset+k*block))
	}
	first := onset
	for at := onset - block; at >= 0 && onset-at <= int64(leadReach*float64(s.rate)) && first-at <= int64(leadGap*float64(s.rate)); at -= block {
		if level(at) > leadSoft*note {
			first = at
		}
	}
	return first
}

// zones are the entries' stretches, in order and apart.
func (s *Sung) zones(entries []Entry) []zone {
	entries = slices.Clone(entries)
	sort.SliceStable(entries, func(i, j int) bool { return entries[i].Onset < entries[j].Onset })
	samples := func(seconds float64) int64 { return int64(seconds * float64(s.rate)) }
	var out []zone
	free := int64(1) // the first sample that is no zone's
	sounded := int64(0)
	for i, e := range entries {
		from := max(s.begins(e.Onset)-samples(leadGuard), min(sounded, e.Onset-samples(leadGuard)), free)
		to := e.Onset + min(samples(attackHold), int64(attackPart*float64(e.Offset-e.Onset)))
		if i+1 < len(entries) {
			to = min(to, entries[i+1].Onset-samples(leadGuard)-1)
		}
		to = min(to, int64(len(s.x))-1)
		if from >= to || e.Onset < from {
			continue // two at once: the first leads
		}
		out = append(out, zone{from, to, e.By})
		free, sounded = to+1, e.Offset
	}
	return out
}
