package tui

import (
	"math"
	"sort"
)

// choir is a line a layer: the shape of its melody where it sings, and a mark
// where something has to be mended.
func (v *view) choir() {
	b := v.layout.choir
	if b.rows == 0 {
		return
	}
	if len(v.sheet.layers) == 0 {
		v.name(b.at, "voices", InkQuiet)
		v.text(v.x(0), b.at, v.window.cols, "no layers yet", InkQuiet)
		return
	}
	ticks := v.barTicks()
	top := v.choirTop(v.layout)
	for row := 0; row < b.rows && top+row < len(v.sheet.layers); row++ {
		v.voiceName(top+row, b.at+row, row == 0)
		v.voiceLine(&v.sheet.layers[top+row], b.at+row, ticks)
	}
}

// barTicks tells for each column whether a bar drawn over it begins there.
func (v *view) barTicks() []bool {
	ticks := make([]bool, v.window.cols)
	if len(v.sheet.Bars) == 0 {
		return ticks
	}
	every := v.barEvery()
	for c := range ticks {
		i := v.barInColumn(c)
		ticks[c] = i >= 0 && floorMod(v.sheet.Bars[i].Number, every) == 0
	}
	return ticks
}

// voiceName is the gutter of a layer: its place in the group, whether it is
// sung, its name, how much there is to mend.
func (v *view) voiceName(i, y int, top bool) {
	width := v.layout.gutter - 1
	if width < 0 {
		return
	}
	voice, g := &v.sheet.layers[i], v.glyphs
	ink := InkPlain
	if voice.Muted {
		ink = InkMuted
	}
	head, headInk := g.unsung, InkUnsung
	if voice.Sung {
		head, headInk = g.sung, InkSung
	}
	if voice.Muted {
		head, headInk = g.mute, InkMuted
	}
	if i == v.Layer {
		v.put(0, y, g.chosen, InkKey)
		ink = InkChosen
	}
	riser := v.riser(i)
	v.put(1, y, g.riser[riser], InkQuiet)
	v.put(2, y, head, headInk)
	end := width
	if n := len(voice.Findings); n > 0 {
		count := itoa(int64(n))
		if n > 999 {
			count = "999+"
		}
		end = v.right(width, y, 4, count, InkFinding) - 1
	}
	x := v.text(4, y, end-4, nameOr(voice.Name, "unnamed"), ink)
	if v.layout.gutter >= 30 && (riser <= 1 || top) && voice.Group != "" {
		v.text(max(18, x+1), y, end-max(18, x+1), voice.Group, InkQuiet)
	}
}

// riser tells where a layer stands in its group: alone 0, first 1, within 2,
// last 3.
func (v *view) riser(i int) int {
	ls := v.sheet.layers
	up := i > 0 && ls[i-1].Group == ls[i].Group
	down := i+1 < len(ls) && ls[i+1].Group == ls[i].Group
	switch {
	case up && down:
		return 2
	case up:
		return 3
	case down:
		return 1
	}
	return 0
}

func nameOr(name, other string) string {
	if name == "" {
		return other
	}
	return name
}

func (v *view) voiceLine(voice *voice, y int, ticks []bool) {
	e := v.window.edges
	heights, ink := v.heights(voice)
	note := voice.noteIn(e[0], e[1])
	before := -1
	for col := range v.window.cols {
		next := -1
		if col+1 < v.window.cols {
			next = voice.noteIn(e[col+1], e[col+2])
		}
		r, cellInk := ' ', InkPlain
		switch {
		case note >= 0 && !(note == before && next > note && voice.level(note, 8) == voice.level(next, 8)):
			r, cellInk = heights[voice.level(note, len(heights))], ink
		case note >= 0: // a gap, so that a note sung again is seen as two
		case ticks[col]:
			r, cellInk = v.glyphs.barline, InkBar
		}
		if k := voice.findingFrom(e[col]); k < len(voice.Findings) && voice.Findings[k].Sample < e[col+1] {
			r, cellInk = v.glyphs.mark(voice.Findings[k].Kind), InkFinding
		}
		v.put(v.x(col), y, r, cellInk)
		before, note = note, next
	}
}

func (v *view) heights(voice *voice) ([]rune, Ink) {
	heights, ink := v.glyphs.unsungAt, InkUnsung
	if voice.Sung {
		heights, ink = v.glyphs.sungAt, InkSung
	}
	if voice.Muted {
		ink = InkMuted
	}
	return heights, ink
}

// level is a note's height in its layer's range, 0 to n-1.
func (v *voice) level(note, n int) int {
	nt := v.Notes[note]
	if nt.Unpitched || v.low >= v.high {
		return n / 2
	}
	return (int(nt.Key) - v.low) * n / (v.high - v.low + 1)
}

