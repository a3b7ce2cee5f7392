package tui

import (
	"cuechoir/engine/raster"
)

// spot shows the frame in the gate, and the first of the next shot.
func (v *view) spot() {
	b := v.layout.body
	gap := 2
	width := (v.W - v.layout.gutter - gap) / 2
	if v.layout.gutter == 0 {
		width = (v.W - gap) / 2
	}
	now := v.sheet.shotAt(v.Frame)
	next := now + 1
	v.name(b.at, "in the gate", InkQuiet)
	if now >= 0 {
		v.shotTitle(now, b.at+1)
	}
	x := v.layout.gutter
	end := v.picture(x, b.at, width, b.rows, v.Frame)
	if next <= 0 || next >= len(v.sheet.shots) {
		v.text(end+gap, b.at, v.W-end-gap, "no shot after this", InkQuiet)
		return
	}
	first := v.sheet.shots[next].From
	v.picture(end+gap, b.at, width, b.rows, first)
	if v.layout.gutter > 0 && b.rows > 3 {
		v.name(b.at+3, "then", InkQuiet)
		v.shotTitle(next, b.at+4)
		v.name(b.at+5, "f"+itoa(first), InkQuiet)
	}
}

// shotTitle writes a shot's number and name into the gutter.
func (v *view) shotTitle(i, y int) {
	sh := v.sheet.shots[i]
	words := "shot " + itoa(int64(sh.Number))
	if sh.Gone {
		words = "dark"
	}
	v.name(y, words, InkPlain)
	if sh.Name != "" {
		v.name(y+1, sh.Name, InkTitle)
	}
}

// picture draws a still in a box from its upper left corner and returns the
// column after it. Without one it says so.
func (v *view) picture(x, y, width, rows int, frame int64) int {
	if width < 4 || rows < 1 {
		return x
	}
	var still Still
	ok := false
	if v.stills != nil {
		still, ok = v.stills(frame, width, 2*rows)
	}
	if !ok || still.W < 1 || still.H < 1 || len(still.Pix) < still.W*still.H {
		v.text(x, y, width, "frame "+itoa(frame)+": no picture yet", InkQuiet)
		return x + width
	}
	w := min(still.W, width)
	if v.depth == raster.Plain || !v.glyphs.half {
		v.inCharacters(x, y, rows, still)
		return x + w
	}
	cells := raster.HalfBlocks(still.Pix, still.W, still.H)
	for i, c := range cells {
		col, row := i%still.W, i/still.W
		if col < w && row < rows {
			v.set(x+col, y+row, Cell{Rune: c.Rune, Ink: InkGrey, Fore: c.Ink, Back: c.Paper})
		}
	}
	return x + w
}

// inCharacters draws a still in characters, where no greys can be shown. A cell is
// about twice as high as wide (raster.CellAspect), so two rows become one.
func (v *view) inCharacters(x, y, rows int, still Still) {
	h := max(1, min(rows, (still.H+1)/2))
	pix := make([]byte, still.W*h)
	raster.Scale(pix, still.W, h, still.Pix, still.W, still.H)
	raster.Stretch(pix)
	for i, c := range raster.Characters(pix, still.W, h) {
		v.put(x+i%still.W, y+i/still.W, c.Rune, InkPlain)
	}
}
