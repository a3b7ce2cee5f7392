package loudness

import (
	"fmt"
	"math"
	"testing"
)

const tolLU = 0.1 // EBU Tech 3341, table 1

func measure(t testing.TB, o Options, signal []float32) *Meter {
	t.Helper()
	m, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Push(signal); err != nil {
		t.Fatal(err)
	}
	m.Finish()
	return m
}

func near(t *testing.T, what string, got, want, below, above float64) {
	t.Helper()
	t.Logf("%-34s %9.3f (wanted %6.1f)", what, got, want)
	if !(got >= want-below && got <= want+above) {
		t.Errorf("%s = %.3f, want %.1f (-%.1f +%.1f)", what, got, want, below, above)
	}
}

// EBU Tech 3341, table 1, cases 1 to 6. Case 3 lasts 10, 60, 10 s.
func TestTech3341Integrated(t *testing.T) {
	cases := []struct {
		n        int
		channels int
		tones    []tone
		want     float64
	}{
		{1, 2, []tone{t1(20, -23)}, -23},
		{2, 2, []tone{t1(20, -33)}, -33},
		{3, 2, []tone{t1(10, -36), t1(60, -23), t1(10, -36)}, -23},
		{4, 2, []tone{t1(10, -72), t1(10, -36), t1(60, -23), t1(10, -36), t1(10, -72)}, -23},
		{5, 2, []tone{t1(20, -26), t1(20.1, -20), t1(20, -26)}, -23},
		{6, 5, []tone{{20, []float64{-28, -28, -24, -30, -30}}}, -23},
		{6, 6, []tone{{20, []float64{-28, -28, -24, -3, -30, -30}}}, -23}, // the LFE, here loud, does not count
	}
	for _, rate := range []int{48000, 44100, 96000} {
		for _, c := range cases {
			if rate != 48000 && c.n > 2 && c.n != 6 { // the gates do not know the rate
				continue
			}
			m := measure(t, Options{SampleRate: rate, Channels: c.channels, SkipTruePeak: true}, synth(rate, c.channels, 1000, c.tones))
			name := fmt.Sprintf("case %d, %d ch, %d Hz", c.n, c.channels, rate)
			near(t, name+" I", m.IntegratedLUFS(), c.want, tolLU, tolLU)
			if c.n <= 2 {
				near(t, name+" M", m.MomentaryLUFS(), c.want, tolLU, tolLU)
				near(t, name+" S", m.ShortTermLUFS(), c.want, tolLU, tolLU)
			}
		}
	}
}

// Cases 9 and 12: a window that holds whole periods of a changing level reads
// a constant once it is full.
func TestTech3341Constant(t *testing.T) {
	for _, c := range []struct {
		name  string
		tones []tone
		from  float64
		read  func(*Meter) float64
	}{
		{"case 9 S", repeat(5, t1(1.34, -20), t1(1.66, -30)), 3, (*Meter).ShortTermLUFS},
		{"case 12 M", repeat(25, t1(0.18, -20), t1(0.22, -30)), 1, (*Meter).MomentaryLUFS},
	} {
		signal := synth(48000, 2, 1000, c.tones)
		m, _ := New(Options{SkipTruePeak: true})
		lo, hi := math.Inf(1), math.Inf(-1)
		const step = 480
		for at := 0; at < len(signal); at += 2 * step {
			if err := m.Push(signal[at : at+2*step]); err != nil {
				t.Fatal(err)
			}
			if float64(at/2+step) >= c.from*48000 {
				lo, hi = math.Min(lo, c.read(m)), math.Max(hi, c.read(m))
			}
		}
		near(t, c.name+" lowest", lo, -23, tolLU, tolLU)
		near(t, c.name+" highest", hi, -23, tolLU, tolLU)
	}
}

