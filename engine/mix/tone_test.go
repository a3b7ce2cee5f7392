package mix_test

import (
	"math"
	"math/cmplx"
	"testing"

	"cuechoir/engine/mix"
)

// gainAt is the gain in dB at a frequency, from the answer to an impulse.
func gainAt(t testing.TB, m maker, hz float64) float64 {
	t.Helper()
	x := make([]float64, 1<<16)
	x[0] = 1
	processor(t, m).Process(x, nil)
	sum := complex(0, 0)
	for i, v := range x {
		sum += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*hz*float64(i)/48000)
	}
	return 20 * math.Log10(cmplx.Abs(sum))
}

// A bell has its dB at its frequency and none far away; a shelf has half of it
// at its frequency and all of it beyond (Audio EQ Cookbook, by definition).
func TestEQResponse(t *testing.T) {
	for _, c := range []struct {
		name     string
		eq       mix.EQ
		hz, want float64
		tol      float64
	}{
		{"bell", mix.EQ{LowMid: mix.Band{Hz: 500, GainDB: 6, Q: 2}}, 500, 6, 1e-9},
		{"bell far below", mix.EQ{LowMid: mix.Band{Hz: 500, GainDB: 6, Q: 2}}, 20, 0, 0.02},
		{"bell far above", mix.EQ{HighMid: mix.Band{Hz: 500, GainDB: -12, Q: 2}}, 15000, 0, 0.02},
		{"low shelf", mix.EQ{Low: mix.Band{Hz: 200, GainDB: 8}}, 200, 4, 1e-9},
		{"low shelf beyond", mix.EQ{Low: mix.Band{Hz: 200, GainDB: 8}}, 5, 8, 0.01},
		{"high shelf", mix.EQ{High: mix.Band{Hz: 6000, GainDB: -10}}, 6000, -5, 1e-9},
		{"high shelf before", mix.EQ{High: mix.Band{Hz: 6000, GainDB: -10}}, 100, 0, 0.01},
		{"usual places", mix.EQ{HighMid: mix.Band{GainDB: 3}}, 2500, 3, 1e-9},
	} {
		if got := gainAt(t, c.eq, c.hz); math.Abs(got-c.want) > c.tol {
			t.Errorf("%s: %.4f dB at %g Hz, want %g", c.name, got, c.hz, c.want)
		}
	}
}

// A bell of +6 dB and the same of -6 are each other's inverse: with A its
// amplitude the cookbook swaps numerator and denominator.
func TestEQUndoesItself(t *testing.T) {
	up, down := processor(t, mix.EQ{LowMid: mix.Band{Hz: 700, GainDB: 6, Q: 3}}), processor(t, mix.EQ{LowMid: mix.Band{Hz: 700, GainDB: -6, Q: 3}})
	x := sine(700, -6, 4800)
	want := append([]float64(nil), x...)
	up.Process(x, nil)
	down.Process(x, nil)
	for i := range x {
		if math.Abs(x[i]-want[i]) > 1e-12 {
			t.Fatalf("sample %d is %g, want %g", i, x[i], want[i])
		}
	}
}

// Soft sounds keep their level; loud ones follow tanh(d·x)/d, d = 1 at 6.02 dB:
// a step to 1 ends at tanh(1) = 0.7616.
func TestSaturationCurve(t *testing.T) {
	s := mix.Saturation{DriveDB: 20 * math.Log10(2)}
	x := make([]float64, 10)
	for i := range x {
		x[i] = 1
	}
	processor(t, s).Process(x, nil)
	if math.Abs(x[9]-math.Tanh(1)) > 1e-12 {
		t.Errorf("a step to 1 ends at %g, want %g", x[9], math.Tanh(1))
	}
	soft := sine(100, -60, 48000)
	processor(t, s).Process(soft, nil)
	if got := levelDB(soft); math.Abs(got+60) > 0.001 {
		t.Errorf("a tone of -60 dB comes out at %.4f", got)
	}
}

// Partials beyond half the rate fold back: of 5 kHz driven by 24 dB the ninth
// (45 kHz) lies at 3 kHz. Without the antiderivative it would stand at -25 dB.
func TestSaturationFoldsLittleBack(t *testing.T) {
	const n = 48000
	folded := func(shape func(x []float64)) float64 {
		x := sine(5000, 0, n)
		shape(x)
		sum := complex(0, 0)
		for i, v := range x[n/2:] {
			sum += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*3000*float64(i)/48000)
		}
		first := complex(0, 0)
		for i, v := range x[n/2:] {
			first += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*5000*float64(i)/48000)
		}
		return 20 * math.Log10(cmplx.Abs(sum)/cmplx.Abs(first))
	}
	s := mix.Saturation{DriveDB: 24}
	ours := folded(func(x []float64) { processor(t, s).Process(x, nil) })
	plain := folded(func(x []float64) {
		d := mix.Gain(24) - 1
		for i, v := range x {
			x[i] = math.Tanh(d*v) / d
		}
	})
	t.Logf("folded back to 3 kHz: %.1f dB, of the plain curve %.1f dB", ours, plain)
	if ours > plain-15 {
		t.Errorf("folded back: %.1f dB, the plain curve %.1f", ours, plain)
	}
}
