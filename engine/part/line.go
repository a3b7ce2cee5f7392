package part

import (
	"fmt"
	"slices"
	"strings"

	"cuechoir/internal/fault"
)

// legato is the overlap, as a part of a quarter, up to which a note runs into
// the next by the player's habit.
const legato = 16 // 1/16 quarter

// line makes one line of a track's notes.
func (s *song) line(t *track, which Line) (Part, []string, error) {
	raw := slices.Clone(t.notes)
	slices.SortStableFunc(raw, func(a, b rawNote) int {
		switch {
		case a.start != b.start:
			return int(min(max(a.start-b.start, -1), 1))
		case which == LineBottom:
			return int(a.key) - int(b.key)
		}
		return int(b.key) - int(a.key) // the highest first
	})
	m := melody{s: s, which: which}
	for _, n := range raw {
		if err := m.add(n); err != nil {
			return Part{}, nil, err
		}
	}
	p := Part{Name: t.name, Notes: make([]Note, 0, len(m.kept))}
	for _, n := range m.kept {
		p.Notes = append(p.Notes, Note{Start: s.quarters(n.start), Length: s.quarters(n.end - n.start), Key: n.key,
			Lyric: t.lyrics[n.start], Unpitched: n.unpitched})
	}
	return p, append(m.remarks(), t.remarks(p)...), nil
}

// melody builds one line, note after note.
type melody struct {
	s       *song
	which   Line
	kept    []rawNote
	cut     []rawNote // shortened
	dropped []rawNote // of chords, or below (above) the line
}

// add takes the next note, in order of start.
func (m *melody) add(n rawNote) error {
	if len(m.kept) == 0 {
		m.kept = append(m.kept, n)
		return nil
	}
	last := &m.kept[len(m.kept)-1]
	overlap := min(last.end, n.end) - n.start
	division := int64(m.s.division)
	switch chord := n.start == last.start || (n.start-last.start)*legato < division && overlap*legato > division; {
	case overlap <= 0:
	case chord && m.which == LineNone:
		return m.chord(*last, n)
	case n.start == last.start: // sorted: the first is the one to keep
		m.dropped = append(m.dropped, n)
		return nil
	case m.which != LineNone && overlap*legato > division && m.beats(*last, n):
		m.dropped = append(m.dropped, n)
		return nil
	case chord: // struck a moment before the note to keep
		m.dropped = append(m.dropped, *last)
		n.start = last.start
		*last = n
		return nil
	default:
		m.cut = append(m.cut, *last)
		last.end = n.start
	}
	m.kept = append(m.kept, n)
	return nil
}

// beats reports whether the note that sounds keeps the line against n.
func (m *melody) beats(sounding, n rawNote) bool {
	if m.which == LineBottom {
		return sounding.key <= n.key
	}
	return sounding.key >= n.key
}

func (m *melody) chord(a, b rawNote) error {
	return fault.New(fault.Conflict, "%s and %s sound together, and a part is one line", noteName(b), noteName(a)).
		In(m.s.name, m.s.where(b.start)).Mended("take one line of the chords (--line top or --line bottom), or choose another track")
}

func noteName(n rawNote) string {
	if n.unpitched {
		return "an unpitched note"
	}
	return KeyName(n.key)
}

// remarks tell what was done to the notes.
func (m *melody) remarks() []string {
	var out []string
	if n := len(m.cut); n > 0 {
		out = append(out, fmt.Sprintf("%s ran into the next and %s cut there: %s", count(n, "note"), were(n), m.list(m.cut)))
	}
	if n := len(m.dropped); n > 0 {
		out = append(out, fmt.Sprintf("%s off the %s line %s left out: %s", count(n, "note"), m.which, were(n), m.list(m.dropped)))
	}
	return out
}

// maxListed is how many notes a remark names.
const maxListed = 8

func (m *melody) list(notes []rawNote) string {
	var out []string
	for _, n := range notes[:min(len(notes), maxListed)] {
		out = append(out, noteName(n)+" at "+m.s.where(n.start))
	}
	if more := len(notes) - maxListed; more > 0 {
		out = append(out, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(out, "; ")
}

func (t *track) remarks(p Part) []string {
	var out []string
	if t.hang > 0 {
		out = append(out, fmt.Sprintf("%s never ended and %s ended with the track", count(t.hang, "note"), were(t.hang)))
	}
	if t.zero > 0 {
		out = append(out, fmt.Sprintf("%s without length %s left out", count(t.zero, "note"), were(t.zero)))
	}
	if t.stray > 0 {
		out = append(out, fmt.Sprintf("%s for notes that do not sound %s passed over", count(t.stray, "ending"), were(t.stray)))
	}
	sung := 0
	for _, n := range p.Notes {
		if n.Lyric != "" {
			sung++
		}
	}
	if stray := len(t.lyrics) - sung; stray > 0 {
		out = append(out, fmt.Sprintf("%s that no note begins with %s left out", count(stray, "syllable"), were(stray)))
	}
	return out
}

func count(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

func were(n int) string {
	if n == 1 {
		return "was"
	}
	return "were"
}

// where names a tick by its bar and quarter, by the metres of the file.
func (s *song) where(tick int64) string {
	bar, from, metre := int64(1), int64(0), metreAt{num: 4, den: 4}
	sorted := slices.Clone(s.metres)
	slices.SortStableFunc(sorted, func(a, b metreAt) int { return int(min(max(a.tick-b.tick, -1), 1)) })
	for _, m := range sorted {
		if m.tick > tick {
			break
		}
		bar += s.barsIn(m.tick-from, metre, true)
		from, metre = m.tick, m
	}
	whole := s.barsIn(tick-from, metre, false)
	rest := tick - from - whole*4*int64(s.division)*int64(metre.num)/int64(metre.den)
	quarter := float64(rest)/float64(s.division) + 1
	return fmt.Sprintf("bar %d quarter %.4g", bar+whole, quarter)
}

// barsIn is how many bars ticks make, whole ones or, for a metre that breaks
// off, begun ones.
func (s *song) barsIn(ticks int64, m metreAt, begun bool) int64 {
	bar := 4 * int64(s.division) * int64(m.num)
	n := ticks * int64(m.den)
	if begun {
		n += bar - 1
	}
	return n / bar
}
