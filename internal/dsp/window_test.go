package dsp

import (
	"math"
	"testing"
)

// Points of the windows that their definitions fix, and I0 from Abramowitz and
// Stegun, Table 9.8 (I0(1) = 1.266065878, I0(5) = 27.239871824).
func TestWindowsAtKnownPoints(t *testing.T) {
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-9*(1+math.Abs(want)) {
			t.Errorf("%s: %.12g, want %.12g", what, got, want)
		}
	}
	near("I0(0)", besselI0(0), 1)
	near("I0(1)", besselI0(1), 1.2660658777520084)
	near("I0(5)", besselI0(5), 27.239871823604442)
	hann, blackman := Hann(8), Blackman(8)
	near("Hann, first", hann[0], 0)
	near("Hann, quarter", hann[2], 0.5)
	near("Hann, middle", hann[4], 1)
	near("Blackman, first", blackman[0], 0)
	near("Blackman, quarter", blackman[2], 0.34)
	near("Blackman, middle", blackman[4], 1)
	kaiser := Kaiser(9, 5)
	near("Kaiser, edges", kaiser[0], 1/27.239871823604442)
	near("Kaiser, far edge", kaiser[8], kaiser[0])
	near("Kaiser, middle", kaiser[4], 1)
	for _, v := range Kaiser(5, 0) {
		near("Kaiser of shape 0", v, 1)
	}
	if len(Hann(0)) != 0 || len(Kaiser(-1, 3)) != 0 || Kaiser(1, 3)[0] != 1 {
		t.Error("windows of no or one point are off")
	}
}

// Shapes for attenuations: Oppenheim and Schafer, example 7.8: 60 dB, 5.653.
func TestKaiserBeta(t *testing.T) {
	for a, want := range map[float64]float64{60: 5.653, 20: 0, 30: 2.117} {
		if got := KaiserBeta(a); math.Abs(got-want) > 0.001 {
			t.Errorf("%v dB: shape %.4f, want %.3f", a, got, want)
		}
	}
}

func TestLevels(t *testing.T) {
	nan := float32(math.NaN())
	for _, c := range []struct{ got, want float64 }{
		{AmplitudeToDB(0.5), -6.020599913},
		{AmplitudeToDB(-10), 20},
		{AmplitudeToDB(0), math.Inf(-1)},
		{DBToAmplitude(-20), 0.1},
		{DBToAmplitude(math.Inf(-1)), 0},
		{PowerToDB(100), 20},
		{RMS([]float32{1, -1, 1, -1}), 1},
		{RMS([]float32{3, 4}), 3.535533906},
		{RMS(nil), 0},
		{float64(Peak([]float32{0.25, -0.75, 0.5})), 0.75},
		{float64(Peak([]float32{0.25, nan, 0.125})), 0.25},
		{float64(Peak(nil)), 0},
	} {
		if c.got != c.want && !(math.Abs(c.got-c.want) < 1e-8) {
			t.Errorf("got %v, want %v", c.got, c.want)
		}
	}
}
