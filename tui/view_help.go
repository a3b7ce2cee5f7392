package tui

import "strings"

// Columns of the list of keys when it is wide enough for marks beside the keys.
const (
	helpKeysWords = 13
	helpMarks     = 58
	helpWide      = 80
)

// helpLines is how many lines the list of keys and marks takes.
func helpLines(s State) int {
	keys, marks := len(s.keys.of(s.place()))+1, len(s.glyphs.legend())+len(s.glyphs.findingLegend())+3
	if s.Width >= helpWide {
		return max(keys, marks)
	}
	return keys + marks + 1
}

// viewHelp lists the table of keys of the stage and every mark of the screen.
func viewHelp(g *Grid, s State) {
	y, marks, marksY, wide := -s.Top, helpMarks, -s.Top, helpMarks-1
	if s.Width < helpWide { // one below the other
		marks, marksY, wide = 2, y+len(s.keys.of(s.place()))+2, g.W
	}
	g.text(2, y, wide-2, "KEYS in "+s.place().Word()+": small goes on, capital back", InkTitle)
	for i, b := range s.keys.of(s.place()) {
		x := g.text(2, y+1+i, helpKeysWords-3, strings.Join(b.Keys, " "), InkKey)
		x = max(x+1, helpKeysWords)
		g.text(x, y+1+i, wide-x, b.Words, InkPlain)
	}
	findingsY := marksY + len(s.glyphs.legend()) + 2
	g.text(marks, marksY, g.W, "MARKS", InkTitle)
	legend(g, marks, marksY+1, 4, s.glyphs.legend())
	g.text(marks, findingsY, g.W, "TO MEND", InkTitle)
	legend(g, marks, findingsY+1, 2, s.glyphs.findingLegend())
}

func legend(g *Grid, x, y, indent int, rows []legendRow) {
	for i, r := range rows {
		g.text(x, y+i, indent, r.Mark, r.Ink)
		g.text(x+indent, y+i, g.W, r.Words, InkPlain)
	}
}
