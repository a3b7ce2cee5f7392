package raster

// Cell is one character of a drawn picture. Ink is the grey of the character,
// Paper of what is behind it; a plain drawing has neither and leaves them 0.
type Cell struct {
	Rune       rune
	Ink, Paper byte
}

// upperHalf is the upper half of a cell in ink, the lower half in paper
// (Unicode 15, block elements, U+2580).
const upperHalf = '▀'

// HalfBlocks draws two rows of points in each row of cells: w cells by
// (h+1)/2. The point that an odd last row lacks is the one above it.
func HalfBlocks(pix []byte, w, h int) []Cell {
	rows := (h + 1) / 2
	cells := make([]Cell, 0, w*rows)
	for y := range rows {
		upper := pix[2*y*w : (2*y+1)*w]
		lower := upper
		if 2*y+1 < h {
			lower = pix[(2*y+1)*w : (2*y+2)*w]
		}
		for x, v := range upper {
			cells = append(cells, Cell{Rune: upperHalf, Ink: v, Paper: lower[x]})
		}
	}
	return cells
}

// inks are characters of rising ink (common practice): more is brighter, as on
// a dark terminal.
const inks = " .:-=+*#%@"

// Characters draws one point in each cell, as characters of rising ink, black
// a space. It needs no colour.
func Characters(pix []byte, w, h int) []Cell {
	cells := make([]Cell, w*h)
	for i, v := range pix[:w*h] {
		cells[i] = Cell{Rune: rune(inks[int(v)*len(inks)/256])}
	}
	return cells
}
