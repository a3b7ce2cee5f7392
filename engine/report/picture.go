// Package report turns plain values into text that people look at: a picture
// of the whole job as SVG, a picture of one layer's pitch, and tables. It
// reads no files and gives the same bytes for the same values.
package report

import (
	"fmt"
	"io"
	"math"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// Picture is the job as it stands: the reference's cuts, the map's bars, the
// hits and how well they are met, and each layer's notes as written and sung.
// Samples count from the reference's first; what lies outside 0 to Frames is
// not drawn. The zero value is an empty picture.
type Picture struct {
	Title      string
	Rate       timecode.Rate
	Frames     int64 // length of the reference
	Start      int64 // time code of frame 0, as a frame count from 00:00:00:00
	SampleRate int   // Hz; 0 is 48000
	Cuts       []cutlist.Cut
	Bars       []Bar
	Tempo      []TempoPoint // the map's own curve; nil leaves its lanes out
	Hits       []Hit
	Layers     []Layer
	Foot       []string // lines at the bottom: loudness, peak, length
}

// Bar is a bar line. BPM and Metre are written where they change.
type Bar struct {
	Number int
	Sample int64
	BPM    float64
	Metre  string
}

// Hit is a frame that the music must land on, or wants to.
type Hit struct {
	Frame       int64
	Must        bool
	Name, Place string  // Place: bar and beat, such as "9.1"
	ErrorFrames float64 // how far the music is off; signed
	Caught      bool
}

// Layer is one line: what is written and what was sung.
type Layer struct {
	Name, Group string
	Unpitched   bool // notes have no height
	Targets     []Target
	Sung        []Sung
	Findings    []Finding
}

// Target is a written note, in samples; Key is a MIDI note number.
type Target struct {
	Start, End int64
	Key        float64
}

// Sung is a note as sung, Cents off the written Key.
type Sung struct {
	Start, End int64
	Cents      float64
	Key        float64
	Verdict    string
}

// Finding is something to mend, at a place.
type Finding struct {
	Sample      int64
	Kind, Words string
}

// Bounds: what is beyond them is not drawn, and the picture says so.
const (
	maxCuts     = 4000
	maxBars     = 4000
	maxHits     = 1000
	maxLayers   = 64
	maxNotes    = 30000 // written and sung, of all layers
	maxFindings = 26    // letters A to Z
	maxFoot     = 12
	maxTextCols = 140
)

// Places on the sheet, in pixels.
const (
	sheetWidth = 1600.0
	plotLeft   = 216.0
	plotRight  = 1568.0
	margin     = 32.0
	plotTop    = 104.0
	axisHeight = 52.0
	shotHeight = 46.0
	laneHeight = 24.0
	hitLanes   = 4
	barHeight  = 58.0
	rowGap     = 10.0
)

// sheet is a picture being drawn.
type sheet struct {
	canvas
	p       Picture
	origin  int64 // sample at the left edge
	samples int64 // from there to the right edge
	bottom  float64
	left    []string // what was left out, in words
	flags   []pin
	// unflagged counts the findings that no letter was left for; kinds are
	// those of findings, in order of appearance.
	unflagged int
	notes     int // drawn; undrawn is what came after maxNotes
	undrawn   int
	kinds     []string
}

// SVG draws the picture as SVG 1.1, 1600 units wide and as high as it needs.
// The only errors are those of w.
func SVG(w io.Writer, p Picture) error {
	s := newSheet(p)
	s.header(p.Title, s.lengthWords())
	if s.samples > 0 {
		s.drawStrip()
	} else {
		s.text(margin, plotTop+30, "t", "There is no reference to draw yet.")
		s.bottom = plotTop + 50
	}
	s.legend()
	s.findings()
	s.foot(p.Foot)
	return s.write(w, p.Title, sheetWidth, s.bottom+margin/2)
}

func newSheet(p Picture) *sheet {
	if p.SampleRate <= 0 {
		p.SampleRate = 48000
	}
	s := &sheet{p: p}
	const most = 1 << 40
	if p.Frames > 0 && p.Frames < most && p.Rate.Validate() == nil {
		s.samples = p.Rate.SampleOf(p.Frames, p.SampleRate)
	}
	s.p.Cuts = bounded(s, p.Cuts, maxCuts, "cuts")
	s.p.Bars = bounded(s, p.Bars, maxBars, "bars")
	s.p.Hits = bounded(s, p.Hits, maxHits, "hits")
	s.p.Layers = bounded(s, p.Layers, maxLayers, "layers")
	return s
}

// bounded cuts a list to what is drawn, and remembers to tell.
func bounded[T any](s *sheet, list []T, most int, what string) []T {
	if len(list) > most {
		s.left = append(s.left, fmt.Sprintf("%d of %d %s", len(list)-most, len(list), what))
		return list[:most]
	}
	return list
}

func (s *sheet) header(title, sub string) {
	s.text(margin, 50, "title", fit(title, 34, sheetWidth-2*margin))
	s.text(margin, 82, "sub", fit(sub, 19, sheetWidth-2*margin))
}

func (s *sheet) lengthWords() string {
	if s.samples == 0 {
		return ""
	}
	seconds := float64(s.samples) / float64(s.p.SampleRate)
	words := fmt.Sprintf("%d frames at %s fps  ·  %d:%06.3f  ·  %d samples at %d Hz", s.p.Frames, rateWords(s.p.Rate), int(seconds)/60, math.Mod(seconds, 60), s.samples, s.p.SampleRate)
	if n := len(s.p.Cuts); n > 0 {
		words += fmt.Sprintf("  ·  %d changes of picture", n)
	}
	return words
}

func rateWords(r timecode.Rate) string {
	if r.Den == 1 {
		return r.String()
	}
	words := fmt.Sprintf("%.3f", r.Float())
	if r.Drop {
		words += " drop-frame"
	}
	return words
}

// x is where a sample stands.
func (s *sheet) x(sample int64) float64 {
	return plotLeft + (plotRight-plotLeft)*float64(sample-s.origin)/float64(s.samples)
}

func (s *sheet) xFrame(frame int64) float64 {
	return s.x(s.p.Rate.SampleOf(frame, s.p.SampleRate))
}

// inside reports whether a sample is on the strip.
func (s *sheet) inside(sample int64) bool { return sample >= s.origin && sample <= s.origin+s.samples }

// drawStrip draws all that hangs on the time axis, back to front.
func (s *sheet) drawStrip() {
	hits := s.placeHits()
	shotTop := plotTop + axisHeight
	hitTop := shotTop + shotHeight + rowGap
	barTop := hitTop + hitRowHeight(hits)
	curveTop := barTop + barHeight
	layerTop := curveTop + s.curveRows()
	rows := layerRows(s.p.Layers, layerTop)
	s.bottom = layerTop
	if n := len(rows); n > 0 {
		s.bottom = rows[n-1].top + rows[n-1].height
	}
	s.drawShading(shotTop, s.bottom)
	s.drawAxis(plotTop, axisHeight)
	s.drawBars(barTop, s.bottom)
	s.drawHitLines(shotTop, s.bottom)
	s.drawShots(shotTop)
	s.drawCurves(curveTop)
	s.drawHits(hits, hitTop)
	for i, r := range rows {
		s.drawLayer(&s.p.Layers[i], r)
	}
	s.rect(plotLeft, shotTop, plotRight-plotLeft, s.bottom-shotTop, `fill="none" stroke="`+inkSoft+`" stroke-width="1.5"`)
	s.bottom += 14
}
