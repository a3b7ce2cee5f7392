package example

import (
	"cuechoir/engine/timecode"
)

// Note is one note: quarters from bar 1 beat 1, a MIDI key (0 where the layer is
// unpitched), and the syllable it is sung on.
type Note struct {
	Start, Length timecode.Ratio
	Key           uint8
	Lyric         string
}

// Layer is one line of the score.
type Layer struct {
	Name      string
	Group     string // brass, strings, choir or drums
	Unpitched bool
	Notes     []Note // sorted, never overlapping
}

// chord is a triad by its root's pitch class (0 = C) and mode.
type chord struct {
	root  int
	minor bool
}

var (
	em, am              = chord{4, true}, chord{9, true}
	c, d, e, f, g, bMaj = chord{0, false}, chord{2, false}, chord{4, false}, chord{5, false}, chord{7, false}, chord{11, false}
)

// harmony is two chords a bar: E minor, with the flat second degree for the
// storm, and E major when the lamp is lit.
var harmony = [Bars][2]chord{
	{em, em}, {em, am}, {c, c}, {am, bMaj}, // night; first title
	{em, em}, {g, d}, {c, d}, {am, am}, {f, f}, {bMaj, bMaj}, // the ship; lightning; the chart
	{em, em}, {c, g}, {am, f}, {f, bMaj}, // the door; through the glass
	{em, em}, {c, c}, {am, f}, // the beast; Ada
	{g, d}, {c, d}, {bMaj, bMaj}, // the race
	{e, e}, {c, d}, {e, e}, {e, e}, // the lamp; last title
}

// tone is the chord's root (0), third (1) or fifth (2) in the octave around centre:
// the nearest key, the lower one of two equally near.
func (h chord) tone(which, centre int) int {
	step := [3]int{0, 4, 7}[which]
	if which == 1 && h.minor {
		step = 3
	}
	up := ((h.root+step-centre)%12 + 12) % 12
	if up >= 6 {
		up -= 12
	}
	return centre + up
}

// step is a key (0 rests) and a length in eighths.
type step struct{ key, eighths int }

// line writes steps one after another from the start of a bar (1 is the first).
func line(notes []Note, bar int, lyric string, steps ...step) []Note {
	at := int64(bar-1) * 8
	for _, s := range steps {
		if s.key != 0 {
			notes = append(notes, Note{Start: timecode.R(at, 2), Length: timecode.R(int64(s.eighths), 2), Key: uint8(s.key), Lyric: lyric})
		}
		at += int64(s.eighths)
	}
	return notes
}

// held sings one tone of each chord through bars first to last, joined where two
// chords of a bar are the same.
func held(notes []Note, first, last, which, centre int, lyric string) []Note {
	for bar := first; bar <= last; bar++ {
		h := harmony[bar-1]
		if h[0] == h[1] {
			notes = line(notes, bar, lyric, step{h[0].tone(which, centre), 8})
			continue
		}
		notes = line(notes, bar, lyric, step{h[0].tone(which, centre), 4}, step{h[1].tone(which, centre), 4})
	}
	return notes
}

// pulse repeats a figure of chord tones, each of so many eighths, through bars
// first to last.
func pulse(notes []Note, first, last, centre, eighths int, lyric string, figure ...int) []Note {
	for bar := first; bar <= last; bar++ {
		var steps []step
		for at := 0; at < 8; at += eighths {
			h := harmony[bar-1][at/4]
			steps = append(steps, step{h.tone(figure[(at/eighths)%len(figure)], centre), eighths})
		}
		notes = line(notes, bar, lyric, steps...)
	}
	return notes
}

// Layers is the score: a short cue for a choir of one.
func Layers() []Layer {
	return []Layer{
		{Name: "Trumpet", Group: "brass", Notes: trumpet()},
		{Name: "Horn I", Group: "brass", Notes: hornOne()},
		{Name: "Horn II", Group: "brass", Notes: hornTwo()},
		{Name: "Trombone", Group: "brass", Notes: trombone()},
		{Name: "Violin", Group: "strings", Notes: violin()},
		{Name: "Viola", Group: "strings", Notes: viola()},
		{Name: "Cello", Group: "strings", Notes: cello()},
		{Name: "Contrabass", Group: "strings", Notes: contrabass()},
		{Name: "Soprano", Group: "choir", Notes: choir(0, 76)},
		{Name: "Alto", Group: "choir", Notes: choir(1, 67)},
		{Name: "Tenor", Group: "choir", Notes: choir(2, 59)},
		{Name: "Bass", Group: "choir", Notes: choir(0, 45)},
		{Name: "Timpani", Group: "drums", Unpitched: true, Notes: timpani()},
		{Name: "Snare", Group: "drums", Unpitched: true, Notes: snare()},
		{Name: "Cymbal", Group: "drums", Unpitched: true, Notes: cymbal()},
	}
}
