package mix

import (
	"math"
	"testing"
)

func TestFastDecibels(t *testing.T) {
	worst := 0.0
	for db := -300.0; db <= 80; db += 0.0137 {
		x := math.Pow(10, db/20)
		worst = max(worst, math.Abs(fastDB(x)-20*math.Log10(x)))
	}
	if worst > 1e-7 {
		t.Errorf("a level is off by %g dB", worst)
	}
	off := 0.0
	for r := 0.0; r <= 200; r += 0.0137 {
		off = max(off, math.Abs(20*math.Log10(fastGain(r))+r))
	}
	if off > 1e-7 {
		t.Errorf("a gain is off by %g dB", off)
	}
	if fastGain(0) != 1 {
		t.Errorf("0 dB less is a gain of %g", fastGain(0))
	}
	t.Logf("within %.1g and %.1g dB", worst, off)
}

// What is no number is found, wherever it lies.
func TestWidenFindsWhatIsNotFinite(t *testing.T) {
	for n := range 20 {
		from, to := make([]float32, n), make([]float64, n)
		for i := range from {
			from[i] = float32(i) - 7.5
		}
		if got := widen(to, from); got != -1 {
			t.Errorf("%d good samples: sample %d is accused", n, got)
		}
		for i := range from {
			if to[i] != float64(from[i]) {
				t.Errorf("sample %d of %d is %g", i, n, to[i])
			}
		}
		for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			for i := range from {
				was := from[i]
				from[i] = float32(bad)
				if got := widen(to, from); got != i {
					t.Errorf("%g as sample %d of %d: found at %d", bad, i, n, got)
				}
				from[i] = was
			}
		}
	}
}

func BenchmarkDecibels(b *testing.B) {
	x := 0.1
	for b.Loop() {
		x = 0.05 + 0.1*fastGain(-fastDB(x))
	}
}
