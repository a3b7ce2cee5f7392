package raster

import (
	"image"
	"image/png"
	"io"
)

// PNG writes a picture of w by h points as a grey PNG (W3C Recommendation, 10
// November 2003). pix holds w*h bytes.
func PNG(out io.Writer, pix []byte, w, h int) error {
	return png.Encode(out, &image.Gray{Pix: pix, Stride: w, Rect: image.Rect(0, 0, w, h)})
}
