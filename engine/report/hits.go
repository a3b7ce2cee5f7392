package report

import (
	"fmt"
	"sort"
)

// placedHit is a hit with the lane its words stand in; lane -1 has no room.
type placedHit struct {
	Hit
	x     float64
	words string
	lane  int
}

const (
	hitMark     = 26.0 // height of the marks' own row
	hitWordSize = 16.0
)

// placeHits gives each hit's words the first lane where they fit, must-hits
// first.
func (s *sheet) placeHits() []placedHit {
	var hits []placedHit
	for _, h := range s.p.Hits {
		if h.Frame >= 0 && h.Frame <= s.p.Frames {
			hits = append(hits, placedHit{Hit: h, x: s.xFrame(h.Frame), words: hitWords(h), lane: -1})
		}
	}
	order := make([]int, len(hits))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool {
		l, r := hits[order[a]], hits[order[b]]
		if l.Must != r.Must {
			return l.Must
		}
		return l.Frame < r.Frame
	})
	var taken [hitLanes][][2]float64
	nameless := 0
	for _, i := range order {
		h := &hits[i]
		from := h.left()
		to := from + textWidth(h.words, hitWordSize) + 14
		for lane := range taken {
			if free(taken[lane], from, to) {
				h.lane = lane
				taken[lane] = append(taken[lane], [2]float64{from, to})
				break
			}
		}
		if h.lane < 0 {
			nameless++
		}
	}
	if nameless > 0 {
		s.left = append(s.left, fmt.Sprintf("the names of %d hits (each mark tells its own)", nameless))
	}
	return hits
}

func free(taken [][2]float64, from, to float64) bool {
	for _, t := range taken {
		if from < t[1] && t[0] < to {
			return false
		}
	}
	return true
}

// left is where the words begin: right of the mark, or left of it near the
// end.
func (h *placedHit) left() float64 {
	const gap = 6.0
	width := textWidth(h.words, hitWordSize)
	if h.x+gap+width > plotRight {
		return h.x - gap - width
	}
	return h.x + gap
}

func hitWords(h Hit) string {
	words := label(h.Name, 24)
	if h.Place != "" {
		words += " " + label(h.Place, 10)
	}
	off := "exact"
	if finite(h.ErrorFrames) && h.ErrorFrames != 0 {
		off = fmt.Sprintf("%+.2f f", h.ErrorFrames)
	}
	if !h.Caught {
		off = "missed " + off
		if h.ErrorFrames == 0 {
			off = "missed"
		}
	}
	if words == "" {
		return off
	}
	return words + ", " + off
}

func hitRowHeight(hits []placedHit) float64 {
	lanes := 1
	for _, h := range hits {
		lanes = max(lanes, h.lane+1)
	}
	return hitMark + float64(lanes)*laneHeight
}

// drawHitLines runs each hit down through the layers: must whole, want dotted.
func (s *sheet) drawHitLines(top, bottom float64) {
	for _, h := range s.p.Hits {
		if h.Frame < 0 || h.Frame > s.p.Frames {
			continue
		}
		x := s.xFrame(h.Frame)
		dash := ""
		if !h.Must {
			dash = ` stroke-dasharray="3 6"`
		}
		s.line(x, top, x, bottom, `stroke="`+blue+`" stroke-opacity="0.55" stroke-width="1.6"`+dash)
	}
}

func (s *sheet) drawHits(hits []placedHit, top float64) {
	s.text(margin, top+19, "name", "Hits")
	for _, h := range hits {
		s.told(h.words, func() {
			if h.lane >= 0 {
				y := top + hitMark + float64(h.lane)*laneHeight
				// Words stand on paper of their own, so that lines do not cross them.
				s.rect(h.left()-3, y, textWidth(h.words, hitWordSize)+4, laneHeight-2, `fill="`+paper+`"`)
				s.line(h.x, y-2, h.x, y+laneHeight-2, `stroke="`+blue+`" stroke-width="2.5"`)
				s.text(h.left(), y+16, "n", h.words)
			}
			s.drawHitMark(h.x, top+12, h.Must, h.Caught)
		})
	}
}

// drawHitMark: a diamond, filled for must, hollow for want; a cross over it
// when it is missed.
func (s *sheet) drawHitMark(x, y float64, must, caught bool) {
	const r = 9.0
	fill := paper
	if must {
		fill = blue
	}
	s.poly(`fill="`+fill+`" stroke="`+blue+`" stroke-width="2.5"`, x-r, y, x, y-r, x+r, y, x, y+r)
	if !caught {
		const c = 10.0
		for _, under := range []string{`stroke="` + paper + `" stroke-width="6"`, `stroke="` + vermilion + `" stroke-width="3"`} {
			s.line(x-c, y-c, x+c, y+c, under)
			s.line(x-c, y+c, x+c, y-c, under)
		}
	}
}
