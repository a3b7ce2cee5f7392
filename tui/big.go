package tui

// figures are the digits, five rows of three cells: a set bit is a filled cell,
// the highest of the three leftmost.
var figures = [10][5]uint8{
	{7, 5, 5, 5, 7}, {2, 6, 2, 2, 7}, {7, 1, 7, 4, 7}, {7, 1, 7, 1, 7}, {5, 5, 7, 1, 1},
	{7, 4, 7, 1, 7}, {7, 4, 7, 5, 7}, {7, 1, 1, 2, 2}, {7, 5, 7, 5, 7}, {7, 5, 7, 1, 7},
}

// figureWide and figureHigh are a figure's cells at size 1, without the gap.
const (
	figureWide = 6
	figureHigh = 5
)

// figure draws a number, of one or two digits, size times as large, and returns
// the column after it.
func (v *view) figure(x, y, size, n int, ink Ink) int {
	digits := []int{n % 10}
	if n >= 10 {
		digits = []int{n / 10 % 10, n % 10}
	}
	for _, d := range digits {
		for row := range figureHigh * size {
			bits := figures[d][row/size]
			for col := range figureWide * size {
				if bits&(4>>(col/(2*size))) != 0 {
					v.put(x+col, y+row, v.glyphs.digit, ink)
				}
			}
		}
		x += (figureWide + 1) * size
	}
	return x
}
