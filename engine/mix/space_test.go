package mix_test

import (
	"math"
	"testing"

	"cuechoir/engine/mix"
)

// decaySeconds is the reverberation time of an answer by Schroeder's backward
// integral, from -5 to -35 dB (ISO 3382-1, T30).
func decaySeconds(x []float64) float64 {
	sums := make([]float64, len(x)+1)
	for i := len(x) - 1; i >= 0; i-- {
		sums[i] = sums[i+1] + x[i]*x[i]
	}
	at := func(db float64) int {
		for i, s := range sums {
			if s <= sums[0]*math.Pow(10, db/10) {
				return i
			}
		}
		return len(x)
	}
	return 2 * float64(at(-35)-at(-5)) / 48000
}

// above is what lies above a frequency.
func above(t testing.TB, x []float64, hz float64) []float64 {
	t.Helper()
	y := append([]float64(nil), x...)
	for range 3 {
		processor(t, mix.HighPass{Hz: hz}).Process(y, nil)
	}
	return y
}

// The room rings as long as it is told: lows by Seconds, highs by HighRatio of it.
func TestRoomRingsAsLongAsItIsTold(t *testing.T) {
	for _, seconds := range []float64{0.6, 1.8, 4} {
		p := processor(t, mix.Room{Seconds: seconds, HighRatio: 1})
		left, right := make([]float64, int(48000*(seconds+1))), make([]float64, int(48000*(seconds+1)))
		left[0] = 1
		p.Process(left, right)
		for c, x := range [][]float64{left, right} {
			if got := decaySeconds(x); math.Abs(got/seconds-1) > 0.05 {
				t.Errorf("channel %d of a room of %g s falls by 60 dB in %.2f s", c, seconds, got)
			}
		}
	}
	dull := processor(t, mix.Room{Seconds: 2, HighRatio: 0.3})
	x := make([]float64, 3*48000)
	x[0] = 1
	dull.Process(x, nil)
	if got := decaySeconds(above(t, x, 16000)); math.Abs(got-0.6) > 0.1 {
		t.Errorf("highs of a room of 2 s and a share of 0.3 fall in %.2f s", got)
	}
}

// The two channels differ, about as much as two noises do, and the answer has
// about the power of what is sent.
func TestRoomSpreads(t *testing.T) {
	p := processor(t, mix.Room{})
	const n = 96000
	left, right := make([]float64, n), make([]float64, n)
	for i, v := range noise(3, n) {
		left[i] = float64(v)
	}
	sent := 0.0
	for _, v := range left[n/2:] {
		sent += v * v
	}
	p.Process(left, right)
	ll, rr, lr := 0.0, 0.0, 0.0
	for i := n / 2; i < n; i++ {
		ll, rr, lr = ll+left[i]*left[i], rr+right[i]*right[i], lr+left[i]*right[i]
	}
	if r := lr / math.Sqrt(ll*rr); math.Abs(r) > 0.15 {
		t.Errorf("the channels' correlation is %.3f", r)
	}
	if db := 10 * math.Log10((ll+rr)/2/sent); math.Abs(db) > 6 {
		t.Errorf("the answer is %.1f dB against what is sent", db)
	}
}

// Nothing comes before the shortest line and the pre-delay.
func TestRoomPreDelay(t *testing.T) {
	for _, ms := range []float64{0, 100} {
		x := make([]float64, 48000)
		x[0] = 1
		processor(t, mix.Room{PreDelayMilliseconds: ms}).Process(x, nil)
		first := 0
		for x[first] == 0 {
			first++
		}
		if want := 0.0253 + ms/1000; math.Abs(float64(first)/48000-want) > 0.001 {
			t.Errorf("the first echo comes after %d samples, want %.4f s", first, want)
		}
	}
}

// Echoes lie on the sample; each has the feedback's dB against the one before,
// at low frequencies.
func TestEcho(t *testing.T) {
	e := mix.Echo{Milliseconds: 100, FeedbackDB: -6, LowPassHz: 20000}
	x := make([]float64, 5*4800)
	for i := range 480 {
		x[i] = 0.1 * math.Sin(2*math.Pi*200*float64(i)/48000)
	}
	r := make([]float64, len(x))
	processor(t, e).Process(x, r)
	for k := 1; k <= 4; k++ {
		part := x[k*4800 : k*4800+480]
		want := -20 - 6*float64(k-1)
		if got := levelDB(part); math.Abs(got-want) > 0.1 {
			t.Errorf("echo %d is at %.2f dB, want %.2f", k, got, want)
		}
		for _, v := range x[k*4800-4000 : k*4800-2000] {
			if math.Abs(v) > 1e-6 {
				t.Fatalf("there is %g between two echoes", v)
			}
		}
	}
	crack := make([]float64, 9600)
	crack[0] = 1
	processor(t, e).Process(crack, nil)
	first := 0
	for crack[first] == 0 {
		first++
	}
	if first != 4800 {
		t.Errorf("the first echo begins at sample %d, want 4800", first)
	}
	for i := range x {
		if x[i] != r[i] {
			t.Fatal("the echo is not in the middle")
		}
	}
}
