package tui

import "strings"

// fieldsOf are the settings of a line, each with its number.
func fieldsOf(text string) []string { return strings.Fields(text) }

// lineNameWidth is the column of a line's settings.
const lineNameWidth = 13

// soundSheet is what is done to the chosen layer, a line each, the chosen number
// marked; below it the command that does the chosen line.
func (v *view) soundSheet() {
	b := v.layout.body
	lines, of := v.soundLines()
	v.name(b.at, of, InkChosen)
	x := v.x(0)
	if len(lines) == 0 {
		v.text(x, b.at, v.W-x, "no layers yet", InkQuiet)
		return
	}
	chosen := max(0, min(v.line, len(lines)-1))
	n := b.rows - 1
	top := max(0, min(chosen-(n-1)/2, len(lines)-n))
	for row := 0; row < n && top+row < len(lines); row++ {
		l, y := lines[top+row], b.at+row
		ink := InkPlain
		if top+row == chosen {
			v.put(x, y, v.glyphs.chosen, InkKey)
			ink = InkChosen
		}
		v.text(x+2, y, lineNameWidth-1, l.Name, ink)
		v.numbers(x+2+lineNameWidth, y, l.Text, top+row == chosen)
	}
	v.text(1, b.end()-1, v.W-2, lines[chosen].Command, InkQuiet)
}

// numbers are a line's settings; the one that is turned stands between angles.
func (v *view) numbers(x, y int, text string, chosen bool) {
	if text == "" {
		v.text(x, y, v.W-x, "off", InkQuiet)
		return
	}
	words := fieldsOf(text)
	for i, w := range words {
		ink := InkPlain
		if chosen && i == max(0, min(v.number, len(words)-1)) {
			w, ink = "<"+w+">", InkKey
		}
		x = v.text(x, y, max(0, v.W-x), w, ink) + 1
	}
}
