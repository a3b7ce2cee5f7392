package mix_test

import (
	"math"
	"testing"

	"cuechoir/engine/mix"
)

// The static curve by hand: 12 dB over at 4:1 are 9 dB less; in the middle of a
// knee of W dB it is slope·W/8 (Giannoulis, Massberg and Reiss 2012, equation 4).
func TestCompressorCurve(t *testing.T) {
	c := mix.Compressor{ThresholdDB: -24, Ratio: 4, KneeDB: 12}
	for level, want := range map[float64]float64{-12: 9, -40: 0, -30: 0, -24: 0.75 * 12 / 8, -18: 4.5, 0: 18} {
		if got := c.ReductionDB(level); math.Abs(got-want) > 1e-12 {
			t.Errorf("at %g dB: %g dB less, want %g", level, got, want)
		}
	}
	for _, level := range []float64{-40, -26, -20, -12, -3} {
		x := sine(1000, level, 96000)
		processor(t, c).Process(x, nil)
		want := level - c.ReductionDB(level)
		if got := levelDB(x[48000:]); math.Abs(got-want) > 0.15 {
			t.Errorf("a tone of %g dB comes out at %.3f, want %.3f", level, got, want)
		}
	}
	c.MakeupDB = 5
	x := sine(1000, -40, 48000)
	processor(t, c).Process(x, nil)
	if got := levelDB(x[24000:]); math.Abs(got+35) > 0.001 {
		t.Errorf("makeup: %.3f dB, want -35", got)
	}
}

// steps gives the gain in dB of a step's answer, sample by sample.
func stepGain(t testing.TB, m maker, before, after float64, n int) []float64 {
	t.Helper()
	x := make([]float64, 2*n)
	in := make([]float64, 2*n)
	for i := range x {
		level := before
		if i >= n {
			level = after
		}
		x[i] = mix.Gain(level) * float64(1-2*(i/8%2)) // a square: its level is seen at once
		in[i] = x[i]
	}
	processor(t, m).Process(x, nil)
	out := make([]float64, n)
	for i := range out {
		out[i] = 20 * math.Log10(x[n+i]/in[n+i])
	}
	return out
}

// After the attack time 63 % of the reduction are reached, after the release
// time 63 % of the way back, give or take two looks at the level.
func TestCompressorTimes(t *testing.T) {
	c := mix.Compressor{ThresholdDB: -40, Ratio: 2, AttackMilliseconds: 20, ReleaseMilliseconds: 100}
	up := stepGain(t, c, -60, -20, 48000) // 20 dB over: 10 dB less
	want := -10 * (1 - 1/math.E)
	if got := up[960+16]; math.Abs(got-want) > 0.35 {
		t.Errorf("20 ms into a step: %.2f dB, want %.2f", got, want)
	}
	if got := up[47000]; math.Abs(got+10) > 0.01 {
		t.Errorf("in the end: %.3f dB, want -10", got)
	}
	down := stepGain(t, c, -20, -60, 96000)
	if got := down[95000]; math.Abs(got) > 0.01 {
		t.Errorf("it does not come back: %.3f dB", got)
	}
	// The hold falls first (a quarter of the release a e-fold), then the gain.
	at := 0
	for at < len(down) && down[at] < -10/math.E {
		at++
	}
	if ms := float64(at) / 48; ms < 90 || ms > 260 {
		t.Errorf("63 %% of the way back after %.0f ms, want 100 and what the hold adds", ms)
	}
}

// No zipper noise: a tone through a gain in motion keeps to itself. What lies
// outside 100 Hz around it is 80 dB below.
func TestCompressorHasNoZipperNoise(t *testing.T) {
	x := sine(1000, -60, 48000)
	copy(x[24000:], sine(1000, -6, 24000))
	processor(t, mix.Compressor{ThresholdDB: -40, Ratio: 8, AttackMilliseconds: 50, ReleaseMilliseconds: 500}).Process(x, nil)
	// The steps of 16 samples would be heard at 3 kHz and its multiples.
	for _, hz := range []float64{2000, 3000, 4000, 6000} {
		if got := partial(x[30000:46000], hz) - partial(x[30000:46000], 1000); got > -80 {
			t.Errorf("%g Hz: %.1f dB against the tone", hz, got)
		}
	}
}

// partial is the level of a frequency in dB, through a Hann window.
func partial(x []float64, hz float64) float64 {
	re, im := 0.0, 0.0
	for i, v := range x {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(len(x)))
		s, c := math.Sincos(2 * math.Pi * hz * float64(i) / 48000)
		re, im = re+w*v*c, im+w*v*s
	}
	return 20 * math.Log10(math.Hypot(re, im)/float64(len(x))*4)
}

func TestGate(t *testing.T) {
	g := mix.Gate{ThresholdDB: -40, RangeDB: 30, AttackMilliseconds: 1, HoldMilliseconds: 50, ReleaseMilliseconds: 100}
	soft := sine(300, -50, 48000)
	processor(t, g).Process(soft, nil)
	if got := levelDB(soft[24000:]); math.Abs(got+80) > 0.01 {
		t.Errorf("a tone of -50 dB comes out at %.2f, want -80", got)
	}
	loud := sine(300, -20, 48000)
	want := append([]float64(nil), loud...)
	processor(t, g).Process(loud, nil)
	for i := 4800; i < len(loud); i++ {
		if loud[i] != want[i] {
			t.Fatalf("open, sample %d is %g, want %g", i, loud[i], want[i])
		}
	}
	// 2 dB below the threshold keeps it open, 6 dB below lets it close.
	for level, open := range map[float64]bool{-42: true, -46: false} {
		if got := stepGain(t, g, -20, level, 48000)[47000]; (math.Abs(got) < 0.01) != open {
			t.Errorf("at %g dB after an entry the gain is %.2f dB, open should be %v", level, got, open)
		}
	}
	// Once shut, the threshold itself opens it, not 2 dB below.
	if got := stepGain(t, g, -70, -42, 48000)[47000]; math.Abs(got+30) > 0.01 {
		t.Errorf("at -42 dB after silence the gain is %.2f dB, want -30", got)
	}
	closing := stepGain(t, g, -20, -70, 48000)
	if got := closing[48*45]; got != 0 {
		t.Errorf("45 ms into silence the gain is %.2f dB, but it holds for 50", got)
	}
	if got := closing[48*(50+50)]; math.Abs(got+15) > 1 {
		t.Errorf("50 ms behind the hold: %.2f dB, want half of 30", got)
	}
}

// Hiss is lowered by four of five dB above the threshold, at most by the range;
// what is low stays.
func TestDeEsser(t *testing.T) {
	d := mix.DeEsser{ThresholdDB: -40, Hz: 4000}
	for level, want := range map[float64]float64{-50: -50, -35: -39, -20: -32} { // 12 dB is the usual range
		x := sine(16000, level, 48000)
		processor(t, d).Process(x, nil)
		if got := levelDB(x[24000:]); math.Abs(got-want) > 1 {
			t.Errorf("hiss of %g dB comes out at %.2f, want %.2f", level, got, want)
		}
	}
	low := sine(200, -6, 48000)
	processor(t, d).Process(low, nil)
	if got := levelDB(low[24000:]); math.Abs(got+6) > 0.05 {
		t.Errorf("a low tone of -6 dB comes out at %.3f", got)
	}
}
