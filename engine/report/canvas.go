package report

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// canvas gathers SVG 1.1 elements. All text goes through esc.
type canvas struct{ bytes.Buffer }

// Colours: Okabe and Ito, "Color Universal Design" (2008), which people with
// any colour vision tell apart, on paper and inks of our own. No meaning hangs
// on colour alone: each has a shape too.
const (
	blue      = "#0072B2"
	vermilion = "#D55E00"
	green     = "#009E73"
	ink       = "#23211C"
	inkSoft   = "#6B665A"
	paper     = "#FFFFFF"
	band      = "#F4F1E9"
	bandDark  = "#DDD7C8"
	rule      = "#D3CDBE"
)

const style = `text{font-family:"DejaVu Sans",Verdana,"Segoe UI",Roboto,sans-serif;fill:` + ink + `}
.title{font-size:34px;font-weight:bold}.sub{font-size:19px;fill:` + inkSoft + `}
.name{font-size:19px;font-weight:bold}.t{font-size:18px}.s{font-size:16px;fill:` + inkSoft + `}
.n{font-size:16px}.flag{font-size:15px;font-weight:bold;fill:` + paper + `;text-anchor:middle}
.m{text-anchor:middle}.e{text-anchor:end}`

// Estimated width of a letter, as a part of the font size; on the wide side,
// as the reader's font is not known.
const letterWidth = 0.57

func textWidth(s string, size float64) float64 { return float64(cells(s)) * size * letterWidth }

// fit cuts a text to a width in pixels.
func fit(s string, size, width float64) string {
	return label(s, max(1, int(width/(size*letterWidth))))
}

func esc(s string) string {
	var b bytes.Buffer
	_ = xml.EscapeText(&b, []byte(plain(s))) // a Buffer does not fail
	return b.String()
}

// num writes a coordinate with at most two decimals.
func num(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v = 0
	}
	s := strconv.FormatFloat(v, 'f', 2, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

// rect, line, poly and path take raw SVG attributes, never text from outside.
func (c *canvas) rect(x, y, w, h float64, attrs string) {
	fmt.Fprintf(c, "<rect x=\"%s\" y=\"%s\" width=\"%s\" height=\"%s\" %s/>\n", num(x), num(y), num(w), num(h), attrs)
}

func (c *canvas) line(x1, y1, x2, y2 float64, attrs string) {
	fmt.Fprintf(c, "<line x1=\"%s\" y1=\"%s\" x2=\"%s\" y2=\"%s\" %s/>\n", num(x1), num(y1), num(x2), num(y2), attrs)
}

func (c *canvas) poly(attrs string, xy ...float64) {
	c.WriteString("<polygon points=\"")
	c.points(xy)
	fmt.Fprintf(c, "\" %s/>\n", attrs)
}

func (c *canvas) trace(attrs string, xy ...float64) {
	c.WriteString("<polyline points=\"")
	c.points(xy)
	fmt.Fprintf(c, "\" %s/>\n", attrs)
}

func (c *canvas) points(xy []float64) {
	for i := 0; i+1 < len(xy); i += 2 {
		if i > 0 {
			c.WriteByte(' ')
		}
		c.WriteString(num(xy[i]) + "," + num(xy[i+1]))
	}
}

func (c *canvas) text(x, y float64, class, s string) {
	fmt.Fprintf(c, "<text x=\"%s\" y=\"%s\" class=\"%s\">%s</text>\n", num(x), num(y), class, esc(s))
}

// told wraps what draw draws with a tooltip.
func (c *canvas) told(words string, draw func()) {
	fmt.Fprintf(c, "<g><title>%s</title>\n", esc(label(words, 200)))
	draw()
	c.WriteString("</g>\n")
}

// write puts the frame around the drawing.
func (c *canvas) write(w io.Writer, title string, width, height float64) error {
	_, err := fmt.Fprintf(w, "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %s %s\" width=\"%s\" height=\"%s\" role=\"img\">\n<title>%s</title>\n<style>%s</style>\n<rect width=\"100%%\" height=\"100%%\" fill=\"%s\"/>\n",
		num(width), num(height), num(width), num(height), esc(label(title, 200)), style, paper)
	if err != nil {
		return err
	}
	if _, err := w.Write(c.Bytes()); err != nil {
		return err
	}
	_, err = io.WriteString(w, "</svg>\n")
	return err
}

// shape draws one of the flags that mark findings; each kind of finding has
// its own: disc, square, diamond, hexagon.
func (c *canvas) shape(which int, x, y, r float64, attrs string) {
	switch which % shapes {
	case 0:
		fmt.Fprintf(c, "<circle cx=\"%s\" cy=\"%s\" r=\"%s\" %s/>\n", num(x), num(y), num(r), attrs)
	case 1:
		c.rect(x-r*0.92, y-r*0.92, 1.84*r, 1.84*r, attrs)
	case 2:
		r *= 1.3
		c.poly(attrs, x-r, y, x, y-r, x+r, y, x, y+r)
	default:
		h := r * 0.87
		c.poly(attrs, x-r*1.1, y, x-r*0.55, y-h, x+r*0.55, y-h, x+r*1.1, y, x+r*0.55, y+h, x-r*0.55, y+h)
	}
}

const shapes = 4
