package dsp

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// sampleSections are filters from the gentlest to the sharpest.
func sampleSections(t testing.TB) []Coefficients {
	t.Helper()
	var out []Coefficients
	for _, f := range []func() (Coefficients, error){
		func() (Coefficients, error) { return Highpass(80, math.Sqrt2/2, 48000) },
		func() (Coefficients, error) { return LowShelf(120, 0.7, 6, 48000) },
		func() (Coefficients, error) { return Peaking(400, 1, -9, 48000) },
		func() (Coefficients, error) { return Peaking(3000, 8, 12, 48000) },
		func() (Coefficients, error) { return HighShelf(9000, 0.7, -4, 48000) },
	} {
		c, err := f()
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, c)
	}
	return out
}

// The impulse's spectrum is the product of the sections' responses.
func TestCascadeResponse(t *testing.T) {
	all := sampleSections(t)
	for n := range len(all) + 1 {
		c := NewCascade(all[:n]...)
		x := make([]float64, 1<<15)
		x[0] = 1
		c.Process(x)
		for _, hz := range []float64{30, 80, 400, 1000, 3000, 9000, 20000} {
			want, got := complex(1, 0), complex(0, 0)
			for _, k := range all[:n] {
				want *= k.Response(hz, 48000)
			}
			for i, v := range x {
				got += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*hz*float64(i)/48000)
			}
			if cmplx.Abs(got-want) > 1e-9 {
				t.Errorf("%d sections at %g Hz: %v, want %v", n, hz, got, want)
			}
		}
	}
}

// The same bits however the sound is cut, silence and dying tails included; and
// after a second of silence nothing is left.
func TestCascadeIsTheSameInAnyBlocks(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	const n = 200_000
	sound := make([]float64, n)
	for i := range 5000 {
		sound[i] = 2*r.Float64() - 1
	}
	var want []float64
	for _, block := range []int{n, 1, 63, 479, 4096} {
		c := NewCascade(sampleSections(t)...)
		x := append([]float64(nil), sound...)
		for at := 0; at < n; at += block {
			c.Process(x[at:min(at+block, n)])
		}
		if want == nil {
			want = x
		}
		for i := range x {
			if math.Float64bits(x[i]) != math.Float64bits(want[i]) {
				t.Fatalf("blocks of %d: sample %d is %g, want %g", block, i, x[i], want[i])
			}
		}
	}
	tail := NewCascade(sampleSections(t)...)
	if at := 5000 + tail.Tail(600, n) + 2*settleEvery; want[at] != 0 {
		t.Errorf("sample %d is still %g", at, want[at])
	}
}

// A resonance of Q falls by e in Q/(π·f) seconds.
func TestCascadeTail(t *testing.T) {
	k, err := Bandpass(1000, 50, 48000)
	if err != nil {
		t.Fatal(err)
	}
	c := NewCascade(k)
	want := 60 / 20 * math.Ln10 * 50 / (math.Pi * 1000) * 48000
	if got := float64(c.Tail(60, 1<<30)); math.Abs(got/want-1) > 0.01 {
		t.Errorf("60 dB in %g samples, want %g", got, want)
	}
	if got := c.Tail(600, 100); got != 100 {
		t.Errorf("the bound of 100 gave %d", got)
	}
}

func BenchmarkCascade5(b *testing.B) {
	c := NewCascade(sampleSections(b)...)
	x := make([]float64, 4096)
	for i := range x {
		x[i] = math.Sin(float64(i))
	}
	b.SetBytes(8 * 4096)
	for b.Loop() {
		c.Process(x)
		x[0] = 1
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4096, "ns/sample")
}
