package tui

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Cell is one place of the screen: a rune, at most one mark that combines with
// it, and its ink. A Rune of 0 is the right half of a wide rune before it. With
// InkGrey the cell is of a picture: Fore and Back are greys, 0 black.
type Cell struct {
	Rune, Mark rune
	Ink        Ink
	Fore, Back byte
}

// Grid is a whole screen, row by row.
type Grid struct {
	W, H  int
	Cells []Cell
	more  rune // stands where a text was cut short
}

func newGrid(w, h int, g *glyphs) *Grid {
	grid := &Grid{W: w, H: h, Cells: make([]Cell, w*h), more: g.more}
	for i := range grid.Cells {
		grid.Cells[i] = Cell{Rune: ' ', Ink: InkPlain}
	}
	return grid
}

// At is the cell of column x, row y; the zero Cell outside.
func (g *Grid) At(x, y int) Cell {
	if x < 0 || y < 0 || x >= g.W || y >= g.H {
		return Cell{}
	}
	return g.Cells[y*g.W+x]
}

// put sets one cell of single width; outside the grid it does nothing.
func (g *Grid) put(x, y int, r rune, ink Ink) { g.set(x, y, Cell{Rune: r, Ink: ink}) }

func (g *Grid) set(x, y int, c Cell) {
	if x < 0 || y < 0 || x >= g.W || y >= g.H {
		return
	}
	g.Cells[y*g.W+x] = c
}

// ink changes the ink of a cell and leaves its rune.
func (g *Grid) ink(x, y int, ink Ink) {
	if x >= 0 && y >= 0 && x < g.W && y < g.H {
		g.Cells[y*g.W+x].Ink = ink
	}
}

// text writes s into at most width columns from x and returns the column after
// it. What does not fit ends in the mark for more. Strange runes are made safe.
func (g *Grid) text(x, y, width int, s string, ink Ink) int {
	width = min(width, g.W-x)
	if width <= 0 {
		return x
	}
	end := x + width
	last := -1 // column of the last rune written, for marks that combine
	for i, r := range s {
		r = safe(r)
		switch w := runeWidth(r); {
		case w == 0:
			if last >= 0 && !selector(r) && g.At(last, y).Mark == 0 && y >= 0 && y < g.H {
				g.Cells[y*g.W+last].Mark = r
			}
		case x+w > end || x+w == end && moreFollows(s[i+runeLen(s[i:]):]):
			g.put(x, y, g.more, ink)
			return x + 1
		default:
			g.put(x, y, r, ink)
			if w == 2 {
				g.set(x+1, y, Cell{Ink: ink})
			}
			last = x
			x += w
		}
	}
	return x
}

func runeLen(s string) int {
	_, n := utf8.DecodeRuneInString(s)
	return n
}

// moreFollows reports whether s still holds something that takes a column.
func moreFollows(s string) bool {
	for _, r := range s {
		if runeWidth(safe(r)) > 0 {
			return true
		}
	}
	return false
}

// right writes s so that it ends before column end, within width columns.
func (g *Grid) right(end, y, width int, s string, ink Ink) int {
	w := min(textWidth(s, width), width)
	g.text(end-w, y, w, s, ink)
	return end - w
}

// textWidth is the columns that s takes; it stops counting beyond limit.
func textWidth(s string, limit int) int {
	w := 0
	for _, r := range s {
		if w += runeWidth(safe(r)); w > limit {
			break
		}
	}
	return w
}

// safe keeps a name from steering the terminal: control characters, marks that
// turn the direction of writing and unassigned runes become "?".
func safe(r rune) rune {
	if r == '\t' || r == '\n' || r == '\r' {
		return ' '
	}
	if unicode.IsPrint(r) || unicode.Is(unicode.Zs, r) {
		return r
	}
	return '?'
}

