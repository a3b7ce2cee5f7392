package report

import (
	"fmt"
	"io"
	"math"

	"cuechoir/engine/timecode"
)

// ChordPicture is what sounds together in the layers, over a stretch of
// samples.
type ChordPicture struct {
	Title      string
	Rate       timecode.Rate
	SampleRate int   // Hz; 0 is 48000
	From, To   int64 // samples: the stretch to draw
	Bars       []Bar
	Layers     []string
	Chords     []ChordColumn
	Findings   []ChordFinding
	Foot       []string
}

// ChordColumn is one chord. ErrorCents is the mean error of its intervals,
// BeatHz how fast the worst of them beats, Blame the layer to move, by
// MoveCents, or -1.
type ChordColumn struct {
	From, To   int64
	Members    []ChordMember
	ErrorCents float64
	BeatHz     float64
	Blame      int
	MoveCents  float64
}

// ChordMember is a layer's note in a chord: how far it lies from its own
// target.
type ChordMember struct {
	Layer    int
	Name     string // of the note
	OffCents float64
}

// ChordFinding is something to mend in a layer.
type ChordFinding struct {
	Layer int
	Finding
}

// Bounds and places of the chord picture.
const (
	maxChords     = 20000
	chordRow      = 56.0
	chordCents    = 0.42 // pixels a cent
	chordBars     = 70.0 // height of the errors' strip
	chordFull     = 40.0 // cents that fill it
	chordRoughHz  = 15.0 // faster beats are roughness
	chordNameRoom = 34.0 // a narrower note has no name
)

// ChordSVG draws the layers as rows and the chords as columns: each note at its
// distance from its target, the one to blame marked, the error of each chord
// below. The only errors are those of w.
func ChordSVG(w io.Writer, p ChordPicture) error {
	s := newSheet(Picture{Rate: p.Rate, SampleRate: p.SampleRate, Bars: p.Bars})
	s.samples = 0
	const longest = 1 << 46
	if p.To > p.From && p.From > -longest && p.To < longest {
		s.origin, s.samples = p.From, p.To-p.From
	}
	p.Layers = bounded(s, p.Layers, maxLayers, "layers")
	p.Chords = bounded(s, p.Chords, maxChords, "chords")
	s.header(p.Title, fmt.Sprintf("what sounds together  ·  %d layers, %d chords  ·  %.1f s", len(p.Layers), len(p.Chords), float64(s.samples)/float64(s.p.SampleRate)))
	if s.samples > 0 && len(p.Layers) > 0 {
		s.drawChords(p)
	} else {
		s.text(margin, plotTop+30, "t", "There are no chords to draw.")
		s.bottom = plotTop + 50
	}
	s.drawLegend(append(s.chordItems(p), s.kindItems()...))
	s.findings()
	s.foot(p.Foot)
	return s.write(w, p.Title, sheetWidth, s.bottom+margin/2)
}

func (s *sheet) drawChords(p ChordPicture) {
	top := plotTop + barHeight
	bottom := top + float64(len(p.Layers))*chordRow
	s.drawBars(plotTop, bottom+chordBars)
	for i, name := range p.Layers {
		y := top + float64(i)*chordRow
		s.line(margin, y, plotRight, y, `stroke="`+inkSoft+`" stroke-width="1"`)
		s.text(margin, y+chordRow/2+6, "name", label(name, labelColumns))
		half := inTuneCents * chordCents
		s.rect(plotLeft, y+chordRow/2-half, plotRight-plotLeft, 2*half, `fill="`+band+`" fill-opacity="0.7"`)
	}
	s.line(margin, bottom, plotRight, bottom, `stroke="`+inkSoft+`" stroke-width="1"`)
	s.text(margin, bottom+26, "name", "error")
	s.text(margin, bottom+48, "s", fmt.Sprintf("up to %.0f cents", chordFull))
	for _, c := range p.Chords {
		s.drawChord(c, len(p.Layers), top, bottom)
	}
	s.rect(plotLeft, top, plotRight-plotLeft, bottom+chordBars-top, `fill="none" stroke="`+inkSoft+`" stroke-width="1.5"`)
	for _, f := range p.Findings {
		if f.Layer >= 0 && f.Layer < len(p.Layers) {
			s.addFlag(&Layer{Name: p.Layers[f.Layer]}, f.Finding, row{top + float64(f.Layer)*chordRow, chordRow})
		}
	}
	s.bottom = bottom + chordBars + 14
}

func (s *sheet) drawChord(c ChordColumn, layers int, top, bottom float64) {
	x0, x1, ok := s.span(c.From, c.To)
	if !ok {
		return
	}
	for _, m := range c.Members {
		if m.Layer < 0 || m.Layer >= layers || !finite(m.OffCents) {
			continue
		}
		mid := top + (float64(m.Layer)+0.5)*chordRow
		drawn := math.Max(-clampCents, math.Min(clampCents, m.OffCents))
		y, blamed := mid-drawn*chordCents, m.Layer == c.Blame && math.Abs(c.MoveCents) >= inTuneCents
		s.told(fmt.Sprintf("%s %+.0f cents from its own target", m.Name, m.OffCents), func() {
			fill := blue
			if blamed {
				fill = vermilion
			}
			s.rect(x0, y-sungHalf, x1-x0, 2*sungHalf, `rx="2" fill="`+fill+`"`)
			if blamed {
				s.drawAway((x0+x1)/2, y, c.MoveCents < 0)
			}
			if x1-x0 >= chordNameRoom && m.Name != "" {
				s.text(x0+3, mid+chordRow/2-4, "s", label(m.Name, 4))
			}
		})
	}
	if !finite(c.ErrorCents) || c.ErrorCents <= 0 {
		return
	}
	h := math.Min(1, c.ErrorCents/chordFull) * chordBars
	words := fmt.Sprintf("intervals off by %.0f cents on average", c.ErrorCents)
	if finite(c.BeatHz) && c.BeatHz > 0 && c.BeatHz <= chordRoughHz {
		words += fmt.Sprintf(", the worst beats %.1f times a second", c.BeatHz)
	}
	s.told(words, func() {
		s.rect(x0, bottom+chordBars-h, x1-x0, h, `fill="`+inkSoft+`" stroke="`+paper+`" stroke-width="0.5"`)
	})
}

func (s *sheet) chordItems(p ChordPicture) []legendItem {
	if len(p.Chords) == 0 {
		return nil
	}
	bar := func(x, y float64, fill string) { s.rect(x, y-sungHalf, 40, 2*sungHalf, `rx="2" fill="`+fill+`"`) }
	return []legendItem{
		{40, "a note from its own target", func(x, y float64) { bar(x, y, blue) }},
		{40, "to blame: too high", func(x, y float64) { bar(x, y+4, vermilion); s.drawAway(x+20, y+4, true) }},
		{40, "to blame: too low", func(x, y float64) { bar(x, y-4, vermilion); s.drawAway(x+20, y-4, false) }},
		{40, "within 25 cents", func(x, y float64) { s.rect(x, y-8, 40, 16, `fill="`+band+`" stroke="`+rule+`"`) }},
		{14, "mean error of a chord's intervals", func(x, y float64) { s.rect(x, y-8, 14, 16, `fill="`+inkSoft+`"`) }},
	}
}
