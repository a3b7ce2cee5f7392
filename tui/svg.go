package tui

import (
	"bufio"
	"encoding/xml"
	"fmt"
	"io"
	"strings"
)

// Size of a cell in a picture of a screen, and of its letters, in SVG's units.
const (
	svgCellW  = 8
	svgCellH  = 16
	svgLetter = 13
)

// SVG writes the screen as a picture (SVG 1.1), its cells in the palette's true
// colours, a piece of text for each run of one look.
func (g *Grid) SVG(out io.Writer) error {
	w := bufio.NewWriter(out)
	wide, high := g.W*svgCellW, g.H*svgCellH
	fmt.Fprintf(w, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" role="img">`+"\n", wide, high, wide, high)
	fmt.Fprintf(w, `<rect width="100%%" height="100%%" fill="#%06x"/>`+"\n", palette()[InkPlain].bg)
	fmt.Fprintf(w, `<g font-family="DejaVu Sans Mono, Menlo, Consolas, monospace" font-size="%d" xml:space="preserve">`+"\n", svgLetter)
	for y := range g.H {
		for x := 0; x < g.W; {
			x = g.svgRun(w, x, y)
		}
	}
	fmt.Fprint(w, "</g>\n</svg>\n")
	return w.Flush()
}

// svgRun writes the cells of one look from a place on, and returns the column
// after them.
func (g *Grid) svgRun(w *bufio.Writer, x, y int) int {
	c := g.At(x, y)
	if c.Ink == InkGrey {
		g.svgGrey(w, x, y, c)
		return x + 1
	}
	end := x + 1
	var text strings.Builder
	for k := x; k < g.W && g.At(k, y).Ink == c.Ink; k++ {
		if r := g.At(k, y); r.Rune != 0 {
			text.WriteRune(r.Rune)
			if r.Mark != 0 {
				text.WriteRune(r.Mark)
			}
		}
		end = k + 1
	}
	s := palette()[c.Ink]
	if s.bg != palette()[InkPlain].bg {
		fmt.Fprintf(w, `<rect x="%d" y="%d" width="%d" height="%d" fill="#%06x"/>`, x*svgCellW, y*svgCellH, (end-x)*svgCellW, svgCellH, s.bg)
	}
	words := strings.TrimRight(text.String(), " ")
	lead := len(words) - len(strings.TrimLeft(words, " "))
	if words = words[lead:]; words == "" {
		return end
	}
	weight := ""
	if s.bold {
		weight = ` font-weight="bold"`
	}
	fmt.Fprintf(w, `<text x="%d" y="%d" fill="#%06x"%s textLength="%d" lengthAdjust="spacingAndGlyphs">`, (x+lead)*svgCellW, y*svgCellH+12, s.fg, weight,
		textWidth(words, g.W)*svgCellW)
	xml.EscapeText(w, []byte(words)) // it fails as the writer does, which Flush tells
	fmt.Fprint(w, "</text>\n")
	return end
}

// svgGrey writes a cell of a picture: its upper half in the letter's grey, its
// lower in the paper's.
func (g *Grid) svgGrey(w *bufio.Writer, x, y int, c Cell) {
	const half = svgCellH / 2
	upper, lower := c.Fore, c.Back
	switch c.Rune {
	case ' ':
		upper = c.Back
	case '█':
		lower = c.Fore
	case '▄':
		upper, lower = c.Back, c.Fore
	}
	fmt.Fprintf(w, `<rect x="%d" y="%d" width="%d" height="%d" fill="#%02x%02x%02x"/>`, x*svgCellW, y*svgCellH, svgCellW, half, upper, upper, upper)
	fmt.Fprintf(w, `<rect x="%d" y="%d" width="%d" height="%d" fill="#%02x%02x%02x"/>`+"\n", x*svgCellW, y*svgCellH+half, svgCellW, half, lower, lower, lower)
}
