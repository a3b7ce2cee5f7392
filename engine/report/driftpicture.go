package report

import (
	"fmt"
	"math"
)

// The strip of the drift under the pitch.
const (
	driftHeight  = 150.0
	driftLeast   = 30.0 // cents to each side that it shows at least
	driftMost    = 200.0
	driftPen     = `fill="none" stroke="` + vermilion + `" stroke-width="2.5"`
	driftLinePen = `stroke="` + vermilion + `" stroke-width="2" stroke-dasharray="9 5"`
)

// drawDriftOver draws where the drift's line would have each written note.
func (s *sheet) drawDriftOver(p LayerPicture, y func(key float64) float64) {
	if !p.Drift.drawn() {
		return
	}
	for _, t := range p.Targets {
		x0, x1, ok := s.span(t.Start, t.End)
		if !ok || !finite(t.Key) {
			continue
		}
		share := func(x float64) float64 { return (x - plotLeft) / (plotRight - plotLeft) }
		s.line(x0, y(t.Key+p.Drift.at(share(x0))/100), x1, y(t.Key+p.Drift.at(share(x1))/100), driftLinePen)
	}
}

// drawDrift draws the notes' deviations with their line and curve.
func (s *sheet) drawDrift(d Drift) {
	reach := driftLeast
	for _, p := range d.Notes {
		if finite(p.Cents) {
			reach = math.Max(reach, math.Abs(p.Cents)+5)
		}
	}
	reach = math.Min(reach, driftMost)
	top := s.bottom + 8
	bottom := top + driftHeight
	y := func(cents float64) float64 {
		return (top+bottom)/2 - math.Max(-reach, math.Min(reach, cents))/reach*driftHeight/2
	}
	s.rect(plotLeft, y(inTuneCents), plotRight-plotLeft, y(-inTuneCents)-y(inTuneCents), `fill="`+band+`"`)
	s.line(plotLeft, y(0), plotRight, y(0), `stroke="`+rule+`" stroke-width="1.5"`)
	s.text(plotLeft-12, y(0)+6, "n e", "0")
	for _, c := range []float64{inTuneCents, -inTuneCents} {
		s.text(plotLeft-12, y(c)+6, "n e", fmt.Sprintf("%+.0f", c))
	}
	s.text(margin, top+22, "name", "drift")
	s.text(margin, top+44, "s", "cents")
	for _, p := range d.Notes {
		if s.inside(p.Sample) && finite(p.Cents) {
			s.shape(0, s.x(p.Sample), y(p.Cents), 3.5, `fill="`+blue+`"`)
		}
	}
	var xy []float64
	for _, p := range d.Curve {
		if s.inside(p.Sample) && finite(p.Cents) {
			xy = append(xy, s.x(p.Sample), y(p.Cents))
		}
	}
	if len(xy) > 2 {
		s.trace(driftPen, xy...)
	}
	s.line(plotLeft, y(d.FromCents), plotRight, y(d.ToCents), driftLinePen)
	s.rect(plotLeft, top, plotRight-plotLeft, driftHeight, `fill="none" stroke="`+inkSoft+`" stroke-width="1.5"`)
	s.bottom = bottom + 14
}

func (s *sheet) driftItems() []legendItem {
	return []legendItem{
		{40, "line of the drift", func(x, y float64) { s.line(x, y, x+40, y, driftLinePen) }},
		{40, "its curve", func(x, y float64) { s.trace(driftPen, x, y+5, x+20, y-4, x+40, y) }},
		{12, "a note's cents", func(x, y float64) { s.shape(0, x+6, y, 3.5, `fill="`+blue+`"`) }},
	}
}
