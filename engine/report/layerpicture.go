package report

import (
	"fmt"
	"io"
	"math"

	"cuechoir/engine/timecode"
)

// LayerPicture is one layer's pitch against what is written, over a stretch of
// samples.
type LayerPicture struct {
	Title      string
	Rate       timecode.Rate
	SampleRate int   // Hz; 0 is 48000
	From, To   int64 // samples: the stretch to draw
	Bars       []Bar
	Targets    []Target
	Trace      []Point
	Drift      Drift
	Findings   []Finding
	Foot       []string
}

// Drift is how a layer moves in pitch as a whole, in cents from what is
// written: its notes, the curve through them, and a straight line with its
// values at both ends of the picture.
type Drift struct {
	Notes, Curve       []Point
	FromCents, ToCents float64
}

func (d Drift) drawn() bool { return len(d.Notes) > 0 && finite(d.FromCents) && finite(d.ToCents) }

// at is the line at a share of the picture.
func (d Drift) at(share float64) float64 { return d.FromCents + share*(d.ToCents-d.FromCents) }

// Point is the pitch at a moment. Cents are absolute, 6900 for A4. A point
// that is not finite, or of Confidence 0, breaks the line: nothing was voiced
// there. Below half confidence the line is thin.
type Point struct {
	Sample     int64
	Cents      float64
	Confidence float64
}

// Bounds and places of the layer picture.
const (
	maxPoints      = 200_000
	semitonePixels = 30.0
	leastSemitones = 8
	mostSemitones  = 30
	sureEnough     = 0.5
	gapSeconds     = 0.05 // a longer hole in the trace breaks its line
)

// LayerSVG draws a layer's pitch trace against its written notes. The only
// errors are those of w.
func LayerSVG(w io.Writer, p LayerPicture) error {
	s := newSheet(Picture{Rate: p.Rate, SampleRate: p.SampleRate, Bars: p.Bars})
	s.samples = 0
	const longest = 1 << 46
	if p.To > p.From && p.From > -longest && p.To < longest {
		s.origin, s.samples = p.From, p.To-p.From
	}
	p.Targets = budget(s, p.Targets)
	p.Trace = bounded(s, p.Trace, maxPoints, "points of pitch")
	p.Drift.Notes = bounded(s, p.Drift.Notes, maxPoints, "notes of the drift")
	p.Drift.Curve = bounded(s, p.Drift.Curve, maxPoints, "points of the drift")
	s.header(p.Title, fmt.Sprintf("pitch as sung against the written notes  ·  %.1f s", float64(s.samples)/float64(s.p.SampleRate)))
	if s.samples > 0 {
		s.drawLayerPlot(p)
	} else {
		s.text(margin, plotTop+30, "t", "There is no stretch to draw.")
		s.bottom = plotTop + 50
	}
	s.layerLegend(p)
	s.findings()
	s.foot(p.Foot)
	return s.write(w, p.Title, sheetWidth, s.bottom+margin/2)
}

func (s *sheet) drawLayerPlot(p LayerPicture) {
	low, high := keySpan(p)
	top := plotTop + barHeight
	const room = 2*flagRadius + 10
	bottom := top + room + float64(high-low)*semitonePixels
	y := func(key float64) float64 { return bottom - (key-float64(low))*semitonePixels }
	s.drawKeys(low, high, y)
	s.drawBars(plotTop, bottom)
	for _, t := range p.Targets {
		if x0, x1, ok := s.span(t.Start, t.End); ok && finite(t.Key) {
			half := inTuneCents / 100 * semitonePixels
			s.rect(x0, y(t.Key)-half, x1-x0, 2*half, `rx="3" fill="`+paper+`" stroke="`+ink+`" stroke-width="1.6"`)
			s.line(x0, y(t.Key), x1, y(t.Key), `stroke="`+inkSoft+`" stroke-width="1" stroke-dasharray="2 4"`)
		}
	}
	inside := func(key float64) bool { return key >= float64(low)-0.5 && key <= float64(high)+0.5 }
	s.drawTrace(p.Trace, func(cents float64) (float64, bool) { return y(cents / 100), inside(cents / 100) })
	s.drawDriftOver(p, y)
	s.rect(plotLeft, top, plotRight-plotLeft, bottom-top+semitonePixels/2, `fill="none" stroke="`+inkSoft+`" stroke-width="1.5"`)
	l := Layer{Name: p.Title}
	for _, f := range p.Findings {
		s.addFlag(&l, f, row{top, room})
	}
	s.bottom = bottom + semitonePixels/2 + 14
	if p.Drift.drawn() {
		s.drawDrift(p.Drift)
	}
}

