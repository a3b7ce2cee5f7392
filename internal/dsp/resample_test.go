package dsp

import (
	"math"
	"testing"
)

// sineSNR resamples a sine through the float64 path and gives the ratio in dB
// of the ideal sine's power to that of the difference, away from the edges.
func sineSNR(t *testing.T, from, to int, hz float64) float64 {
	t.Helper()
	r, err := NewResampler(from, to)
	if err != nil {
		t.Fatal(err)
	}
	n := max(from, 4*r.half)
	for i := range n {
		r.hist = append(r.hist, 0.5*math.Sin(2*math.Pi*hz*float64(i)/float64(from)))
	}
	r.in = int64(n)
	y := r.finish(r.produce(nil, math.MaxInt64))
	var signal, noise float64
	for k := len(y) / 4; k < 3*len(y)/4; k++ {
		want := 0.5 * math.Sin(2*math.Pi*hz*float64(k)/float64(to))
		signal += want * want
		noise += (y[k] - want) * (y[k] - want)
	}
	return 10 * math.Log10(signal/noise)
}

func TestResamplerSNR(t *testing.T) {
	for _, c := range []struct {
		from, to int
		hz       float64
	}{
		{44100, 48000, 1000}, {44100, 48000, 10000}, {44100, 48000, 19000},
		{48000, 44100, 1000}, {48000, 44100, 10000},
		{22050, 48000, 1000}, {22050, 48000, 10000 * 0.95},
		{48000, 96000, 1000}, {48000, 96000, 10000},
		{16000, 48000, 1000}, {16000, 48000, 7000},
		{96000, 48000, 10000}, {48048, 48000, 10000}, {44123, 48000, 10000}, {48000, 44123, 10000},
	} {
		snr := sineSNR(t, c.from, c.to, c.hz)
		t.Logf("%d to %d Hz, %5.0f Hz: SNR %.1f dB", c.from, c.to, c.hz, snr)
		if snr < 140 {
			t.Errorf("%d to %d Hz, %.0f Hz: SNR %.1f dB, want at least 140", c.from, c.to, c.hz, snr)
		}
	}
}

func BenchmarkResample44to48(b *testing.B) {
	r, err := NewResampler(44100, 48000)
	if err != nil {
		b.Fatal(err)
	}
	x := make([]float32, 44100)
	for i := range x {
		x[i] = float32(math.Sin(float64(i) / 10))
	}
	out := make([]float32, 0, 50000)
	b.ReportAllocs()
	b.ResetTimer()
	for b.Loop() {
		out = r.Push(out[:0], x)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
