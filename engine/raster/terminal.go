package raster

import (
	"strconv"
	"strings"
)

// Depth is how many greys a terminal shows.
type Depth int

const (
	Plain    Depth = iota // none: characters of rising ink
	Greys256              // the greys among 256 colours
	Greys24               // every grey, as true colour
)

// DepthOf reads what a terminal says of itself in the environment. NO_COLOR
// with any value asks for none (no-color.org); COLORTERM says true colour
// (common practice), the name of TERM 256 colours (terminfo's naming).
func DepthOf(getenv func(string) string) Depth {
	term, colour := getenv("TERM"), getenv("COLORTERM")
	switch {
	case getenv("NO_COLOR") != "" || term == "" || term == "dumb":
		return Plain
	case colour == "truecolor" || colour == "24bit" || strings.HasSuffix(term, "-direct"):
		return Greys24
	case strings.Contains(term, "256color"):
		return Greys256
	}
	return Plain
}

// Palette256 is a grey among a terminal's 256 colours: the nearest of black
// and white (16 and 231) and the ramp 232 to 255, whose entries are 8, 18, ...
// 238 (xterm's defaults, from memory).
func Palette256(v byte) int {
	switch {
	case v < 4:
		return 16
	case v > 246:
		return 231
	}
	return 232 + min(23, max(0, (int(v)-3)/10))
}

// Text is cells as lines of text, width to a line, with the terminal's codes
// for their greys (ECMA-48, SGR 38 and 48) but for Plain, which has no codes
// and no spaces at the ends of lines. Each line ends in a line end, with the
// colours put back.
func Text(cells []Cell, width int, d Depth) string {
	var b strings.Builder
	for len(cells) >= width && width > 0 {
		line(&b, cells[:width], d)
		cells = cells[width:]
	}
	return b.String()
}

func line(b *strings.Builder, cells []Cell, d Depth) {
	if d == Plain {
		var s strings.Builder
		for _, c := range cells {
			s.WriteRune(c.Rune)
		}
		b.WriteString(strings.TrimRight(s.String(), " "))
		b.WriteByte('\n')
		return
	}
	ink, paper := "", ""
	for _, c := range cells {
		if code := grey(38, c.Ink, d); code != ink {
			ink = code
			b.WriteString(code)
		}
		if code := grey(48, c.Paper, d); code != paper {
			paper = code
			b.WriteString(code)
		}
		b.WriteRune(c.Rune)
	}
	b.WriteString("\x1b[0m\n")
}

// grey is the code that sets the ink (38) or the paper (48).
func grey(what int, v byte, d Depth) string {
	lead := "\x1b[" + strconv.Itoa(what)
	if d == Greys256 {
		return lead + ";5;" + strconv.Itoa(Palette256(v)) + "m"
	}
	level := ";" + strconv.Itoa(int(v))
	return lead + ";2" + level + level + level + "m"
}

// maxRows bounds a drawing whose rows were not given.
const maxRows = 1000

// Draw is a whole picture as text for a terminal of a depth, at most columns
// by rows cells (rows 0: as many as it takes), its shape kept. The few inks of
// Plain show it with its contrast raised.
func Draw(pix []byte, w, h, columns, rows int, d Depth) string {
	if rows <= 0 {
		rows = maxRows
	}
	r := Fit(w, h, columns, rows, CellAspect)
	if r.W == 0 {
		return ""
	}
	down := r.H
	if d != Plain {
		down *= 2
	}
	small := make([]byte, r.W*down)
	Scale(small, r.W, down, pix, w, h)
	if d == Plain {
		Stretch(small)
		return Text(Characters(small, r.W, down), r.W, d)
	}
	return Text(HalfBlocks(small, r.W, down), r.W, d)
}
