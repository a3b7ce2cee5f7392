package report

import (
	"fmt"
	"strings"

	"cuechoir/engine/cutlist"
)

// pin is a finding with its letter.
type pin struct {
	letter string
	shape  int
	where  string
	words  string
}

// addFlag marks a finding on its layer, and keeps its words for the list.
func (s *sheet) addFlag(l *Layer, f Finding, r row) {
	if len(s.flags) == maxFindings {
		s.unflagged++
		return
	}
	fl := pin{string(rune('A' + len(s.flags))), s.kindShape(f.Kind), s.whereWords(l, f), f.Words}
	s.flags = append(s.flags, fl)
	if !s.inside(f.Sample) {
		return
	}
	x := min(max(s.x(f.Sample), plotLeft+flagRadius+2), plotRight-flagRadius-2)
	y := r.top + flagRadius + 4
	s.told(fl.where+": "+f.Words, func() { s.drawFlag(fl, x, y) })
}

func (s *sheet) drawFlag(f pin, x, y float64) {
	s.shape(f.shape, x, y, flagRadius, `fill="`+ink+`" stroke="`+paper+`" stroke-width="1.5"`)
	s.text(x, y+5.5, "flag", f.letter)
}

// kindShape gives each kind of finding a shape, by order of appearance.
func (s *sheet) kindShape(kind string) int {
	kind = label(kind, 24)
	for i, k := range s.kinds {
		if k == kind {
			return i % shapes
		}
	}
	s.kinds = append(s.kinds, kind)
	return (len(s.kinds) - 1) % shapes
}

// whereWords names the layer of a finding, and the bar when its words do not.
func (s *sheet) whereWords(l *Layer, f Finding) string {
	where := label(l.Name, 30)
	if strings.HasPrefix(f.Words, "bar ") {
		return where
	}
	bar := 0
	for _, b := range s.p.Bars {
		if b.Sample > f.Sample {
			break
		}
		bar = b.Number
	}
	if bar != 0 {
		where += fmt.Sprintf(", bar %d", bar)
	}
	return where
}

// legendItem is a symbol with its words.
type legendItem struct {
	width float64 // of the symbol
	words string
	draw  func(x, y float64) // y is the middle
}

// legend explains the shapes that this picture has.
func (s *sheet) legend() {
	items := s.cutItems()
	items = append(items, s.hitItems()...)
	items = append(items, s.noteItems()...)
	s.drawLegend(append(items, s.kindItems()...))
}

// kindItems explain the shapes of the flags.
func (s *sheet) kindItems() []legendItem {
	var items []legendItem
	for i, k := range s.kinds {
		if k != "" && i < shapes {
			items = append(items, legendItem{26, k, func(x, y float64) {
				s.shape(i, x+13, y, flagRadius, `fill="`+ink+`"`)
			}})
		}
	}
	return items
}

func (s *sheet) drawLegend(items []legendItem) {
	x, y := margin, s.bottom+22
	for _, it := range items {
		w := it.width + 8 + textWidth(it.words, 16)
		if x+w > plotRight {
			x, y = margin, y+34
		}
		it.draw(x, y)
		s.text(x+it.width+8, y+6, "n", it.words)
		x += w + 26
	}
	if len(items) > 0 {
		s.bottom = y + 26
	}
}

func (s *sheet) cutItems() []legendItem {
	var items []legendItem
	for _, k := range []struct {
		kind  cutlist.Kind
		words string
	}{{cutlist.HardCut, "cut"}, {cutlist.Dissolve, "dissolve"}, {cutlist.Wipe, "wipe"}, {cutlist.FadeOut, "fade-out"}, {cutlist.FadeIn, "fade-in"}} {
		if !hasKind(s.p.Cuts, k.kind) {
			continue
		}
		items = append(items, legendItem{24, k.words, func(x, y float64) { s.drawCutSymbol(k.kind, x, y) }})
	}
	return items
}

func (s *sheet) drawCutSymbol(kind cutlist.Kind, x, y float64) {
	if kind == cutlist.HardCut {
		s.drawCut(kind, x+12, x+12, y-13, 26)
		return
	}
	s.drawCut(kind, x, x+24, y-13, 26)
}