// wideRunes are the blocks of East Asian Width W and F (Unicode Standard Annex
// #11), in whole blocks: a letter is never shown in less room than it takes.
var wideRunes = &unicode.RangeTable{
	R16: []unicode.Range16{
		{0x1100, 0x115F, 1}, {0x231A, 0x231B, 1}, {0x23E9, 0x23EC, 1}, {0x23F0, 0x23F3, 3}, {0x25FD, 0x25FE, 1},
		{0x2614, 0x2615, 1}, {0x2648, 0x2653, 1}, {0x267F, 0x2693, 20}, {0x26A1, 0x26A1, 1}, {0x26AA, 0x26AB, 1},
		{0x26BD, 0x26BE, 1}, {0x26C4, 0x26C5, 1}, {0x26CE, 0x26D4, 6}, {0x26EA, 0x26EA, 1}, {0x26F2, 0x26F3, 1},
		{0x26F5, 0x26FA, 5}, {0x26FD, 0x2705, 8}, {0x270A, 0x270B, 1}, {0x2728, 0x274C, 36}, {0x274E, 0x274E, 1},
		{0x2753, 0x2755, 1}, {0x2757, 0x2757, 1}, {0x2795, 0x2797, 1}, {0x27B0, 0x27BF, 15}, {0x2B1B, 0x2B1C, 1},
		{0x2B50, 0x2B55, 5}, {0x2E80, 0x303E, 1}, {0x3041, 0x4DBF, 1}, {0x4E00, 0xA4CF, 1}, {0xA960, 0xA97C, 1},
		{0xAC00, 0xD7A3, 1}, {0xF900, 0xFAFF, 1}, {0xFE10, 0xFE19, 1}, {0xFE30, 0xFE6F, 1}, {0xFF00, 0xFF60, 1},
		{0xFFE0, 0xFFE6, 1},
	},
	R32: []unicode.Range32{
		{0x16FE0, 0x18CFF, 1}, {0x1AFF0, 0x1B2FF, 1}, {0x1F004, 0x1F0CF, 203}, {0x1F18E, 0x1F18E, 1},
		{0x1F191, 0x1F19A, 1}, {0x1F200, 0x1F320, 1}, {0x1F32D, 0x1F335, 1}, {0x1F337, 0x1F37C, 1},
		{0x1F37E, 0x1F393, 1}, {0x1F3A0, 0x1F3CA, 1}, {0x1F3CF, 0x1F3D3, 1}, {0x1F3E0, 0x1F3F0, 1},
		{0x1F3F4, 0x1F3F4, 1}, {0x1F3F8, 0x1F43E, 1}, {0x1F440, 0x1F440, 1}, {0x1F442, 0x1F4FC, 1},
		{0x1F4FF, 0x1F53D, 1}, {0x1F54B, 0x1F54E, 1}, {0x1F550, 0x1F567, 1}, {0x1F57A, 0x1F57A, 1},
		{0x1F595, 0x1F596, 1}, {0x1F5A4, 0x1F5A4, 1}, {0x1F5FB, 0x1F64F, 1}, {0x1F680, 0x1F6C5, 1},
		{0x1F6CC, 0x1F6FC, 1}, {0x1F7E0, 0x1F7F0, 1}, {0x1F90C, 0x1F93A, 1}, {0x1F93C, 0x1F945, 1},
		{0x1F947, 0x1F9FF, 1}, {0x1FA70, 0x1FAFF, 1}, {0x20000, 0x3FFFD, 1},
	},
}

// runeWidth is 0 for marks that combine, 2 for wide runes, else 1.
func runeWidth(r rune) int {
	switch {
	case r < 0x300:
		return 1
	case unicode.In(r, unicode.Mn, unicode.Me):
		return 0
	case r >= 0x1100 && unicode.Is(wideRunes, r):
		return 2
	}
	return 1
}

// selector reports runes that choose a form of the one before; with some a
// terminal would change its width, so they are left out.
func selector(r rune) bool { return r >= 0xFE00 && r <= 0xFE0F || r >= 0xE0100 }

// String is the runes of the grid, a line a row, without spaces at the end.
func (g *Grid) String() string {
	var b strings.Builder
	for y := range g.H {
		var line strings.Builder
		for x := range g.W {
			c := g.At(x, y)
			if c.Rune != 0 {
				line.WriteRune(c.Rune)
			}
			if c.Mark != 0 {
				line.WriteRune(c.Mark)
			}
		}
		b.WriteString(strings.TrimRight(line.String(), " "))
		b.WriteByte('\n')
	}
	return b.String()
}

func itoa(n int64) string { return strconv.FormatInt(n, 10) }

// trimFloat is x with at most digits decimals and no zeros at the end.
func trimFloat(x float64, digits int) string {
	s := strconv.FormatFloat(x, 'f', digits, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}
