package tui

import "strings"

// Columns of the list of keys when it is wide enough for all in one screen.
const (
	helpKeysWords = 13
	helpMarks     = 43
	helpFindings  = 68
	helpWide      = 80
)

// helpLines is how many lines the list of keys and marks takes.
func helpLines(s State) int {
	keys, marks, findings := len(bindings())+1, len(s.glyphs.legend())+1, len(s.glyphs.findingLegend())+1
	if s.Width >= helpWide {
		return max(keys, marks, findings)
	}
	return keys + marks + findings + 2
}

// viewHelp lists the table of keys and every mark of the screen.
func viewHelp(g *Grid, s State) {
	y, marks, findings := -s.Top, helpMarks, helpFindings
	marksY, findingsY := y, y
	if s.Width < helpWide { // one below the other
		marks, findings = 2, 2
		marksY = y + len(bindings()) + 2
		findingsY = marksY + len(s.glyphs.legend()) + 2
	}
	g.text(2, y, g.W-2, "KEYS: small goes on, capital back", InkTitle)
	for i, b := range bindings() {
		x := g.text(2, y+1+i, helpKeysWords-3, strings.Join(b.Keys, " "), InkKey)
		g.text(max(x+1, helpKeysWords), y+1+i, g.W, b.Words, InkPlain)
	}
	g.text(marks, marksY, g.W, "MARKS", InkTitle)
	legend(g, marks, marksY+1, 4, s.glyphs.legend())
	g.text(findings, findingsY, g.W, "TO MEND", InkTitle)
	legend(g, findings, findingsY+1, 2, s.glyphs.findingLegend())
}

func legend(g *Grid, x, y, indent int, rows []legendRow) {
	for i, r := range rows {
		g.text(x, y+i, indent, r.Mark, r.Ink)
		g.text(x+indent, y+i, g.W, r.Words, InkPlain)
	}
}
