package report

import (
	"fmt"
	"math"
	"sort"

	"cuechoir/engine/cutlist"
)

// drawAxis draws frame numbers with their time code below.
func (s *sheet) drawAxis(top, height float64) {
	s.text(margin, top+18, "name", "Frame")
	s.text(margin, top+38, "s", "and time code")
	step := s.axisStep()
	for k := int64(0); k <= s.p.Frames; k += step {
		x := s.xFrame(k)
		s.line(x, top+height-10, x, top+height, `stroke="`+inkSoft+`" stroke-width="1.5"`)
		class := " m"
		switch { // labels stay on the sheet
		case k == 0:
			class = ""
		case x > plotRight-60:
			class = " e"
			x = plotRight
		}
		s.text(x, top+18, "t"+class, fmt.Sprint(k))
		s.text(x, top+38, "s"+class, s.p.Rate.Timecode(s.p.Start+k))
	}
}

// axisStep is a round number of counted seconds, wide enough for its labels.
func (s *sheet) axisStep() int64 {
	const room = 160.0 // the first label stands to the right of its mark
	nominal := s.p.Rate.Nominal()
	for _, frames := range []int64{1, 2, 4, 6, 12, nominal, 2 * nominal, 5 * nominal, 10 * nominal, 15 * nominal, 20 * nominal, 30 * nominal, 60 * nominal, 120 * nominal, 300 * nominal, 600 * nominal} {
		if s.xFrame(frames)-plotLeft >= room {
			return frames
		}
	}
	return max(1, s.p.Frames)
}

// sortedCuts are the cuts inside the reference, by frame.
func (s *sheet) sortedCuts() []cutlist.Cut {
	var cuts []cutlist.Cut
	for _, c := range s.p.Cuts {
		if c.Frame >= 0 && c.Frame < s.p.Frames {
			c.End = min(max(c.End, c.Frame), s.p.Frames)
			cuts = append(cuts, c)
		}
	}
	sort.SliceStable(cuts, func(i, j int) bool { return cuts[i].Frame < cuts[j].Frame })
	return cuts
}

// drawShading tints every second shot through all rows.
func (s *sheet) drawShading(top, bottom float64) {
	from, shade := plotLeft, false
	for _, c := range append(s.sortedCuts(), cutlist.Cut{Frame: s.p.Frames}) {
		x := s.xFrame(c.Frame)
		if shade && x > from {
			s.rect(from, top, x-from, bottom-top, `fill="`+band+`"`)
		}
		from, shade = x, !shade
	}
}

// drawShots draws the shots as a strip, numbered, with each change of picture
// in a shape of its own.
func (s *sheet) drawShots(top float64) {
	s.text(margin, top+29, "name", "Picture")
	cuts := s.sortedCuts()
	s.rect(plotLeft, top, plotRight-plotLeft, shotHeight, `fill="`+bandDark+`" fill-opacity="0.55"`)
	from, number := plotLeft, 1
	shot := func(to float64) {
		if to <= from { // a fade at the very start, or two changes in one
			return
		}
		label := fmt.Sprint(number)
		if to-from > textWidth(label, 16)+12 {
			s.text((from+to)/2, top+29, "n m", label)
		}
		number++
	}
	for _, c := range cuts {
		x0, x1 := s.xFrame(c.Frame), s.xFrame(c.End)
		shot(x0)
		from = math.Max(x0, x1)
		s.told(s.cutWords(c), func() { s.drawCut(c.Kind, x0, x1, top, shotHeight) })
	}
	shot(plotRight)
}

func (s *sheet) cutWords(c cutlist.Cut) string {
	words := fmt.Sprintf("%s at frame %d, %s", c.Kind, c.Frame, s.p.Rate.Timecode(s.p.Start+c.Frame))
	if c.Name != "" {
		words += ": " + c.Name
	}
	return words
}

// drawCut: a bar with a notch is a hard cut, crossed lines a dissolve, upright
// lines a wipe, a wedge that falls or rises a fade.
func (s *sheet) drawCut(kind cutlist.Kind, x0, x1, top, height float64) {
	const least = 9.0
	bottom := top + height
	if kind != cutlist.HardCut && x1-x0 < least {
		middle := (x0 + x1) / 2
		x0, x1 = middle-least/2, middle+least/2
	}
	solid := `fill="` + ink + `"`
	box := `fill="` + paper + `" stroke="` + ink + `" stroke-width="1.5"`
	switch kind {
	case cutlist.Dissolve:
		s.rect(x0, top, x1-x0, height, box)
		s.line(x0, top, x1, bottom, `stroke="`+ink+`" stroke-width="1.5"`)
		s.line(x0, bottom, x1, top, `stroke="`+ink+`" stroke-width="1.5"`)
	case cutlist.Wipe:
		s.rect(x0, top, x1-x0, height, box)
		for _, part := range []float64{1. / 3, 2. / 3} {
			x := x0 + part*(x1-x0)
			s.line(x, top, x, bottom, `stroke="`+ink+`" stroke-width="1.5"`)
		}
	case cutlist.FadeOut:
		s.rect(x0, top, x1-x0, height, box)
		s.poly(solid, x0, bottom, x1, top, x1, bottom)
	case cutlist.FadeIn:
		s.rect(x0, top, x1-x0, height, box)
		s.poly(solid, x0, top, x0, bottom, x1, bottom)
	default:
		s.line(x0, top, x0, bottom, `stroke="`+ink+`" stroke-width="2.5"`)
		s.poly(solid, x0-6, top, x0+6, top, x0, top+9)
	}
}

// drawBars draws bar lines down through the layers, numbers where there is
// room, tempo and metre where they change.
func (s *sheet) drawBars(top, bottom float64) {
	s.text(margin, top+28, "name", "Bar")
	s.text(margin, top+49, "s", "and tempo")
	number := s.barStep()
	freeAt, metre := plotLeft, ""
	bpm := math.NaN()
	for _, b := range s.p.Bars {
		if !s.inside(b.Sample) {
			continue
		}
		x := s.x(b.Sample)
		s.line(x, top+barHeight, x, bottom, `stroke="`+rule+`" stroke-width="1.2"`)
		if (b.Number-1)%number == 0 {
			s.text(x+5, top+28, "n", fmt.Sprint(b.Number))
			s.line(x, top+10, x, top+32, `stroke="`+ink+`" stroke-width="2"`)
		} else {
			s.line(x, top+22, x, top+32, `stroke="`+inkSoft+`" stroke-width="1.2"`)
		}
		words := ""
		if b.Metre != metre {
			words = label(b.Metre, 7) + "  "
		}
		if finite(b.BPM) && !(math.Abs(b.BPM-bpm) < 0.005) {
			words += tempoWords(b.BPM)
		}
		if words != "" && x >= freeAt {
			s.text(x, top+50, "s", words)
			freeAt = x + textWidth(words, 16) + 8
			bpm, metre = b.BPM, b.Metre
		}
	}
}

func tempoWords(bpm float64) string { return num(math.Round(bpm*100)/100) + " BPM" }

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// barStep says which bars are numbered: every one, or each 2nd, 4th, 8th…
func (s *sheet) barStep() int {
	const room = 40.0
	n := 0
	var first, last int64
	for _, b := range s.p.Bars {
		if s.inside(b.Sample) {
			if n == 0 {
				first = b.Sample
			}
			last = b.Sample
			n++
		}
	}
	if n < 2 || last <= first {
		return 1
	}
	step := 1
	for (s.x(last)-s.x(first))/float64(n-1)*float64(step) < room {
		step *= 2
	}
	return step
}
