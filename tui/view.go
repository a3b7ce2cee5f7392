package tui

import "strings"

// View is the whole screen of a state: a pure function of it, and of the stills
// that it can see.
func View(s State) *Grid {
	g := newGrid(s.Width, s.Height, s.glyphs)
	if s.Width <= 0 || s.Height <= 0 {
		return g
	}
	if s.Help {
		viewHelp(g, s)
		return g
	}
	v := &view{State: s, Grid: g, layout: s.layout(), window: s.window()}
	v.title()
	v.reel()
	v.hits()
	v.strip()
	v.bars()
	v.mapMarks()
	v.wave()
	v.choir()
	v.ladder()
	v.pickedBars()
	v.gateColumn()
	v.stage()
	v.foot()
	v.worst()
	v.keys()
	v.showNotice()
	return g
}

// showNotice lays what has to be read over the stage, a bullet a line.
func (v *view) showNotice() {
	if v.notice == nil {
		return
	}
	y, end := v.layout.bars.end(), v.layout.keys.at
	for row := y; row < end; row++ {
		v.fill(row, InkPlain)
	}
	y++
	for _, words := range v.notice {
		for i, part := range wrapped(words, v.W-8) {
			if i == 0 {
				v.put(3, y, v.glyphs.must, InkMust)
			}
			v.text(5, y, v.W-6, part, InkTitle)
			y++
		}
	}
	v.text(5, min(y+1, end-1), v.W-6, "any key goes on", InkQuiet)
}

// wrapped breaks words into lines of at most so many letters.
func wrapped(words string, width int) (out []string) {
	line := ""
	for _, w := range strings.Fields(words) {
		if line != "" && len(line)+1+len(w) > width {
			out = append(out, line)
			line = ""
		}
		line = joined(" ", line, w)
	}
	return append(out, line)
}

// view is a screen being drawn.
type view struct {
	State
	*Grid
	layout layout
	window window
}

// stage draws what a stage has of its own below the film.
func (v *view) stage() {
	if v.layout.body.rows == 0 {
		return
	}
	switch v.Stage {
	case Spot:
		v.spot()
	case Map:
		v.maps()
	case Sing:
		v.singing()
	case Mix:
		if v.dial.open {
			v.showDials()
			return
		}
		v.strips()
	case Bounce:
		v.bouncing()
	}
}

// x is the column of the screen where a column of the film stands.
func (v *view) x(col int) int { return v.layout.gutter + col }

// name writes what a row is into the gutter.
func (v *view) name(y int, s string, ink Ink) {
	if v.layout.gutter > 0 {
		v.right(v.layout.gutter-1, y, v.layout.gutter-2, s, ink)
	}
}

// walkFrom is the width from which the six stages stand in the first line.
const walkFrom = 70

func (v *view) title() {
	if v.layout.title.rows == 0 {
		return
	}
	end := v.W - 1
	if v.W >= walkFrom {
		end = v.walk(end) - 1
	} else if v.W >= 30 {
		end = v.right(end, 0, v.W-2, v.Stage.Word(), InkGate) - 2
	}
	x := v.text(1, 0, v.W-2, v.glyphs.sign+" ", InkKey)
	title := v.sheet.Title
	if title == "" {
		title = "untitled score"
	}
	x = v.text(x, 0, end-x-1, title, InkTitle)
	s := v.sheet
	facts := itoa(s.Frames) + " frames at " + s.Rate.String() + "   " + itoa(int64(s.SampleRate)) + " Hz"
	if n := len(s.layers); n > 0 {
		facts += "   " + itoa(int64(s.sung)) + " of " + itoa(int64(n)) + " sung"
	}
	if x+4+len(facts) < end {
		v.text(x+4, 0, end-x-4, facts, InkQuiet)
	}
}

