package beats

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

func track(t testing.TB, x []float32, rate int, o Options) Result {
	t.Helper()
	res, err := Track(context.Background(), x, rate, o)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// attacks is a sharp-edged instrument on known samples, at 100 BPM.
func attacks(seconds float64) (x []float32, at []float64) {
	r := rand.New(rand.NewPCG(5, 5))
	x = make([]float32, int(seconds*synthRate))
	for s := 0.5 + 1.0/7; s < seconds-1; s += 0.6 {
		at = append(at, math.Round(s*synthRate)/synthRate)
		pluck(50+float64(r.IntN(20)), 0.3, 0.2).add(x, at[len(at)-1], r)
	}
	for i := range x {
		x[i] += float32(0.001 * r.NormFloat64())
	}
	return x, at
}

// A beat's time is the attack's: at 24, 44.1 and 48 kHz.
func TestTimesOfAttacks(t *testing.T) {
	x, truth := attacks(24)
	for _, rate := range []int{synthRate, 44100, 48000} {
		if underRace && rate != synthRate {
			continue
		}
		y, err := dsp.Resample(x, synthRate, rate)
		if err != nil {
			t.Fatal(err)
		}
		res := track(t, y, rate, Options{})
		var late []float64
		worst := 0.0
		for i, b := range res.Beats {
			s := float64(b.Sample) / float64(rate)
			k := int(math.Round((s - truth[0]) / 0.6))
			if k < 0 || k >= len(truth) {
				t.Errorf("%d Hz: beat %d at %.3f s is none", rate, i, s)
				continue
			}
			late = append(late, s-truth[k])
			worst = max(worst, math.Abs(s-truth[k]))
		}
		t.Logf("%d Hz: %d of %d beats, median %+.1f ms, worst %.1f ms", rate, len(late), len(truth), 1000*dsp.Median(late), 1000*worst)
		if len(late) != len(truth) || math.Abs(dsp.Median(late)) > 0.004 || worst > 0.01 {
			t.Errorf("%d Hz: %d of %d beats, median %+.1f ms, worst %.1f ms", rate, len(late), len(truth), 1000*dsp.Median(late), 1000*worst)
		}
		for _, c := range res.Curve[2 : len(res.Curve)-2] {
			if math.Abs(c.BPM-100) > 2 {
				t.Errorf("%d Hz: %.1f BPM at sample %d, want 100", rate, c.BPM, c.Sample)
			}
		}
	}
}

// Silence, noise, speech, a held chord and notes at random times have no beat,
// and that is said.
func TestNoBeat(t *testing.T) {
	const n = 30 * synthRate
	r := rand.New(rand.NewPCG(3, 99))
	noise, chord, random := make([]float32, n), make([]float32, n), make([]float32, n)
	for i := range noise {
		noise[i] = float32(0.1 * r.NormFloat64())
	}
	for _, k := range []float64{48, 55, 60, 64} {
		bowed(k, 29, 0.1).add(chord, 0.5, rand.New(rand.NewPCG(0, 99)))
	}
	for at := 0.5; at < 29; at += 0.1 + 0.5*r.ExpFloat64() {
		pluck(48+float64(r.IntN(24)), 0.3, 0.2).add(random, at, r)
	}
	voice := singer.Voice{Seed: 3, SampleRate: synthRate, Breath: 0.1, JitterCents: 20}
	speech := voice.Sing(singer.Speech(3, 0, n, synthRate, 44), 0, n)
	worn := append([]float32(nil), speech...)
	piece{seed: 3, dirt: "worn", seconds: 30}.wear(worn, r)
	nan := make([]float32, n)
	for i := range nan {
		nan[i] = float32([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e38}[i%4])
	}
	for name, x := range map[string][]float32{"silence": make([]float32, n), "noise": noise, "a held chord": chord, "random notes": random,
		"speech": speech, "worn speech": worn, "what is no number": nan, "one second": speech[:synthRate], "nothing": nil} {
		if underRace && name != "speech" && name != "nothing" {
			continue
		}
		res := track(t, x, synthRate, Options{})
		t.Logf("%s: confidence %.2f", name, res.Confidence)
		if len(res.Beats) != 0 || res.NoBeat == "" || res.Metre != 0 || res.Confidence >= Sure {
			t.Errorf("%s: %d beats, confidence %.2f, %q", name, len(res.Beats), res.Confidence, res.NoBeat)
		}
	}
}

// The result is the same however the sound is cut.
func TestFollowerBlocks(t *testing.T) {
	x, _ := attacks(8)
	want := track(t, x, synthRate, Options{})
	for _, block := range []int{1, 63, 4096, 100_000} {
		if underRace && block != 63 {
			continue
		}
		f, err := New(synthRate, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for rest := x; len(rest) > 0; {
			n := min(block, len(rest))
			if err := f.Push(rest[:n]); err != nil {
				t.Fatal(err)
			}
			rest = rest[n:]
		}
		got, err := f.Finish(context.Background())
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("blocks of %d: another result (%v)", block, err)
		}
	}
}

// A range settles the octave.
func TestRangeOfTempo(t *testing.T) {
	x, truth := attacks(16)
	for _, o := range []Options{{MinBPM: 80, MaxBPM: 120}, {MinBPM: 40, MaxBPM: 70}, {MinBPM: 160, MaxBPM: 240}, {MinBPM: 99, MaxBPM: 101}} {
		res := track(t, x, synthRate, o)
		if len(res.Beats) < len(truth)/2 {
			t.Errorf("%v: %d beats", o, len(res.Beats))
		}
		for _, c := range res.Curve[2 : len(res.Curve)-2] {
			if c.BPM < o.MinBPM*0.97 || c.BPM > o.MaxBPM*1.03 {
				t.Errorf("%v: %.1f BPM", o, c.BPM)
			}
		}
	}
}

func TestTrackRefuses(t *testing.T) {
	x, _ := attacks(4)
	for name, c := range map[string]struct {
		rate int
		o    Options
	}{
		"no rate": {0, Options{}}, "a low rate": {7999, Options{}}, "a high rate": {192001, Options{}},
		"an empty range": {synthRate, Options{MinBPM: 100, MaxBPM: 90}}, "a slow range": {synthRate, Options{MinBPM: 10}},
		"a fast range": {synthRate, Options{MaxBPM: 1000}}, "no number": {synthRate, Options{MinBPM: math.NaN()}},
		"an expected tempo outside": {synthRate, Options{MinBPM: 90, MaxBPM: 100, ExpectBPM: 120}},
		"a bar of nothing":          {synthRate, Options{Metres: []int{0}}},
	} {
		if _, err := Track(context.Background(), x, c.rate, c.o); fault.KindOf(err) != fault.Usage {
			t.Errorf("%s: %v", name, err)
		}
	}
	f, err := New(8000, Options{})
	if err != nil {
		t.Fatal(err)
	}
	f.samples = 3600 * 8000
	if err := f.Push(x[:1]); fault.KindOf(err) != fault.OverLimit {
		t.Errorf("beyond an hour: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Track(ctx, x, synthRate, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// Four minutes at 48 kHz.
func BenchmarkTrack(b *testing.B) {
	p := piece{1, "march", 4, 96, "sway", "voiced", 60}
	x, _, _ := p.render()
	y, err := dsp.Resample(x, synthRate, 48000)
	if err != nil {
		b.Fatal(err)
	}
	y = append(append(append(y, y...), y...), y...)[:240*48000]
	b.ReportAllocs()
	for b.Loop() {
		track(b, y, 48000, Options{})
	}
	b.ReportMetric(240*float64(b.N)/b.Elapsed().Seconds(), "×realtime")
}