// keySpan is the range of keys to draw: all that is written, and what is sung
// as far as it is near.
func keySpan(p LayerPicture) (low, high int) {
	lo, hi := math.Inf(1), math.Inf(-1)
	see := func(k float64) {
		if k >= 0 && k <= 127 {
			lo, hi = math.Min(lo, k), math.Max(hi, k)
		}
	}
	for _, t := range p.Targets {
		see(t.Key)
	}
	if lo > hi {
		for _, pt := range p.Trace {
			if pt.Confidence >= sureEnough {
				see(pt.Cents / 100)
			}
		}
	}
	if lo > hi {
		lo, hi = 60, 60
	}
	low, high = int(math.Floor(lo))-1, int(math.Ceil(hi))+1
	for high-low < leastSemitones {
		low, high = low-1, high+1
	}
	return low, min(high, low+mostSemitones)
}

// drawKeys rules a line a semitone, bands the black keys and names them all.
func (s *sheet) drawKeys(low, high int, y func(float64) float64) {
	names := [12]string{"C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B"}
	for k := low; k <= high; k++ {
		pc := ((k % 12) + 12) % 12
		if len(names[pc]) > 1 {
			s.rect(plotLeft, y(float64(k))-semitonePixels/2, plotRight-plotLeft, semitonePixels, `fill="`+band+`"`)
		}
		s.line(plotLeft, y(float64(k)), plotRight, y(float64(k)), `stroke="`+rule+`" stroke-width="1"`)
		s.text(plotLeft-12, y(float64(k))+6, "n e", fmt.Sprintf("%s%d", names[pc], (k-pc)/12-1))
	}
}

// drawTrace draws the pitch in runs of one thickness, with no line over holes.
func (s *sheet) drawTrace(trace []Point, y func(cents float64) (float64, bool)) {
	var xy []float64
	sure := false
	last := int64(math.MinInt64)
	gap := int64(gapSeconds * float64(s.p.SampleRate))
	flush := func() {
		attrs := `fill="none" stroke="` + blue + `" stroke-width="3" stroke-linejoin="round" stroke-linecap="round"`
		if !sure {
			attrs = `fill="none" stroke="` + blue + `" stroke-width="1.2" stroke-dasharray="3 3"`
		}
		if len(xy) > 2 {
			s.trace(attrs, xy...)
		}
		xy = xy[:0]
	}
	for _, p := range trace {
		at, ok := y(p.Cents)
		if !ok || !finite(at) || !(p.Confidence > 0) || !s.inside(p.Sample) {
			flush()
			continue
		}
		if len(xy) > 0 && (p.Sample-last > gap || p.Sample < last || (p.Confidence >= sureEnough) != sure) {
			joined := p.Sample >= last && p.Sample-last <= gap
			x, yy := xy[len(xy)-2], xy[len(xy)-1]
			flush()
			if joined {
				xy = append(xy, x, yy)
			}
		}
		sure, last = p.Confidence >= sureEnough, p.Sample
		xy = append(xy, s.x(p.Sample), at)
	}
	flush()
}

func (s *sheet) layerLegend(p LayerPicture) {
	var items []legendItem
	if len(p.Targets) > 0 {
		items = append(items, legendItem{40, "written note, 25 cents to each side", func(x, y float64) {
			s.rect(x, y-8, 40, 16, `rx="3" fill="`+paper+`" stroke="`+ink+`" stroke-width="1.6"`)
		}})
	}
	if len(p.Trace) > 0 {
		items = append(items,
			legendItem{40, "sung", func(x, y float64) { s.line(x, y, x+40, y, `stroke="`+blue+`" stroke-width="3"`) }},
			legendItem{40, "sung, the reading is unsure", func(x, y float64) {
				s.line(x, y, x+40, y, `stroke="`+blue+`" stroke-width="1.2" stroke-dasharray="3 3"`)
			}})
	}
	if p.Drift.drawn() {
		items = append(items, s.driftItems()...)
	}
	s.drawLegend(append(items, s.kindItems()...))
}
