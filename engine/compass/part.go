package compass

import (
	"fmt"

	"cuechoir/engine/part"
)

// Leave is where a part leaves a range: notes in a row on one side of it, at
// most a bar's.
type Leave struct {
	First, Last int // notes of the part, by index
	Bar         int
	Key         uint8 // the farthest of them
	Semitones   int   // that it is above the range; below: negative
	Octaves     int   // by which to sing them, so that all lie within: -1 an octave down; 0: no octave does
}

// Check lists where a part leaves a range, in order. bar tells the bar of a
// note by its index. Unpitched notes never do.
func Check(notes []part.Note, r Range, bar func(i int) int) []Leave {
	var out []Leave
	open := false
	for i, n := range notes {
		d := r.beyond(n)
		if d == 0 {
			open = open && n.Unpitched
			continue
		}
		b := bar(i)
		if last := len(out) - 1; open && out[last].Bar == b && (out[last].Semitones > 0) == (d > 0) {
			out[last].Last = i
			if abs(d) > abs(out[last].Semitones) {
				out[last].Key, out[last].Semitones = n.Key, d
			}
			continue
		}
		out, open = append(out, Leave{First: i, Last: i, Bar: b, Key: n.Key, Semitones: d}), true
	}
	for i := range out {
		out[i].Octaves = r.octavesFor(notes[out[i].First : out[i].Last+1])
	}
	return out
}

// beyond is how many semitones a note lies above the range; below: negative.
func (r Range) beyond(n part.Note) int {
	switch {
	case n.Unpitched:
		return 0
	case n.Key > r.High:
		return int(n.Key) - int(r.High)
	case n.Key < r.Low:
		return int(n.Key) - int(r.Low)
	}
	return 0
}

// octavesFor is the smallest move by octaves that brings all of the notes into
// the range; 0 when none does.
func (r Range) octavesFor(notes []part.Note) int {
	const most = 4
	for k := 1; k <= most; k++ {
		for _, by := range []int{-k, k} {
			if r.Holds(notes, by) {
				return by
			}
		}
	}
	return 0
}

// Holds says whether all pitched notes lie within the range, moved by octaves.
func (r Range) Holds(notes []part.Note, octaves int) bool {
	for _, n := range notes {
		if k := int(n.Key) + 12*octaves; !n.Unpitched && (k < int(r.Low) || k > int(r.High)) {
			return false
		}
	}
	return true
}

// WholeOctaves is the move by octaves under which a whole part lies within the
// range; ok is false when none is, and 0 when it does as it stands.
func (r Range) WholeOctaves(notes []part.Note) (octaves int, ok bool) {
	if r.Holds(notes, 0) {
		return 0, true
	}
	by := r.octavesFor(notes)
	return by, by != 0
}

// Words say what to do about it: "bar 12: A5 is 3 semitones above your range;
// sing it an octave down and let it be raised".
func (l Leave) Words() string {
	it, is := "it", fmt.Sprintf("%s is", part.KeyName(l.Key))
	if n := l.Last - l.First; n > 0 {
		it, is = "them", fmt.Sprintf("%s and %s beside it are, by up to", part.KeyName(l.Key), counted(n, "note"))
	}
	side := "above"
	if l.Semitones < 0 {
		side = "below"
	}
	what := fmt.Sprintf("bar %d: %s %s %s your range", l.Bar, is, counted(abs(l.Semitones), "semitone"), side)
	if l.Last > l.First {
		what = fmt.Sprintf("bar %d: %s %s, %s your range", l.Bar, is, counted(abs(l.Semitones), "semitone"), side)
	}
	return what + "; " + OctaveWords(it, l.Octaves)
}

// OctaveWords say to sing it by so many octaves elsewhere; 0 is no octave.
func OctaveWords(it string, octaves int) string {
	by := "an octave"
	if abs(octaves) > 1 {
		by = fmt.Sprintf("%d octaves", abs(octaves))
	}
	switch {
	case octaves < 0:
		return fmt.Sprintf("sing %s %s down and let %s be raised", it, by, it)
	case octaves > 0:
		return fmt.Sprintf("sing %s %s up and let %s be lowered", it, by, it)
	}
	return "no octave of " + it + " fits: leave " + it + " to another voice"
}

func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

func abs(n int) int { return max(n, -n) }
