package tui

// View is the whole screen of a state: a pure function of it.
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
	v.choir()
	v.ladder()
	v.gateColumn()
	v.foot()
	v.worst()
	v.keys()
	return g
}

// view is a screen being drawn.
type view struct {
	State
	*Grid
	layout layout
	window window
}

// x is the column of the screen where a column of the film stands.
func (v *view) x(col int) int { return v.layout.gutter + col }

// name writes what a row is into the gutter.
func (v *view) name(y int, s string, ink Ink) {
	if v.layout.gutter > 0 {
		v.right(v.layout.gutter-1, y, v.layout.gutter-2, s, ink)
	}
}

func (v *view) title() {
	if v.layout.title.rows == 0 {
		return
	}
	s := v.sheet
	facts := itoa(s.Frames) + " frames at " + s.Rate.String()
	if v.W >= 100 {
		facts += "   " + s.timecode(0) + "   " + itoa(int64(s.SampleRate)) + " Hz"
	}
	if n := len(s.layers); n > 0 && v.W >= 70 {
		facts += "   " + itoa(int64(s.sung)) + " of " + itoa(int64(n)) + " sung"
	}
	if v.W < 60 {
		facts = itoa(s.Frames) + " f"
	}
	room := v.W - 2
	end := v.W - 1
	if v.W >= 30 {
		end = v.right(v.W-1, 0, v.W-2, facts, InkQuiet)
		room = end - 3
	}
	x := v.text(1, 0, room, v.glyphs.sign+" ", InkKey)
	title := s.Title
	if title == "" {
		title = "untitled score"
	}
	v.text(x, 0, end-x-2, title, InkTitle)
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

// gateColumn lights the column in the gate through the film and the voices.
func (v *view) gateColumn() {
	x := v.x(v.window.gate)
	for y := v.layout.hits.at; y < v.layout.ladder.end(); y++ {
		if c := v.At(x, y); c.Rune == ' ' || c.Rune == v.glyphs.barline {
			v.put(x, y, v.glyphs.gate, InkGate)
		}
		v.ink(x, y, InkGate)
	}
}
