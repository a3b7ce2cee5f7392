package picture

import (
	"math"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// stripes is a picture of soft stripes; its number sets their slant and width.
func stripes(n, x, y int) float64 {
	a := float64(n) * 0.9
	return 70 + 40*math.Sin((float64(x)*math.Cos(a)+float64(y)*math.Sin(a))/(3+2*float64(n)))
}

// play runs frames drawn by a function of scene and light through a detector.
func play(frames int, at func(k int) (sceneNumber int, light float64)) []cutlist.Cut {
	const w, h = 96, 72
	d := NewDetector(timecode.Rate24)
	pix := make([]byte, w*h)
	for k := range frames {
		n, light := at(k)
		for i := range pix {
			v := stripes(n, i%w, i/w)
			v += light * (0.4*v + 300*math.Exp(-float64((i%w-60)*(i%w-60)+(i/w-20)*(i/w-20))/500)) // all of it, and a lamp that burns its own shape in
			pix[i] = byte(max(0, min(255, v+float64((i*7919+k*104729)>>4&3))))
		}
		d.Push(Grey{Index: int64(k), W: w, H: h, Pix: pix})
	}
	return d.Finish()
}

// Light that jumps up and dies away within half a second changes no shot; a
// shot of ten frames in between, be it as bright, is two cuts, each on its
// frame.
func TestSlowFlashIsNoCut(t *testing.T) {
	for _, fade := range []float64{1, 2, 3, 4} {
		cuts := play(80, func(k int) (int, float64) {
			if k < 40 {
				return 1, 0
			}
			return 1, 1.2 * math.Exp(-float64(k-40)/fade)
		})
		if len(cuts) > 0 {
			t.Errorf("a flash that dies away over %g frames: %+v", fade, cuts)
		}
	}
	cuts := play(80, func(k int) (int, float64) {
		if k >= 40 && k < 50 {
			return 3, 0.8
		}
		return 1, 0
	})
	if len(cuts) != 2 || cuts[0].Frame != 40 || cuts[1].Frame != 50 || cuts[0].Kind != cutlist.HardCut || cuts[1].Kind != cutlist.HardCut {
		t.Errorf("a shot of ten frames: %+v, want cuts at 40 and 50", cuts)
	}
}

// A few frames of another picture, of the same light, are damage or a slip of
// the printer: no cut, up to the length that the finder names.
func TestBriefDamageIsNoCut(t *testing.T) {
	for n := 1; n <= flashFrames; n++ {
		cuts := play(80, func(k int) (int, float64) {
			if k >= 40 && k < 40+n {
				return 4, 0
			}
			return 1, 0
		})
		if len(cuts) > 0 {
			t.Errorf("%d frames of another picture: %+v", n, cuts)
		}
	}
}
