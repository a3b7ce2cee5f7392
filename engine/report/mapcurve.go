package report

import (
	"fmt"
	"math"
)

// TempoPoint is a corner of the tempo curve. Two points at one sample are a
// step; a BPM of 0 breaks the curve, where a beat is held.
type TempoPoint struct {
	Sample int64
	BPM    float64
}

const (
	maxTempo    = 40000
	curveHeight = 92.0
	offHeight   = 92.0
	laneInset   = 16.0 // above and below what a lane draws
)

// curveRows is how high the lanes of the map's own curve are: none without one.
func (s *sheet) curveRows() float64 {
	if len(s.p.Tempo) == 0 {
		return 0
	}
	if len(s.p.Hits) == 0 {
		return curveHeight + rowGap
	}
	return curveHeight + offHeight + 2*rowGap
}

// drawCurves draws the tempo, and below it how far off each hit is.
func (s *sheet) drawCurves(top float64) {
	if len(s.p.Tempo) == 0 {
		return
	}
	s.drawTempo(top)
	if len(s.p.Hits) > 0 {
		s.drawOff(top + curveHeight + rowGap)
	}
}

// tempoSpan is the span of the curve in BPM, never under 4, so that a hair's
// breadth does not look like a leap.
func (s *sheet) tempoSpan() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, p := range s.p.Tempo {
		if finite(p.BPM) && p.BPM > 0 && s.inside(p.Sample) {
			low, high = min(low, p.BPM), max(high, p.BPM)
		}
	}
	if low > high {
		return 98, 102
	}
	if room := 4 - (high - low); room > 0 {
		low, high = low-room/2, high+room/2
	}
	return low, high
}

func (s *sheet) drawTempo(top float64) {
	low, high := s.tempoSpan()
	y := func(bpm float64) float64 {
		return top + curveHeight - laneInset - (curveHeight-2*laneInset)*(bpm-low)/(high-low)
	}
	s.text(margin, top+24, "name", "Tempo")
	for _, bpm := range []float64{low, high} {
		s.line(plotLeft, y(bpm), plotRight, y(bpm), `stroke="`+rule+`" stroke-width="1" stroke-dasharray="2 5"`)
		s.text(plotLeft-10, y(bpm)+6, "s e", tempoWords(bpm))
	}
	var xy []float64
	flush := func() {
		if len(xy) >= 4 {
			s.trace(`fill="none" stroke="`+ink+`" stroke-width="2.5" stroke-linejoin="round"`, xy...)
		}
		xy = xy[:0]
	}
	for _, p := range bounded(s, s.p.Tempo, maxTempo, "corners of the tempo") {
		switch {
		case !finite(p.BPM) || p.BPM <= 0:
			flush()
		case s.inside(p.Sample):
			xy = append(xy, s.x(p.Sample), y(p.BPM))
		}
	}
	flush()
}

// offSpan is the span of the lane of errors in frames, each way.
func (s *sheet) offSpan() float64 {
	const least, most = 1.0, 6.0
	span := least
	for _, h := range s.p.Hits {
		if finite(h.ErrorFrames) {
			span = max(span, math.Abs(h.ErrorFrames))
		}
	}
	return min(span, most)
}

// drawOff draws how far the music is off each hit: up is late, down is early;
// an arrow's head where it leaves the lane.
func (s *sheet) drawOff(top float64) {
	span := s.offSpan()
	middle, reach := top+offHeight/2, offHeight/2-laneInset
	s.text(margin, middle+7, "name", "Off hits")
	s.text(plotLeft-10, middle-reach+6, "s e", fmt.Sprintf("late %s f", num(span)))
	s.text(plotLeft-10, middle+reach+6, "s e", fmt.Sprintf("early %s f", num(span)))
	s.line(plotLeft, middle, plotRight, middle, `stroke="`+inkSoft+`" stroke-width="1.5"`)
	for _, h := range s.p.Hits {
		if h.Frame < 0 || h.Frame > s.p.Frames || !finite(h.ErrorFrames) {
			continue
		}
		s.told(hitWords(h), func() { s.drawOffMark(s.xFrame(h.Frame), middle, reach, span, h) })
	}
}

func (s *sheet) drawOffMark(x, middle, reach, span float64, h Hit) {
	off := min(max(h.ErrorFrames, -span), span)
	y := middle - reach*off/span
	colour := blue
	if !h.Caught {
		colour = vermilion
	}
	s.line(x, middle, x, y, `stroke="`+colour+`" stroke-width="4"`)
	const r = 5.0
	switch {
	case off != h.ErrorFrames:
		tip := math.Copysign(9, off)
		s.poly(`fill="`+colour+`"`, x-7, y+tip/2, x+7, y+tip/2, x, y-tip)
	case h.Must:
		s.rect(x-r, y-r, 2*r, 2*r, `fill="`+colour+`"`)
	default:
		s.rect(x-r, y-r, 2*r, 2*r, `fill="`+paper+`" stroke="`+colour+`" stroke-width="2"`)
	}
}
