package dsp

import (
	"math"
	"math/cmplx"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"cuechoir/internal/fault"
	_ "cuechoir/internal/fixedseed"
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

// levelDB gives the RMS level of the middle half in dB against a sine of 0.5.
func levelDB(y []float64) float64 {
	sum, n := 0.0, 0
	for _, v := range y[len(y)/4 : 3*len(y)/4] {
		sum += v * v
		n++
	}
	return 10 * math.Log10(sum/float64(n)/0.125)
}

func resample64(t testing.TB, from, to int, x []float64) []float64 {
	t.Helper()
	r, err := NewResampler(from, to)
	if err != nil {
		t.Fatal(err)
	}
	r.hist = append(r.hist, x...)
	r.in = int64(len(x))
	return r.finish(r.produce(nil, math.MaxInt64))
}

// A tone above half the lower rate has no place in the output, and a tone
// below 0.91 of it keeps its level.
func TestResamplerRejectsAliasesAndKeepsLevels(t *testing.T) {
	for _, c := range []struct {
		from, to int
		hz       float64
		kept     bool
	}{
		{48000, 44100, 22100, false}, {48000, 44100, 23000, false}, {48000, 44100, 20000, true},
		{96000, 48000, 24100, false}, {96000, 48000, 30000, false}, {96000, 48000, 47000, false}, {96000, 48000, 21000, true},
		{48000, 16000, 8100, false}, {48000, 16000, 7200, true}, {48000, 8000, 4100, false},
		{44123, 22050, 11100, false}, {44100, 48000, 20000, true}, {16000, 48000, 7200, true},
	} {
		x := make([]float64, c.from)
		for i := range x {
			x[i] = 0.5 * math.Sin(2*math.Pi*c.hz*float64(i)/float64(c.from))
		}
		db := levelDB(resample64(t, c.from, c.to, x))
		t.Logf("%d to %d Hz, %.0f Hz: %.2f dB", c.from, c.to, c.hz, db)
		if c.kept && math.Abs(db) > 1e-4 || !c.kept && db > -140 {
			t.Errorf("%d to %d Hz, %.0f Hz: %.5f dB; kept is %v", c.from, c.to, c.hz, db, c.kept)
		}
	}
}

// Going up leaves no image of a low tone above the old Nyquist frequency.
func TestResamplerLeavesNoImages(t *testing.T) {
	const n = 32768
	x := make([]float64, 22050)
	for i := range x {
		x[i] = 0.5 * math.Sin(2*math.Pi*5000*float64(i)/22050)
	}
	y := resample64(t, 22050, 48000, x)[4000 : 4000+n]
	f := plan(t, n)
	s := make([]complex128, f.Bins())
	w := Kaiser(n, 24) // side lobes under -220 dB
	for i := range w {
		w[i] *= y[i]
	}
	f.Forward(s, w)
	peak, image := 0.0, 0.0
	for k, v := range s {
		if float64(k)*48000/n > 11025 {
			image = max(image, cmplx.Abs(v))
		} else {
			peak = max(peak, cmplx.Abs(v))
		}
	}
	db := AmplitudeToDB(image / peak)
	t.Logf("strongest image: %.1f dB", db)
	if db > -150 {
		t.Errorf("an image of %.1f dB is left, want under -150", db)
	}
}

// An impulse at k comes out centred on k·to/from: no delay.
func TestResamplerHasNoDelay(t *testing.T) {
	for _, c := range []struct{ from, to, at int }{{44100, 88200, 1000}, {48000, 96000, 7}, {96000, 48000, 4000}, {16000, 48000, 333}, {48000, 16000, 999}} {
		x := make([]float64, c.from)
		x[c.at] = 1
		y := resample64(t, c.from, c.to, x)
		best := 0
		for i := range y {
			if y[i] > y[best] {
				best = i
			}
		}
		want := c.at * c.to / c.from
		if best != want {
			t.Errorf("%d to %d: an impulse at %d is at %d, want %d", c.from, c.to, c.at, best, want)
		}
		for d := 1; d <= 5; d++ {
			if want >= d && math.Abs(y[want-d]-y[want+d]) > 1e-12 {
				t.Errorf("%d to %d: not symmetric %d samples off the centre: %v and %v", c.from, c.to, d, y[want-d], y[want+d])
			}
		}
	}
}

func TestResamplerLengthAndBlocks(t *testing.T) {
	rates := []int{8000, 11025, 22050, 44100, 48000, 48048, 96000}
	type pair struct{ from, to int }
	made := map[pair]*Resampler{} // the design of an odd ratio takes 0.2 s
	rapid.Check(t, func(rt *rapid.T) {
		from := rapid.SampledFrom(rates).Draw(rt, "from")
		to := rapid.SampledFrom(rates[2:6]).Draw(rt, "to")
		x := make([]float32, rapid.IntRange(0, 6000).Draw(rt, "n"))
		for i := range x {
			x[i] = float32(math.Sin(float64(i*i) / 1000))
		}
		r := made[pair{from, to}]
		if r == nil {
			var err error
			if r, err = NewResampler(from, to); err != nil {
				rt.Fatal(err)
			}
			made[pair{from, to}] = r
		}
		whole := r.Flush(r.Push(nil, x))
		if want := int(math.Round(float64(len(x)) * float64(to) / float64(from))); len(whole) != want {
			rt.Fatalf("%d samples from %d to %d Hz became %d, want %d", len(x), from, to, len(whole), want)
		}
		var parts []float32
		for rest := x; len(rest) > 0; {
			n := min(len(rest), rapid.SampledFrom([]int{1, 63, 479, 5000}).Draw(rt, "block"))
			parts = r.Push(parts, rest[:n])
			rest = rest[n:]
		}
		if parts = r.Flush(parts); !slices.Equal(parts, whole) {
			rt.Fatalf("%d to %d Hz: blocks give another output than the whole", from, to)
		}
		if from == 44100 || from == to {
			if fresh, err := Resample(x, from, to); err != nil || !slices.Equal(fresh, whole) {
				rt.Fatalf("%d to %d Hz: a used converter gives another output than a fresh one (%v)", from, to, err)
			}
		}
	})
}

func TestResamplerBounds(t *testing.T) {
	for _, c := range [][2]int{{0, 48000}, {48000, 0}, {-1, 48000}, {999, 48000}, {768001, 768000}, {1000, 65000}, {768000, 8000}, {math.MaxInt, math.MaxInt}} {
		if _, err := NewResampler(c[0], c[1]); fault.KindOf(err) != fault.Usage {
			t.Errorf("from %d to %d Hz: error %v, want a Usage error", c[0], c[1], err)
		}
	}
	// The dearest ratio stays within the size of its table.
	for _, c := range [][2]int{{767999, 12000}, {12000, 767999}, {1000, 63999}} {
		r, err := NewResampler(c[0], c[1])
		if err != nil {
			t.Fatal(err)
		}
		if got := len(r.rows) * len(r.rows[0]); got > 1<<22 {
			t.Errorf("%d to %d Hz: %d coefficients, want at most %d", c[0], c[1], got, 1<<22)
		}
	}
}

func TestResamplerAllocatesNothing(t *testing.T) {
	r, err := NewResampler(44100, 48000)
	if err != nil {
		t.Fatal(err)
	}
	x, out := make([]float32, 256), make([]float32, 0, 1024)
	out = r.Push(out[:0], make([]float32, 8192))
	if n := testing.AllocsPerRun(100, func() { out = r.Push(out[:0], x) }); n != 0 {
		t.Errorf("%v allocations a block, want none", n)
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