// ladder is the chosen layer writ large: a rung for each note, or for some.
func (v *view) ladder() {
	b, voice := v.layout.ladder, v.voice()
	if b.rows == 0 || voice == nil {
		return
	}
	low, high := voice.low, voice.high
	if low > high {
		low, high = 60, 60 // struck sounds only: one rung
	}
	per := (high - low + b.rows) / b.rows // keys to a rung, rounded up
	rungs := (high-low)/per + 1
	ticks := v.barTicks()
	for row := range b.rows {
		for col, bar := range ticks {
			if bar {
				v.put(v.x(col), b.at+row, v.glyphs.barline, InkBar)
			}
		}
		if row < rungs && voice.low <= voice.high {
			v.name(b.at+row, v.rungName(high-row*per-per+1, high-row*per, low), InkQuiet)
		}
	}
	rungOf := func(n Note) int {
		if n.Unpitched {
			return b.at + rungs - 1
		}
		return b.at + (high-int(n.Key))/per
	}
	v.ladderNotes(voice, rungOf)
	if v.Stage == Sing {
		v.trace(v.live, b, high, per, rungs)
		return
	}
	v.trace(voice.Trace, b, high, per, rungs)
	v.ladderFindings(voice, rungOf, b)
}

// trace lays the pitch of a voice over the notes: a reading a column, the
// middle one of those in it, high, middle or low in its row.
func (v *view) trace(readings []Reading, b band, high, per, rungs int) {
	w := &v.window
	i := sort.Search(len(readings), func(i int) bool { return readings[i].Sample >= w.edges[0] })
	var cents []float64
	for col := range w.cols {
		cents = cents[:0]
		for ; i < len(readings) && readings[i].Sample < w.edges[col+1]; i++ {
			if readings[i].Voiced {
				cents = append(cents, readings[i].Cents)
			}
		}
		if len(cents) == 0 {
			continue
		}
		sort.Float64s(cents)
		// The rung of key k spans k-1/2 to k+1/2, per keys to a row.
		down := (float64(high) + 0.5 - cents[len(cents)/2]/100) / float64(per)
		if row := int(math.Floor(down)); row >= 0 && row < min(rungs, b.rows) {
			third := int(3 * (down - math.Floor(down)))
			v.put(v.x(col), b.at+row, v.glyphs.voiced[min(third, 2)], InkTrace)
		}
	}
}

func (v *view) rungName(low, high, lowest int) string {
	low = max(low, lowest)
	if low == high {
		return keyName(low, v.glyphs.sharp)
	}
	return keyName(low, v.glyphs.sharp) + " to " + keyName(high, v.glyphs.sharp)
}

func (v *view) ladderNotes(voice *voice, rungOf func(Note) int) {
	w, g := &v.window, v.glyphs
	body, ink := g.bodyUnsung, InkUnsung
	if voice.Sung {
		body, ink = g.body, InkSung
	}
	if voice.Muted {
		body, ink = g.bodyMuted, InkMuted
	}
	first := sort.Search(len(voice.Notes), func(i int) bool { return voice.Notes[i].Start >= w.edges[0] })
	if first > 0 && voice.Notes[first-1].End > w.edges[0] {
		first--
	}
	for i, drawn := first, -1; i < len(voice.Notes) && voice.Notes[i].Start < w.edges[w.cols]; {
		n := voice.Notes[i]
		from, end := w.columnOfSample(n.Start), w.columnOfSample(n.End-1)+1
		next := i + 1
		if from == drawn { // more notes than columns: go to the next column
			next = sort.Search(len(voice.Notes), func(k int) bool { return voice.Notes[k].Start >= w.edges[min(from+1, w.cols)] })
		}
		v.ladderNote(n, from, min(end, w.cols), rungOf(n), body, ink)
		i, drawn = max(next, i+1), from
	}
}

// ladderNote draws a note from its onset, named where there is room.
func (v *view) ladderNote(n Note, from, end, y int, body rune, ink Ink) {
	x := max(0, from)
	for c := x; c < end; c++ {
		v.put(v.x(c), y, body, ink)
	}
	if from >= 0 && from < end {
		v.put(v.x(from), y, v.glyphs.onset, ink)
		x++
	}
	name := v.noteName(n)
	if textWidth(name, 64) < end-x {
		v.text(v.x(x), y, end-x, name, ink)
	}
}

// noteName is the note's own name and what it is called, "E4 la".
func (v *view) noteName(n Note) string {
	name := ""
	if !n.Unpitched {
		name = keyName(int(n.Key), v.glyphs.sharp)
	}
	if n.Name != "" && n.Name != name {
		if name != "" {
			name += " "
		}
		name += n.Name
	}
	return nameOr(name, "struck")
}

func (v *view) ladderFindings(voice *voice, rungOf func(Note) int, b band) {
	w := &v.window
	for col := range w.cols {
		k := voice.findingFrom(w.edges[col])
		if k >= len(voice.Findings) || voice.Findings[k].Sample >= w.edges[col+1] {
			continue
		}
		y := b.end() - 1
		if n := voice.noteIn(w.edges[col], w.edges[col+1]); n >= 0 {
			y = rungOf(voice.Notes[n])
		}
		v.put(v.x(col), y, v.glyphs.mark(voice.Findings[k].Kind), InkFinding)
	}
}
