package report

import (
	"fmt"
	"io"
	"math"
)

// MatchPicture is a stem's loudness curve and accents beside the reference's.
// Points of both curves are dBFS, Window samples apart; accents and shots are
// samples.
type MatchPicture struct {
	Title                       string
	SampleRate, Window          int
	Samples                     int64
	GainDB                      float64 // laid on the stem before it is drawn
	Reference, Stem             []float64
	ReferenceAccent, StemAccent []int64
	Shots                       []MatchShot
}

// MatchShot is a stretch and what is told of it; Wrong marks a finding.
type MatchShot struct {
	From, To    int64
	Name, Words string
	Wrong       bool
}

const (
	matchTop, matchBottom = 130.0, 430.0
	matchFloorDB          = -60.0
	matchAccents          = 470.0
	matchList             = 560.0
	matchLine             = 26.0
	maxMatchPoints        = 4000
	maxMatchShots         = 2000
)

// MatchSVG draws a MatchPicture: the reference's curve is solid and its
// accents point down, the stem's curve is dashed and its accents point up.
func MatchSVG(w io.Writer, p MatchPicture) error {
	s := newSheet(Picture{SampleRate: p.SampleRate})
	s.samples = max(1, p.Samples)
	p.Shots = bounded(s, p.Shots, maxMatchShots, "shots")
	p.ReferenceAccent = bounded(s, p.ReferenceAccent, maxHits*4, "accents")
	p.StemAccent = bounded(s, p.StemAccent, maxHits*4, "accents")
	s.header(p.Title+": the stem beside the reference", fmt.Sprintf("solid: reference  ·  dashed: stem, after %+.1f dB over the whole  ·  triangles: accents, reference above, stem below", p.GainDB))
	for i, x := range p.Shots {
		fill := paper
		if i%2 == 0 {
			fill = band
		}
		s.told(x.Name+": "+x.Words, func() {
			s.rect(s.x(x.From), matchTop, s.x(x.To)-s.x(x.From), matchAccents+30-matchTop, `fill="`+fill+`"`)
		})
		s.text(s.x(x.From)+3, matchTop-8, "s", fit(x.Name, 16, s.x(x.To)-s.x(x.From)))
	}
	for db := matchFloorDB; db <= 0; db += 20 {
		y := matchY(db)
		s.line(plotLeft, y, plotRight, y, `stroke="`+rule+`"`)
		s.text(plotLeft-8, y+5, "s e", fmt.Sprintf("%.0f dB", db))
	}
	s.matchCurve(p, p.Reference, `fill="none" stroke="`+blue+`" stroke-width="2"`)
	s.matchCurve(p, p.Stem, `fill="none" stroke="`+vermilion+`" stroke-width="2" stroke-dasharray="6 3"`)
	for _, a := range p.ReferenceAccent {
		x := s.x(a)
		s.poly(`fill="`+blue+`"`, x-4, matchAccents-14, x+4, matchAccents-14, x, matchAccents)
	}
	for _, a := range p.StemAccent {
		x := s.x(a)
		s.poly(`fill="`+vermilion+`"`, x-4, matchAccents+16, x+4, matchAccents+16, x, matchAccents+2)
	}
	y := matchList
	for _, x := range p.Shots {
		if x.Wrong {
			s.text(margin, y, "t", fit(x.Name+": "+x.Words, 18, sheetWidth-2*margin))
			y += matchLine
		}
	}
	for _, left := range s.left {
		s.text(margin, y, "s", "not drawn: "+left)
		y += matchLine
	}
	return s.write(w, p.Title, sheetWidth, y+margin/2)
}

func matchY(db float64) float64 {
	if math.IsNaN(db) {
		db = matchFloorDB
	}
	db = min(0, max(matchFloorDB, db))
	return matchTop + (matchBottom-matchTop)*db/matchFloorDB
}

// matchCurve draws the loudest of as many windows as one point stands for.
func (s *sheet) matchCurve(p MatchPicture, curve []float64, attrs string) {
	each := len(curve)/maxMatchPoints + 1
	var xy []float64
	for i := 0; i < len(curve); i += each {
		top := math.Inf(-1)
		for _, v := range curve[i:min(len(curve), i+each)] {
			top = max(top, v)
		}
		at := int64(i)*int64(p.Window) + int64(each*p.Window)/2
		if at <= s.samples {
			xy = append(xy, s.x(at), matchY(top))
		}
	}
	s.trace(attrs, xy...)
}
