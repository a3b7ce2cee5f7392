package draw

import "math"

// glyphs are the letters of the title cards, five by seven, drawn for this
// film: each row is five bits, the left one first.
var glyphs = map[rune][7]string{
	'A': {"  #  ", " # # ", "#   #", "#   #", "#####", "#   #", "#   #"},
	'B': {"#### ", "#   #", "#   #", "#### ", "#   #", "#   #", "#### "},
	'C': {" ### ", "#   #", "#    ", "#    ", "#    ", "#   #", " ### "},
	'D': {"#### ", "#   #", "#   #", "#   #", "#   #", "#   #", "#### "},
	'E': {"#####", "#    ", "#    ", "#### ", "#    ", "#    ", "#####"},
	'F': {"#####", "#    ", "#    ", "#### ", "#    ", "#    ", "#    "},
	'G': {" ### ", "#   #", "#    ", "# ###", "#   #", "#   #", " ####"},
	'H': {"#   #", "#   #", "#   #", "#####", "#   #", "#   #", "#   #"},
	'I': {" ### ", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", " ### "},
	'K': {"#   #", "#  # ", "# #  ", "##   ", "# #  ", "#  # ", "#   #"},
	'L': {"#    ", "#    ", "#    ", "#    ", "#    ", "#    ", "#####"},
	'M': {"#   #", "## ##", "# # #", "# # #", "#   #", "#   #", "#   #"},
	'N': {"#   #", "##  #", "##  #", "# # #", "#  ##", "#  ##", "#   #"},
	'O': {" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "},
	'P': {"#### ", "#   #", "#   #", "#### ", "#    ", "#    ", "#    "},
	'Q': {" ### ", "#   #", "#   #", "#   #", "# # #", "#  # ", " ## #"},
	'R': {"#### ", "#   #", "#   #", "#### ", "# #  ", "#  # ", "#   #"},
	'S': {" ####", "#    ", "#    ", " ### ", "    #", "    #", "#### "},
	'T': {"#####", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "  #  "},
	'U': {"#   #", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "},
	'V': {"#   #", "#   #", "#   #", "#   #", " # # ", " # # ", "  #  "},
	'W': {"#   #", "#   #", "#   #", "# # #", "# # #", "## ##", "#   #"},
	'Y': {"#   #", "#   #", " # # ", "  #  ", "  #  ", "  #  ", "  #  "},
	'.': {"     ", "     ", "     ", "     ", "     ", " ##  ", " ##  "},
	'!': {"  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "     ", "  #  "},
	' ': {},
}

const advance = 6 // columns from one letter to the next

// textWidth is how wide a line is in pixels with letters of cell-sized dots.
func textWidth(s string, cell float64) float64 {
	return (float64(len([]rune(s)))*advance - 1) * cell
}

// ink reports whether a place in a letter, in dots, is inked: the dots' values
// are joined smoothly, so that slopes and bows come out rounded.
func ink(g [7]string, x, y float64) bool {
	at := func(i, j int) float64 {
		if j < 0 || j > 6 || i < 0 || i >= len(g[j]) || g[j][i] == ' ' {
			return 0
		}
		return 1
	}
	x, y = x-0.5, y-0.5
	i, j := int(math.Floor(x)), int(math.Floor(y))
	fx, fy := x-float64(i), y-float64(j)
	v := (at(i, j)*(1-fx)+at(i+1, j)*fx)*(1-fy) + (at(i, j+1)*(1-fx)+at(i+1, j+1)*fx)*fy
	return v > 0.42
}

// write sets a line with its middle at x and its top at y, as card letters.
func (c *canvas) write(s string, x, y, cell, tone float64) {
	left := x - textWidth(s, cell)/2
	for _, shadow := range []struct{ off, tone, alpha float64 }{{1.6, 0, 0.35}, {1, 0, 0.45}, {0, tone, 1}} {
		for k, r := range []rune(s) {
			g := glyphs[r]
			ox := left + float64(k*advance)*cell + shadow.off*cell*0.5
			oy := y + shadow.off*cell*0.6
			c.stamp(g, ox, oy, cell, float32(shadow.tone), float32(shadow.alpha))
		}
	}
}

func (c *canvas) stamp(g [7]string, ox, oy, cell float64, tone, alpha float32) {
	for row := max(0, int((oy-cell)*sub)); row < min(subHeight, int((oy+8*cell)*sub)); row++ {
		for col := max(0, int((ox-cell)*sub)); col < min(subWidth, int((ox+6*cell)*sub)); col++ {
			gx, gy := ((float64(col)+0.5)/sub-ox)/cell, ((float64(row)+0.5)/sub-oy)/cell
			if !ink(g, gx, gy) {
				continue
			}
			p := &c.pix[row*subWidth+col]
			t := tone
			if tone > 0 {
				t += 0.04 * c.paper[(row&(paperSize-1))*paperSize+col&(paperSize-1)]
			}
			*p += (t - *p) * alpha
		}
	}
}
