package tui

import (
	"fmt"
	"sort"
)

// maps shows the map that is kept and the maps that are offered side by side:
// a column each, a row for every hit.
func (v *view) maps() {
	b := v.layout.body
	y := v.mapStyles(b.at)
	columns := v.mapColumns()
	if len(columns) == 0 {
		v.text(v.x(0), y, v.W-v.x(0), "no map yet: enter finds maps for the hits", InkQuiet)
		return
	}
	width := max(16, min(28, (v.W-v.x(0))/len(columns)))
	rows := b.end() - y
	words := 0
	if len(v.offers) > 0 && rows > 6 {
		words = 1
	}
	hits := columns[0].Hits
	top := v.hitTop(hits, rows-3-words)
	for i, c := range columns {
		x := v.x(i * width)
		if x+12 > v.W {
			break
		}
		v.mapColumn(c, i, x, y, min(width, v.W-x)-1, top, rows-words)
	}
	for row, i := y+3, top; row < y+rows-words && i < len(hits); row, i = row+1, i+1 {
		mark, ink := v.glyphs.want, InkWant
		if hits[i].Must {
			mark, ink = v.glyphs.must, InkMust
		}
		v.name(row, fmt.Sprintf("%c %s", mark, nameOr(hits[i].Name, "f"+itoa(hits[i].Frame))), ink)
	}
	if words > 0 {
		o := v.offers[v.Offer]
		v.name(b.end()-1, "map "+itoa(int64(v.Offer+1)), InkQuiet)
		v.text(v.x(0), b.end()-1, v.W-v.x(0), joined("; ", o.Words, o.Trade), InkPlain)
	}
}

// mapStyles is the line of styles with the chosen one lit, and what is pinned
// and tapped.
func (v *view) mapStyles(y int) int {
	v.name(y, "style", InkQuiet)
	x := v.x(0)
	for i, st := range styles() {
		if i == v.Style {
			x = v.text(x, y, v.W-x, "["+st+"]", InkChosen) + 1
			continue
		}
		x = v.text(x, y, v.W-x, st, InkQuiet) + 2
	}
	if n := len(v.sheet.Pins); n > 0 {
		x = v.text(x+1, y, v.W-x-1, fmt.Sprintf("%c %d pinned", v.glyphs.pin, n), InkBar) + 1
	}
	if n := len(v.sheet.Taps) + len(v.tapped); n > 0 {
		v.text(x+1, y, v.W-x-1, fmt.Sprintf("%c %d tapped", v.glyphs.tap, n), InkBar)
	}
	return y + 1
}

// mapMarks shows under the bars where beats are pinned and where they were tapped.
func (v *view) mapMarks() {
	b := v.layout.tempo
	if v.Stage != Map || b.rows == 0 {
		return
	}
	mark := func(col int, r rune) { // a tempo that is written there stays readable
		if col >= 0 && col < v.window.cols && v.At(v.x(col), b.at).Rune == ' ' {
			v.put(v.x(col), b.at, r, InkBar)
		}
	}
	for _, taps := range [][]int64{v.sheet.Taps, v.tapped} {
		first := sort.Search(len(taps), func(i int) bool { return taps[i] >= v.window.edges[0] })
		for _, at := range taps[first:] {
			if at >= v.window.edges[v.window.cols] {
				break
			}
			mark(v.window.columnOfSample(at), v.glyphs.tap)
		}
	}
	for _, p := range v.sheet.Pins {
		mark(int(max(-1, min(v.window.column(p.Frame), int64(v.window.cols)))), v.glyphs.pin)
	}
}

// mapColumns are the kept map and the offers.
func (v *view) mapColumns() []Offer {
	var out []Offer
	if len(v.sheet.Bars) > 0 {
		kept := Offer{Style: "kept", Hits: v.sheet.Hits, All: len(v.sheet.Hits)}
		for _, b := range v.sheet.Bars {
			if kept.LowBPM == 0 || b.BPM < kept.LowBPM {
				kept.LowBPM = b.BPM
			}
			kept.HighBPM = max(kept.HighBPM, b.BPM)
		}
		for _, h := range v.sheet.Hits {
			if h.Caught {
				kept.Caught++
			}
		}
		if v.sheet.Style != "" {
			kept.Style += " " + v.sheet.Style
		}
		out = append(out, kept)
	}
	return append(out, v.offers...)
}

// hitTop is the first hit shown, such that the one in the gate is in sight.
func (v *view) hitTop(hits []Hit, rows int) int {
	at := 0
	for i, h := range hits {
		if h.Frame <= v.Frame {
			at = i
		}
	}
	return max(0, min(at-rows/2, len(hits)-rows))
}

// mapColumn is one map: what it is, its tempos, how many hits it catches, and
// each hit's place and error.
func (v *view) mapColumn(c Offer, column, x, y, width, top, rows int) {
	offer := column
	if len(v.sheet.Bars) > 0 {
		offer--
	}
	ink, head := InkQuiet, c.Style
	if offer >= 0 {
		head = fmt.Sprintf("%d %s", offer+1, c.Style)
		if offer == v.Offer {
			head, ink = string(v.glyphs.chosen)+head, InkChosen
		}
	}
	v.text(x, y, width, head, ink)
	tempo := trimFloat(c.LowBPM, 2)
	if high := trimFloat(c.HighBPM, 2); high != tempo {
		tempo += " to " + high
	}
	v.text(x, y+1, width, tempo, InkTempo)
	v.text(x, y+2, width, fmt.Sprintf("%d of %d hits", c.Caught, c.All), InkPlain)
	for row, i := 3, top; row < rows && i < len(c.Hits); row, i = row+1, i+1 {
		h := c.Hits[i]
		if h.Place == "" {
			continue
		}
		ink := InkPlain
		words := fmt.Sprintf("%-6s%s", h.Place, signedFrames(h))
		if !h.Caught {
			words, ink = fmt.Sprintf("%-6s%c %s", h.Place, v.glyphs.missed, signedFrames(h)), InkFinding
		}
		v.text(x, y+row, width, words, ink)
	}
}
