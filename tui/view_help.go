package tui

import "strings"

// helpColumn is where the marks stand on the list of keys, when wide enough.
const helpColumn = 48

// helpLines is how many lines the list of keys and marks takes.
func helpLines(s State) int {
	keys, marks := len(bindings())+2, len(s.glyphs.legend())+2
	if s.Width >= helpColumn+24 {
		return max(keys, (marks+1)/2+1)
	}
	return keys + marks
}

// viewHelp lists the table of keys and every mark of the screen.
func viewHelp(g *Grid, s State) {
	y := -s.Top
	g.text(1, y, g.W-2, "KEYS: a letter goes on, its capital back", InkTitle)
	for i, b := range bindings() {
		x := g.text(2, y+1+i, 14, strings.Join(b.Keys, " "), InkKey)
		g.text(max(x+1, 16), y+1+i, g.W, b.Words, InkPlain)
	}
	rows := s.glyphs.legend()
	if g.W < helpColumn+24 {
		y += len(bindings()) + 2
		g.text(1, y, g.W-2, "MARKS", InkTitle)
		for i, r := range rows {
			legendLine(g, 2, y+1+i, r)
		}
		return
	}
	g.text(helpColumn, y, g.W, "MARKS", InkTitle)
	half := (len(rows) + 1) / 2
	if g.W < helpColumn+44 { // one column, tight
		half = len(rows)
	}
	for i, r := range rows {
		legendLine(g, helpColumn+i/half*24, y+1+i%half, r)
	}
}

func legendLine(g *Grid, x, y int, r legendRow) {
	at := g.text(x, y, 4, r.Mark, r.Ink)
	g.text(max(at+1, x+4), y, g.W, r.Words, InkPlain)
}
