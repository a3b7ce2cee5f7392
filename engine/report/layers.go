package report

import (
	"fmt"
	"math"
	"sort"
)

// A written note is a box of 25 cents to each side; what was sung is drawn at
// the same scale, so a bar that leaves its box is out by more than 25 cents.
const (
	inTuneCents  = 25.0
	pixelsACent  = 0.22
	boxHalf      = inTuneCents * pixelsACent
	sungHalf     = 2.6
	clampCents   = 60.0 // further out is drawn here, with its triangle
	leastPixels  = 2.5
	leastSpan    = 7.0 // semitones that a row shows at least
	flagRadius   = 11.0
	labelColumns = 15
)

// row is where a layer stands.
type row struct{ top, height float64 }

// layerRows shares out the height: fewer layers are taller.
func layerRows(layers []Layer, top float64) []row {
	height := 104.0
	switch n := len(layers); {
	case n > 24:
		height = 62
	case n > 12:
		height = 76
	case n > 6:
		height = 90
	}
	rows := make([]row, len(layers))
	for i := range rows {
		rows[i] = row{top + float64(i)*height, height}
	}
	return rows
}

// scale puts keys into a row.
type scale struct {
	low, high   float64 // keys
	top, bottom float64
}

func (l *Layer) scale(r row) scale {
	low, high := math.Inf(1), math.Inf(-1)
	see := func(k float64) {
		if finite(k) {
			low, high = math.Min(low, k), math.Max(high, k)
		}
	}
	for _, t := range l.Targets {
		see(t.Key)
	}
	for _, n := range l.Sung {
		see(n.Key)
	}
	if l.Unpitched || low > high {
		low, high = 0, 0
	}
	if less := leastSpan - (high - low); less > 0 {
		low, high = low-less/2, high+less/2
	}
	const room = 2*flagRadius + 4 // for flags above the notes
	return scale{low, high, r.top + room + boxHalf, r.top + r.height - clampCents*pixelsACent - sungHalf - 11}
}

func (sc scale) y(key float64, unpitched bool) float64 {
	if unpitched || !finite(key) {
		return (sc.top + sc.bottom) / 2
	}
	return sc.bottom - (key-sc.low)/(sc.high-sc.low)*(sc.bottom-sc.top)
}

func (s *sheet) drawLayer(l *Layer, r row) {
	targets, sung := budget(s, l.Targets), budget(s, l.Sung)
	sc := (&Layer{Unpitched: l.Unpitched, Targets: targets, Sung: sung}).scale(r)
	s.line(margin, r.top, plotRight, r.top, `stroke="`+inkSoft+`" stroke-width="1"`)
	s.text(margin, r.top+r.height/2-2, "name", label(l.Name, labelColumns))
	s.text(margin, r.top+r.height/2+19, "s", fit(l.Group, 16, plotLeft-margin-8))
	heard := coverage(sung)
	for _, t := range targets {
		s.drawTarget(t, sc, l.Unpitched, len(sung) > 0 && !heard.touches(t.Start, t.End))
	}
	for _, n := range sung {
		s.drawSung(n, sc, l.Unpitched)
	}
	for _, f := range l.Findings {
		s.addFlag(l, f, r)
	}
}

// budget cuts notes to what may still be drawn on the sheet.
func budget[T any](s *sheet, notes []T) []T {
	n := min(len(notes), maxNotes-s.notes)
	s.notes += n
	s.undrawn += len(notes) - n
	return notes[:n]
}

// span clips a note to the strip; ok is false outside of it.
func (s *sheet) span(start, end int64) (x0, x1 float64, ok bool) {
	last := s.origin + s.samples
	if end <= start || end < s.origin || start > last {
		return 0, 0, false
	}
	x0, x1 = s.x(max(start, s.origin)), s.x(min(end, last))
	return x0, math.Max(x1, x0+leastPixels), true
}

// drawTarget outlines a written note; dashed when nothing was sung there.
func (s *sheet) drawTarget(t Target, sc scale, unpitched, unsung bool) {
	x0, x1, ok := s.span(t.Start, t.End)
	if !ok {
		return
	}
	attrs := `rx="2.5" fill="` + paper + `" fill-opacity="0.8" stroke="` + ink + `" stroke-width="1.3"`
	if unsung {
		attrs = `rx="2.5" fill="none" stroke="` + vermilion + `" stroke-width="2" stroke-dasharray="5 3"`
	}
	s.rect(x0, sc.y(t.Key, unpitched)-boxHalf, x1-x0, 2*boxHalf, attrs)
}

// drawSung draws a sung note at its distance from the written one. Out of the
// box it turns to another colour and carries a triangle that points where it
// went.
func (s *sheet) drawSung(n Sung, sc scale, unpitched bool) {
	x0, x1, ok := s.span(n.Start, n.End)
	if !ok || !finite(n.Cents) {
		return
	}
	cents := n.Cents
	if unpitched {
		cents = 0
	}
	drawn := math.Max(-clampCents, math.Min(clampCents, cents))
	y := sc.y(n.Key, unpitched) - drawn*pixelsACent
	words := label(n.Verdict, 40)
	if !unpitched {
		words = fmt.Sprintf("%+.0f cents %s", n.Cents, words)
	}
	s.told(words, func() {
		if math.Abs(cents) <= inTuneCents {
			s.rect(x0, y-sungHalf, x1-x0, 2*sungHalf, `rx="2" fill="`+blue+`"`)
			return
		}
		s.rect(x0, y-sungHalf, x1-x0, 2*sungHalf, `rx="2" fill="`+vermilion+`"`)
		s.drawAway((x0+x1)/2, y, cents > 0)
	})
}

// drawAway is the triangle over a sharp note or under a flat one.
func (s *sheet) drawAway(x, y float64, sharp bool) {
	const w, h = 5.5, 8.0
	d := sungHalf + 1
	if sharp {
		s.poly(`fill="`+vermilion+`"`, x-w, y-d, x+w, y-d, x, y-d-h)
		return
	}
	s.poly(`fill="`+vermilion+`"`, x-w, y+d, x+w, y+d, x, y+d+h)
}

// spans are stretches of time, sorted and joined.
type spans [][2]int64

func coverage(sung []Sung) spans {
	all := make(spans, 0, len(sung))
	for _, n := range sung {
		if n.End > n.Start {
			all = append(all, [2]int64{n.Start, n.End})
		}
	}
	sort.Slice(all, func(i, j int) bool { return all[i][0] < all[j][0] })
	joined := all[:0]
	for _, a := range all {
		if n := len(joined); n > 0 && a[0] <= joined[n-1][1] {
			joined[n-1][1] = max(joined[n-1][1], a[1])
		} else {
			joined = append(joined, a)
		}
	}
	return joined
}

func (sp spans) touches(start, end int64) bool {
	i := sort.Search(len(sp), func(i int) bool { return sp[i][1] > start })
	return i < len(sp) && sp[i][0] < end
}
