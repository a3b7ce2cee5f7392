package dsp

import (
	"math"
	"testing"

	"cuechoir/internal/fault"
)

// A sine read along a clock that is off, or that changes its pace, is the sine
// of that clock: what is left between the two is rounding to 32 bits.
func TestWarpSNR(t *testing.T) {
	const rate, n = 48000, 48000
	for _, c := range []struct {
		name string
		hz   float64
		at   func(k int) float64
	}{
		{"+200 ppm", 1000, func(k int) float64 { return 300.25 + float64(k)*(1+200e-6) }},
		{"-200 ppm", 10000, func(k int) float64 { return 300.25 + float64(k)*(1-200e-6) }},
		{"+5000 ppm", 19000, func(k int) float64 { return 300 + float64(k)*1.005 }},
		{"to and fro", 10000, func(k int) float64 { return 300 + float64(k) + 20*math.Sin(2*math.Pi*float64(k)/n) }},
	} {
		x := make([]float32, n+1000)
		for i := range x {
			x[i] = float32(0.5 * math.Sin(2*math.Pi*c.hz*float64(i)/rate))
		}
		y, err := Warp(x, n, c.at)
		if err != nil {
			t.Fatal(err)
		}
		var signal, noise float64
		for k := 1000; k < n-1000; k++ {
			want := 0.5 * math.Sin(2*math.Pi*c.hz*c.at(k)/rate)
			signal += want * want
			noise += (float64(y[k]) - want) * (float64(y[k]) - want)
		}
		snr := 10 * math.Log10(signal/noise)
		t.Logf("%s, %5.0f Hz: SNR %.1f dB", c.name, c.hz, snr)
		if snr < 135 {
			t.Errorf("%s, %.0f Hz: SNR %.1f dB, want at least 135", c.name, c.hz, snr)
		}
	}
}

// Outside of the sound there is silence, and whole positions give its samples
// back below 0.91 of the Nyquist frequency.
func TestWarpEdges(t *testing.T) {
	x := make([]float32, 2000)
	for i := range x {
		x[i] = float32(math.Sin(float64(i)/5) * 0.5 * (1 - math.Cos(2*math.Pi*float64(i)/2000)))
	}
	y, err := Warp(x, 4000, func(k int) float64 { return float64(k - 1000) })
	if err != nil {
		t.Fatal(err)
	}
	for k, v := range y {
		want := 0.0
		if k >= 1000 && k < 3000 {
			want = float64(x[k-1000])
		}
		if math.Abs(float64(v)-want) > 1e-6 {
			t.Fatalf("sample %d is %v, want %v", k, v, want)
		}
	}
	if y[100] != 0 || y[3900] != 0 {
		t.Error("far outside it is not silent")
	}
}

func TestWarpRefusesOtherClocks(t *testing.T) {
	x := make([]float32, 100)
	for name, at := range map[string]func(int) float64{
		"too fast": func(k int) float64 { return float64(k) * 1.006 },
		"back":     func(k int) float64 { return -float64(k) },
		"a jump":   func(k int) float64 { return float64(k + 7*(k/50)) },
		"NaN":      func(int) float64 { return math.NaN() },
		"too far":  func(k int) float64 { return 1e30 },
	} {
		if _, err := Warp(x, 100, at); fault.KindOf(err) != fault.Usage {
			t.Errorf("%s: %v, want a Usage error", name, err)
		}
	}
	if y, err := Warp(x, 0, nil); err != nil || len(y) != 0 {
		t.Errorf("nothing: %v, %v", y, err)
	}
}

func BenchmarkWarp(b *testing.B) {
	x := make([]float32, 480000)
	for i := range x {
		x[i] = float32(math.Sin(float64(i) / 10))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Warp(x, 479000, func(k int) float64 { return float64(k) * 1.0002 }); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(10*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
