package dsp

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

func noise(n int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	return x
}

func plan(t testing.TB, n int) *RealFFT {
	t.Helper()
	f, err := NewRealFFT(n)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// The slow reference: the defining sum, with angles reduced in integers.
func naiveDFT(x []float64) []complex128 {
	n := len(x)
	out := make([]complex128, n/2+1)
	for k := range out {
		for j, v := range x {
			out[k] += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*float64(j*k%n)/float64(n))
		}
	}
	return out
}

func TestForwardIsTheDFT(t *testing.T) {
	for n := 2; n <= 2048; n *= 2 {
		x := noise(n, uint64(n))
		f := plan(t, n)
		got := make([]complex128, f.Bins())
		f.Forward(got, x)
		worst := 0.0
		for k, want := range naiveDFT(x) {
			worst = max(worst, cmplx.Abs(got[k]-want))
		}
		if worst > 1e-12*float64(n) {
			t.Errorf("%d points: off the defining sum by %g", n, worst)
		}
	}
}

// Known pairs: an impulse is flat with a turning phase, a constant is one bin,
// a cosine on a bin has n/2 there, alternating signs sit in the last bin.
func TestForwardKnownPairs(t *testing.T) {
	const n = 64
	f := plan(t, n)
	at := func(fill func(j int) float64) []complex128 {
		x := make([]float64, n)
		for j := range x {
			x[j] = fill(j)
		}
		s := make([]complex128, f.Bins())
		f.Forward(s, x)
		return s
	}
	near := func(what string, got, want complex128) {
		t.Helper()
		if cmplx.Abs(got-want) > 1e-12 {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	impulse := at(func(j int) float64 {
		if j == 3 {
			return 1
		}
		return 0
	})
	flat := at(func(int) float64 { return 1 })
	cosine := at(func(j int) float64 { return math.Cos(2*math.Pi*5*float64(j)/n + 0.5) })
	signs := at(func(j int) float64 { return float64(1 - 2*(j%2)) })
	for k := range impulse {
		near(fmt.Sprint("impulse, bin ", k), impulse[k], cmplx.Rect(1, -2*math.Pi*3*float64(k)/n))
		var wantFlat, wantCos, wantSigns complex128
		switch k {
		case 0:
			wantFlat = n
		case 5:
			wantCos = cmplx.Rect(n/2, 0.5)
		case n / 2:
			wantSigns = n
		}
		near(fmt.Sprint("constant, bin ", k), flat[k], wantFlat)
		near(fmt.Sprint("cosine, bin ", k), cosine[k], wantCos)
		near(fmt.Sprint("signs, bin ", k), signs[k], wantSigns)
	}
}

// Inverse gives the signal back, and Parseval's sum holds.
func TestInverseAndParseval(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := 1 << rapid.IntRange(1, 12).Draw(rt, "log2 n")
		x := noise(n, rapid.Uint64().Draw(rt, "seed"))
		f := plan(t, n)
		s := make([]complex128, f.Bins())
		f.Forward(s, x)
		inTime, inBins := 0.0, 0.0
		for _, v := range x {
			inTime += v * v
		}
		for k, v := range s {
			p := real(v)*real(v) + imag(v)*imag(v)
			if k > 0 && k < n/2 {
				p *= 2
			}
			inBins += p / float64(n)
		}
		if math.Abs(inTime-inBins) > 1e-12*inTime {
			rt.Fatalf("energy %g in time, %g in bins", inTime, inBins)
		}
		back := make([]float64, n)
		f.Inverse(back, s)
		for i := range x {
			if math.Abs(back[i]-x[i]) > 1e-13 {
				rt.Fatalf("point %d of %d: %v came back as %v", i, n, x[i], back[i])
			}
		}
	})
}

func TestFFTRefusesOtherSizes(t *testing.T) {
	for _, n := range []int{-4, 0, 1, 3, 1000, MaxFFT * 2, math.MaxInt} {
		if f, err := NewRealFFT(n); err == nil {
			t.Errorf("a plan of %d points was made: %v", n, f.Len())
		}
	}
}

func TestFFTAllocatesNothing(t *testing.T) {
	f := plan(t, 2048)
	x, s := noise(2048, 1), make([]complex128, f.Bins())
	if n := testing.AllocsPerRun(10, func() { f.Forward(s, x); f.Inverse(x, s) }); n != 0 {
		t.Errorf("%v allocations a call, want none", n)
	}
}

func TestCrossCorrelateIsTheSum(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		a := noise(rapid.IntRange(0, 90).Draw(rt, "len a"), 2)
		b := noise(rapid.IntRange(0, 40).Draw(rt, "len b"), 3)
		maxLag := rapid.IntRange(0, 120).Draw(rt, "lag")
		got, err := CrossCorrelate(a, b, maxLag)
		if err != nil || len(got) != maxLag+1 {
			rt.Fatalf("%d lags, error %v", len(got), err)
		}
		for k := range got {
			want := 0.0
			for j := range b {
				if j+k < len(a) {
					want += a[j+k] * b[j]
				}
			}
			if math.Abs(got[k]-want) > 1e-11 {
				rt.Fatalf("lag %d: %v, want %v", k, got[k], want)
			}
		}
	})
	if _, err := CrossCorrelate(nil, nil, -1); err == nil {
		t.Error("a negative lag was taken")
	}
}

func BenchmarkRealFFT(b *testing.B) {
	for _, n := range []int{1024, 2048, 4096, 65536} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			f := plan(b, n)
			x, s := noise(n, 1), make([]complex128, f.Bins())
			b.ReportAllocs()
			for b.Loop() {
				f.Forward(s, x)
			}
		})
	}
}