// Cases 10 and 13: twenty files each, silence first, then one burst.
func TestTech3341FileMeters(t *testing.T) {
	for _, c := range []struct {
		name          string
		silence, loud float64
		read          func(*Meter) float64
	}{
		{"case 10 max S", 0.15, 3, (*Meter).MaxShortTermLUFS},
		{"case 13 max M", 0.02, 0.4, (*Meter).MaxMomentaryLUFS},
	} {
		lo, hi := math.Inf(1), math.Inf(-1)
		for i := range 20 {
			m := measure(t, Options{SkipTruePeak: true}, synth(48000, 2, 1000, []tone{t1(c.silence*float64(i), silence), t1(c.loud, -23), t1(1, silence)}))
			lo, hi = math.Min(lo, c.read(m)), math.Max(hi, c.read(m))
		}
		near(t, c.name+" worst low", lo, -23, tolLU, tolLU)
		near(t, c.name+" worst high", hi, -23, tolLU, tolLU)
	}
}

// Cases 11 and 14: one file, the maximum climbs 1 LU a burst.
func TestTech3341LiveMeters(t *testing.T) {
	for _, c := range []struct {
		name          string
		silence, loud float64
		read          func(*Meter) float64
	}{
		{"case 11 max S", 0.15, 3, (*Meter).MaxShortTermLUFS},
		{"case 14 max M", 0.02, 0.4, (*Meter).MaxMomentaryLUFS},
	} {
		m, _ := New(Options{SkipTruePeak: true})
		worst := 0.0
		for i := range 20 {
			lead := c.silence * float64(i)
			if err := m.Push(synth(48000, 2, 1000, []tone{t1(lead, silence), t1(c.loud, float64(i-38)), t1(c.loud-lead, silence)})); err != nil {
				t.Fatal(err)
			}
			miss := c.read(m) - float64(i-38)
			if math.Abs(miss) > math.Abs(worst) {
				worst = miss
			}
			if math.Abs(miss) > tolLU {
				t.Errorf("%s after burst %d = %.3f, want %d", c.name, i, c.read(m), i-38)
			}
		}
		t.Logf("%s: worst miss of 20 bursts %+.3f LU", c.name, worst)
	}
}

// Cases 15 to 23: true peak, tolerance +0.2 -0.4 dB.
func TestTech3341TruePeak(t *testing.T) {
	for _, c := range []struct {
		n                     int
		divisor, degrees, amp float64
		want                  float64
	}{
		{15, 4, 0, 0.5, -6}, {16, 4, 45, 0.5, -6}, {17, 6, 60, 0.5, -6}, {18, 8, 67.5, 0.5, -6}, {19, 4, 45, 1.41, 3},
	} {
		m := measure(t, Options{}, peakTone(48000, c.divisor, c.degrees, c.amp))
		near(t, fmt.Sprintf("case %d TP", c.n), m.TruePeakDBTP(), c.want, 0.4, 0.2)
	}
	samplePeaks := []float64{-0.13, -0.46, -2.50, -0.46} // the published files read -0.1 -0.5 -2.5 -0.5
	for i, want := range samplePeaks {
		m := measure(t, Options{}, interSamplePeak(48000, i))
		near(t, fmt.Sprintf("case %d sample peak", 20+i), m.SamplePeakDBFS(), want, 0.02, 0.02)
		near(t, fmt.Sprintf("case %d TP", 20+i), m.TruePeakDBTP(), 0, 0.4, 0.2)
	}
}

// EBU Tech 3342, table 1, cases 1 to 4, tolerance 1 LU.
func TestTech3342Range(t *testing.T) {
	for i, c := range []struct {
		levels []float64
		want   float64
	}{
		{[]float64{-20, -30}, 10}, {[]float64{-20, -15}, 5}, {[]float64{-40, -20}, 20}, {[]float64{-50, -35, -20, -35, -50}, 15},
	} {
		var tones []tone
		for _, l := range c.levels {
			tones = append(tones, t1(20, l))
		}
		m := measure(t, Options{SkipTruePeak: true}, synth(48000, 2, 1000, tones))
		near(t, fmt.Sprintf("Tech 3342 case %d LRA", i+1), m.RangeLU(), c.want, 1, 1)
	}
}