func hasKind(cuts []cutlist.Cut, kind cutlist.Kind) bool {
	for _, c := range cuts {
		if c.Kind == kind {
			return true
		}
	}
	return false
}

func (s *sheet) hitItems() []legendItem {
	var must, want, missed bool
	for _, h := range s.p.Hits {
		must, want, missed = must || h.Must, want || !h.Must, missed || !h.Caught
	}
	var items []legendItem
	add := func(has, must, caught bool, words string) {
		if has {
			items = append(items, legendItem{22, words, func(x, y float64) { s.drawHitMark(x+11, y, must, caught) }})
		}
	}
	add(must, true, true, "must hit")
	add(want, false, true, "wanted hit")
	add(missed, false, false, "missed")
	return items
}

func (s *sheet) noteItems() []legendItem {
	written, sung := false, false
	for _, l := range s.p.Layers {
		written, sung = written || len(l.Targets) > 0, sung || len(l.Sung) > 0
	}
	sc := scale{0, 1, 0, 0}
	at := func(y float64) scale { sc.top, sc.bottom = y, y; return sc }
	bar := func(x, y, cents float64) {
		s.rect(x, y-boxHalf, 40, 2*boxHalf, `rx="2.5" fill="`+paper+`" stroke="`+ink+`" stroke-width="1.3"`)
		fill := blue
		if cents != 0 {
			fill = vermilion
		}
		y -= cents * pixelsACent
		s.rect(x, y-sungHalf, 40, 2*sungHalf, `rx="2" fill="`+fill+`"`)
		if cents != 0 {
			s.drawAway(x+20, y, cents > 0)
		}
	}
	var items []legendItem
	if written {
		items = append(items, legendItem{40, "written note, 25 cents to each side", func(x, y float64) {
			s.rect(x, at(y).top-boxHalf, 40, 2*boxHalf, `rx="2.5" fill="`+paper+`" stroke="`+ink+`" stroke-width="1.3"`)
		}})
	}
	if sung {
		items = append(items,
			legendItem{40, "sung in tune", func(x, y float64) { bar(x, y, 0) }},
			legendItem{40, "sharp", func(x, y float64) { bar(x, y+4, 40) }},
			legendItem{40, "flat", func(x, y float64) { bar(x, y-4, -40) }},
			legendItem{40, "not sung", func(x, y float64) {
				s.rect(x, y-boxHalf, 40, 2*boxHalf, `rx="2.5" fill="none" stroke="`+vermilion+`" stroke-width="2" stroke-dasharray="5 3"`)
			}})
	}
	return items
}

// findings lists the flags in words, one a line: words cut short would send
// the reader elsewhere.
func (s *sheet) findings() {
	n := len(s.flags)
	if n == 0 {
		return
	}
	if s.unflagged > 0 {
		s.left = append(s.left, fmt.Sprintf("%d of %d findings", s.unflagged, n+s.unflagged))
	}
	s.bottom += 12
	s.text(margin, s.bottom+18, "name", "To mend")
	const line = 31.0
	for i, f := range s.flags {
		y := s.bottom + 44 + float64(i)*line
		s.drawFlag(f, margin+13, y)
		s.text(margin+34, y+6, "t", fit(f.where+": "+f.words, 17, sheetWidth-2*margin-50))
	}
	s.bottom += 44 + float64(n)*line
}

// foot closes the sheet: what the job measured, and what was left out.
func (s *sheet) foot(lines []string) {
	lines = bounded(s, lines, maxFoot, "lines below")
	if s.undrawn > 0 {
		s.left = append(s.left, fmt.Sprintf("%d of %d notes", s.undrawn, s.notes+s.undrawn))
	}
	if len(s.left) > 0 {
		lines = append([]string(nil), lines...)
		const perLine = 3
		for at := 0; at < len(s.left); at += perLine {
			lines = append(lines, "Not drawn for want of room: "+strings.Join(s.left[at:min(at+perLine, len(s.left))], "; "))
		}
	}
	if len(lines) == 0 {
		return
	}
	s.bottom += 10
	s.line(margin, s.bottom, plotRight, s.bottom, `stroke="`+ink+`" stroke-width="2"`)
	for _, l := range lines {
		s.bottom += 30
		s.text(margin, s.bottom, "t", label(l, maxTextCols))
	}
	s.bottom += 12
}
