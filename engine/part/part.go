// Package part is what a voice has to sing: notes on the map of bars and
// beats, one line, with words. It reads and writes Standard MIDI Files.
package part

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Note is one note or one spoken, clapped or breathed beat.
type Note struct {
	Start     timecode.Ratio // quarters from bar 1 beat 1; may lie before it
	Length    timecode.Ratio // quarters, above 0
	Key       uint8          // MIDI note number, 69 is A4 (440 Hz); 0 when Unpitched
	Lyric     string         // syllable, or ""
	Unpitched bool
}

// End is Start + Length.
func (n Note) End() timecode.Ratio { return n.Start.Add(n.Length) }

// Part is one line: notes in order, never two at once. The zero value is an
// empty part.
type Part struct {
	Name  string
	Notes []Note
}

// Bounds of a part.
const (
	maxNotes    = 100_000
	maxQuarters = 1_000_000
	maxDen      = 1 << 15 // of a start or a length; sums of two then stay within a Ratio
	maxLyric    = 200     // bytes
	maxName     = 200
)

// Validate reports the first thing wrong with a note.
func (n Note) Validate() error {
	switch {
	case !inBounds(n.Start):
		return fault.New(fault.OverLimit, "the note's start %s is out of range", n.Start)
	case !inBounds(n.Length):
		return fault.New(fault.OverLimit, "the note's length %s is out of range", n.Length)
	case n.Length.Sign() <= 0:
		return fault.New(fault.Malformed, "the note's length %s is not above 0", n.Length).Mended("give it a length in quarters, such as 1/2")
	case n.Key > 127:
		return fault.New(fault.Malformed, "key %d is outside 0 to 127", n.Key)
	case n.Unpitched && n.Key != 0:
		return fault.New(fault.Malformed, "an unpitched note has the key %d", n.Key)
	}
	return checkText("the lyric", n.Lyric, maxLyric)
}

func inBounds(r timecode.Ratio) bool {
	return r.InRange() && r.Den <= maxDen && r.Cmp(timecode.Int(maxQuarters)) <= 0 && r.Cmp(timecode.Int(-maxQuarters)) >= 0
}

// checkText refuses what a line of text cannot hold.
func checkText(what, s string, limit int) error {
	if len(s) > limit {
		return fault.New(fault.OverLimit, "%s is longer than %d bytes", what, limit)
	}
	if !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) || r == '\u2028' || r == '\u2029' }) {
		return fault.New(fault.Malformed, "%s holds characters that cannot be shown", what)
	}
	if strings.TrimSpace(s) != s {
		return fault.New(fault.Malformed, "%s begins or ends with a space", what)
	}
	return nil
}

// Validate reports the first thing wrong with a part: a bad note, notes out of
// order or over each other, too many of them.
func (p Part) Validate() error {
	if err := checkText("the part's name", p.Name, maxName); err != nil {
		return err
	}
	if len(p.Notes) > maxNotes {
		return fault.New(fault.OverLimit, "%d notes are more than the %d that a part holds", len(p.Notes), maxNotes)
	}
	for i, n := range p.Notes {
		if err := n.Validate(); err != nil {
			return fault.New(fault.KindOf(err), "note %d", i+1).Because(err)
		}
		if i == 0 {
			continue
		}
		switch before := p.Notes[i-1]; {
		case n.Start.Cmp(before.Start) < 0:
			return fault.New(fault.Malformed, "note %d starts before note %d", i+1, i).Mended("put the notes in order")
		case n.Start.Cmp(before.End()) < 0:
			return fault.New(fault.Malformed, "note %d starts while note %d sounds", i+1, i).
				Mended("a part is one line: shorten note %d, or put one of them in another part", i)
		}
	}
	return nil
}

// At is the index of the note that sounds at a quarter, -1 in a rest.
func (p Part) At(quarter timecode.Ratio) int {
	lo, hi := 0, len(p.Notes)
	for lo < hi {
		if mid := (lo + hi) / 2; p.Notes[mid].Start.Cmp(quarter) <= 0 {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	if lo == 0 || p.Notes[lo-1].End().Cmp(quarter) <= 0 {
		return -1
	}
	return lo - 1
}

// Range is the lowest and the highest key; ok is false without pitched notes.
func (p Part) Range() (low, high uint8, ok bool) {
	for _, n := range p.Notes {
		if n.Unpitched {
			continue
		}
		if !ok {
			low, high, ok = n.Key, n.Key, true
		}
		low, high = min(low, n.Key), max(high, n.Key)
	}
	return low, high, ok
}

// String is "name: 12 notes".
func (p Part) String() string { return fmt.Sprintf("%s: %d notes", p.Name, len(p.Notes)) }
