// Package raster turns small grey pictures into what a terminal can show: it
// brings them to size, fits them into a box of character cells, and draws them
// as half blocks in grey levels or as plain characters. All of it is pure:
// pixels in, pixels or cells out. A picture is rows from the top, one byte a
// point, 0 black to 255 white, its points square.
package raster

import "math"

// Rect is a place in a box of character cells.
type Rect struct{ X, Y, W, H int }

// CellAspect is the height of a character cell over its width when nothing
// better is known (common practice).
const CellAspect = 2.0

// Fit is the largest place for a picture of srcW by srcH square points inside
// boxW by boxH cells, in the middle, of the picture's shape to the nearest
// cell. cellAspect is a cell's height over its width; 0 or less means
// CellAspect. The zero Rect when the picture or the box is empty.
func Fit(srcW, srcH, boxW, boxH int, cellAspect float64) Rect {
	if srcW <= 0 || srcH <= 0 || boxW <= 0 || boxH <= 0 {
		return Rect{}
	}
	if !(cellAspect > 0) {
		cellAspect = CellAspect
	}
	shape := float64(srcW) / float64(srcH) * cellAspect // columns to a row
	w, h := boxW, int(math.Round(float64(boxW)/shape))
	if h > boxH {
		w, h = int(math.Round(float64(boxH)*shape)), boxH
	}
	w, h = min(max(w, 1), boxW), min(max(h, 1), boxH)
	return Rect{X: (boxW - w) / 2, Y: (boxH - h) / 2, W: w, H: h}
}

// Scale fills dst with w by h points of src, each the mean of the area it
// covers, rounded to the nearest. It works on whole numbers, so that it is the
// same everywhere. Sizes are 1 to 4096; dst holds at least w*h bytes and src
// srcW*srcH, else it panics.
func Scale(dst []byte, w, h int, src []byte, srcW, srcH int) {
	if w == srcW && h == srcH {
		copy(dst[:w*h], src[:w*h])
		return
	}
	// In units of 1/w of a source point across and 1/h down, the point x of dst
	// covers x*srcW to (x+1)*srcW, and the point i of src i*w to (i+1)*w.
	area := uint64(srcW) * uint64(srcH)
	for y := range h {
		top, bottom := y*srcH, (y+1)*srcH
		for x := range w {
			left, right := x*srcW, (x+1)*srcW
			sum := area / 2
			for j := top / h; j*h < bottom; j++ {
				row := src[j*srcW : (j+1)*srcW]
				line := uint64(0)
				for i := left / w; i*w < right; i++ {
					line += uint64(row[i]) * uint64(min(right, (i+1)*w)-max(left, i*w))
				}
				sum += line * uint64(min(bottom, (j+1)*h)-max(top, j*h))
			}
			dst[y*w+x] = byte(sum / area)
		}
	}
}
