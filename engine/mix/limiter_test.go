package mix_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/loudness"
	"cuechoir/engine/mix"
)

// truePeak is measured by the meter, which passes the signals of EBU Tech 3341.
func truePeak(t testing.TB, left, right []float64) float64 {
	t.Helper()
	m, err := loudness.New(loudness.Options{SampleRate: 48000, Channels: 2})
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, 2*len(left))
	for i := range left {
		x[2*i], x[2*i+1] = float32(left[i]), float32(right[i])
	}
	if err := m.Push(x); err != nil {
		t.Fatal(err)
	}
	m.Finish()
	return m.TruePeakDBTP()
}

// hot is what is hard to limit: noise, clipped tones, lone cracks, crests between
// samples.
func hot() map[string][]float64 {
	r := rand.New(rand.NewPCG(21, 22))
	const n = 48000
	out := map[string][]float64{}
	add := func(name string, f func(i int) float64) {
		x := make([]float64, n+1000)
		for i := range n { // what it has not given yet must not be cut off
			x[i] = f(i)
		}
		out[name] = x
	}
	add("noise", func(int) float64 { return 4*r.Float64() - 2 })
	add("square", func(i int) float64 { return 1.5 * float64(1-2*(i/37%2)) })
	add("cracks", func(i int) float64 {
		if i%997 == 0 {
			return 6
		}
		return 0.1 * math.Sin(float64(i)/50)
	})
	add("quarter", func(i int) float64 { return 1.4 * math.Sin(math.Pi/4+math.Pi*float64(i)/2) })
	add("swell", func(i int) float64 { return 3 * float64(i) / n * math.Sin(float64(i)/9) })
	return out
}

func TestLimiterHoldsTheCeiling(t *testing.T) {
	const ceiling = -1.0
	l := mix.Limiter{CeilingDBTP: ceiling}
	for name, x := range hot() {
		left, right := append([]float64(nil), x...), append([]float64(nil), x...)
		for i := range right {
			right[i] *= -0.5
		}
		processor(t, l).Process(left, right)
		got := truePeak(t, left, right)
		t.Logf("%-8s %.3f dBTP", name, got)
		if got > ceiling+0.1 {
			t.Errorf("%s: %.3f dBTP, want %g and at most 0.1 more", name, got, ceiling)
		}
		if got < ceiling-1.5 {
			t.Errorf("%s: %.3f dBTP: it takes far too much", name, got)
		}
	}
}

// Below the ceiling it is a delay of Latency samples and changes no bit.
func TestLimiterBelowTheCeilingIsADelay(t *testing.T) {
	l := mix.Limiter{CeilingDBTP: -1}
	x := sine(997, -3, 20000)
	want := append([]float64(nil), x...)
	p := processor(t, l)
	p.Process(x, nil)
	late := l.Latency(48000)
	for i := late; i < len(x); i++ {
		if x[i] != want[i-late] {
			t.Fatalf("sample %d is %g, want %g", i, x[i], want[i-late])
		}
	}
	if taken := p.(interface{ TakenDB() float64 }).TakenDB(); taken != 0 {
		t.Errorf("it says that it took %g dB", taken)
	}
}

// The gain is down when the crest comes and moves over 2 ms: between two samples
// by no more than a 96th of what it takes.
func TestLimiterGainMovesSmoothly(t *testing.T) {
	l := mix.Limiter{CeilingDBTP: -20 * math.Log10(2)} // 0.5
	n := 4800
	x := make([]float64, n)
	for i := range x {
		x[i] = 0.01
	}
	x[2400] = 2
	p := processor(t, l)
	p.Process(x, nil)
	late := l.Latency(48000)
	for i := late + 1; i < n; i++ {
		if i == 2400+late || i == 2401+late {
			continue
		}
		if step := math.Abs(x[i]-x[i-1]) / 0.01; step > 0.75/96*1.1 {
			t.Fatalf("at sample %d the gain steps by %.4f", i-late, step)
		}
	}
	if got := math.Abs(x[2400+late]); got > 0.5000001 || got < 0.45 {
		t.Errorf("the crack of 2 comes out at %g, want just under 0.5", got)
	}
	if taken := p.(interface{ TakenDB() float64 }).TakenDB(); math.Abs(taken-12) > 0.2 {
		t.Errorf("it says that it took %g dB, want 12", taken)
	}
}