// reel is the whole reference in one line, what the window shows of it heavier;
// below it, with room, where the chosen layer has findings.
func (v *view) reel() {
	if v.layout.reel.rows == 0 {
		return
	}
	y, cols, g := v.layout.reel.at, int64(v.stripCols()), v.glyphs
	v.name(y, "reel", InkQuiet)
	frames := v.sheet.Frames
	if frames == 0 {
		v.text(v.x(0), y, int(cols), "no reference yet", InkQuiet)
		return
	}
	from, end := v.window.frameAt(0), v.window.frameAt(v.window.cols)
	for c := range cols {
		a := c * frames / cols
		b := max(a+1, (c+1)*frames/cols)
		shapes := [3]rune{g.reel, g.reelCut, g.reelCuts}
		ink := InkQuiet
		if a < end && b > from {
			shapes, ink = [3]rune{g.here, g.hereCut, g.hereCuts}, InkReel
		}
		cuts := v.sheet.cutFrom(b) - v.sheet.cutFrom(a)
		v.put(v.x(int(c)), y, shapes[min(cuts, 2)], ink)
		if v.layout.reel.rows > 1 {
			v.sourSpot(int(c), y+1, a, b)
		}
	}
	if v.layout.reel.rows > 1 {
		v.name(y+1, "to mend", InkQuiet)
	}
	v.put(v.x(int(v.Frame*cols/frames)), y, g.reelGate, InkGate)
}

// sourSpot marks a stretch of frames in which the chosen layer has findings.
func (v *view) sourSpot(col, y int, from, end int64) {
	voice := v.voice()
	if voice == nil {
		return
	}
	a, _ := v.sheet.span(from)
	b, _ := v.sheet.span(end)
	if i := voice.findingFrom(a); i < voice.findingFrom(b) {
		v.put(v.x(col), y, v.glyphs.mark(voice.Findings[i].Kind), InkFinding)
	}
}

// wave is the reference's sound under the film, as loud as each column's
// loudest frame; it grows from the bottom.
func (v *view) wave() {
	b := v.layout.wave
	if b.rows == 0 {
		return
	}
	v.name(b.at, "sound", InkQuiet)
	if len(v.sheet.Wave) == 0 {
		v.text(v.x(0), b.at, v.window.cols, "the reference has no sound", InkQuiet)
		return
	}
	steps := len(v.glyphs.wave) - 1
	for col := range v.window.cols {
		from, end := v.window.frames(col)
		if from == end { // a part of a frame
			from = v.window.frameAt(col)
			end = from + 1
		}
		peak := float32(0)
		for f := max(0, from); f < min(end, int64(len(v.sheet.Wave))); f++ {
			peak = max(peak, v.sheet.Wave[f])
		}
		height := int(float64(steps*b.rows) * waveShare(float64(peak)))
		for row := range b.rows {
			part := max(0, min(steps, height-steps*(b.rows-1-row)))
			if r := v.glyphs.wave[part]; r != ' ' {
				v.put(v.x(col), b.at+row, r, InkWave)
			}
		}
	}
}

// waveFloorDB is the level, dBFS, that a wave begins to show at.
const waveFloorDB = -36

// waveShare is how much of the height a peak takes, 0 to 1: by level, so that
// speech and music both show.
func waveShare(peak float64) float64 { return max(0, 1-dbOf(peak)/waveFloorDB) }

// pickedBars lights the bars that are chosen.
func (v *view) pickedBars() {
	from, to, ok := v.pickSamples()
	b := v.layout.bars
	if !ok || b.rows == 0 {
		return
	}
	x := max(0, v.window.columnOfSample(from))
	for ; x <= min(v.window.cols-1, v.window.columnOfSample(to-1)); x++ {
		v.ink(v.x(x), b.at, InkPicked)
	}
	v.name(b.at, v.pickWords(), InkPicked)
}

// gateColumn lights the column in the gate through the film and the voices.
func (v *view) gateColumn() {
	x := v.x(v.window.gate)
	for y := v.layout.hits.at; y < max(v.layout.ladder.end(), v.layout.wave.end()); y++ {
		if c := v.At(x, y); c.Rune == ' ' || c.Rune == v.glyphs.barline {
			v.put(x, y, v.glyphs.gate, InkGate)
		}
		v.ink(x, y, InkGate)
	}
}
