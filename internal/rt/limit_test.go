package rt

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// played is what a mono stream plays of x, in blocks of so many frames.
func played(x []float32, block int) ([]float32, *Stream) {
	s := New(Config{OutChannels: 1, MonitorFrames: int64(len(x)), MonitorAhead: len(x), FadeFrames: 1, SampleRate: 48000})
	s.Feed(x)
	out := make([]float32, len(x))
	for at := 0; at < len(x); at += block {
		n := min(block, len(x)-at)
		s.Callback(out[at:at+n], nil, n)
	}
	return out, s
}

func sine(n int, hz, level float64) []float32 {
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(level * math.Sin(2*math.Pi*hz*float64(i)/48000))
	}
	return x
}

// A tone 9 dB too loud comes out under the ceiling with its shape kept after
// the first half wave: a clipped one has a third harmonic 12 dB under it.
func TestLimiterKeepsTheShape(t *testing.T) {
	for _, hz := range []float64{60, 440, 3000} {
		out, s := played(sine(48000, hz, Ceiling*2.818), 256)
		for i, v := range out {
			if abs(v) > Ceiling {
				t.Fatalf("%v Hz: sample %d is %v", hz, i, v)
			}
		}
		third := tone(out[9600:], 3*hz) / tone(out[9600:], hz)
		if db := 20 * math.Log10(third); db > -60 {
			t.Errorf("%v Hz: the third harmonic lies at %.1f dB", hz, db)
		}
		if g := 20 * math.Log10(float64(s.LimiterGain())); math.Abs(g+9) > 0.05 {
			t.Errorf("%v Hz: told of a gain of %.2f dB, it is -9", hz, g)
		}
		if s.LimiterGain() != 1 || s.Limited() < 47_000 {
			t.Errorf("%v Hz: the meter was not emptied, or %d frames limited", hz, s.Limited())
		}
	}
}

// tone is the amplitude at a frequency, by correlation over whole periods.
func tone(x []float32, hz float64) float64 {
	var re, im float64
	for i, v := range x {
		sin, cos := math.Sincos(2 * math.Pi * hz * float64(i) / 48000)
		re, im = re+float64(v)*cos, im+float64(v)*sin
	}
	return math.Hypot(re, im)
}

// Under the ceiling nothing is touched; after a peak the level comes back; and
// blocks of any size give the same bits.
func TestLimiterComesBackAndIsTheSameForAllBlocks(t *testing.T) {
	x := sine(72_000, 440, 0.5)
	if out, s := played(x, 480); !slices.Equal(out[1:], x[1:]) || s.Limited() != 0 {
		t.Fatal("a quiet tone was touched")
	}
	for i := 1000; i < 1200; i++ {
		x[i] *= 8
	}
	want, _ := played(x, 1)
	for _, block := range []int{63, 256, 480, 4096} {
		if out, _ := played(x, block); !slices.Equal(out, want) {
			t.Errorf("blocks of %d play something else", block)
		}
	}
	half := 0.15*math.Ln2*48000 + 1200 + 576 // where the way back is half done
	got := tone(want[int(half)-545:int(half)+546], 440) / tone(x[int(half)-545:int(half)+546], 440)
	if low := Ceiling / 4.0; math.Abs(got-(1+low)/2) > 0.02 {
		t.Errorf("half-way back the gain is %.3f, want %.3f", got, (1+low)/2)
	}
	if !slices.Equal(want[70_000:], x[70_000:]) {
		t.Error("the level has not come back after a second")
	}
}

// The live input is heard only when asked for, at its gain, and Mute ends it.
func TestThrough(t *testing.T) {
	for _, gain := range []float32{0, 0.5} {
		s := New(Config{OutChannels: 2, InChannels: 2, Inputs: []int{1}, CaptureAhead: 4096, Through: gain, FadeFrames: 10})
		in, out := make([]float32, 200), make([]float32, 200)
		for i := range 100 {
			in[2*i], in[2*i+1] = 0.9, 0.25
		}
		for range 3 {
			s.Callback(out, in, 100)
		}
		if out[198] != gain*0.25 || out[199] != gain*0.25 {
			t.Fatalf("gain %v: heard %v", gain, out[198:])
		}
		s.Mute()
		s.Callback(out, in, 100)
		if gain > 0 && (out[0] == 0 || out[2] >= out[0]) || out[199] != 0 {
			t.Fatalf("gain %v: after Mute %v ... %v", gain, out[:4], out[199])
		}
	}
}

// A tone that sets in 9 dB too loud, on its very crest, is turned down before it
// comes: what comes out is what went in times a gain that never jumps, nothing is
// over the ceiling, and nothing is later than it was.
func TestLimiterLooksAhead(t *testing.T) {
	const onset = 4800
	for _, block := range []int{1, 64, 480, 4096} {
		for _, hz := range []float64{50, 1000, 11_000} {
			x := sine(24_000, 440, 0.2)
			for i := onset; i < len(x); i++ {
				x[i] = float32(Ceiling * 2.818 * math.Cos(2*math.Pi*hz*float64(i-onset)/48000))
			}
			out, s := played(x, block)
			before, worst, changed := 1.0, 0.0, 0
			for i, v := range out {
				if abs(v) > Ceiling {
					t.Fatalf("%v Hz, blocks of %d: sample %d is %v", hz, block, i, v)
				}
				if i == 0 || abs(x[i]) < 0.01 {
					continue
				}
				gain := float64(v) / float64(x[i])
				if gain > 1+1e-6 {
					t.Fatalf("%v Hz: a gain of %v at %d", hz, gain, i)
				}
				if i < onset-72-1 && gain != 1 {
					changed++
				}
				worst = max(worst, math.Abs(gain-before))
				before = gain
			}
			if changed > 0 || worst > 4.0/72 { // over frames near 0 the gain is not looked at
				t.Errorf("%v Hz, blocks of %d: the gain jumps by %.4f, %d samples changed long before", hz, block, worst, changed)
			}
			if hz == 1000 && block == 64 {
				t.Logf("the gain moves by at most %.4f a sample; lowest %.2f dB", worst, 20*math.Log10(float64(s.LimiterGain())))
			}
		}
	}
}

// Random loud noise, fed late and with the voice live over it: nothing passes the
// ceiling.
func TestLimiterHoldsWhateverComes(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 5))
	s := New(Config{OutChannels: 2, InChannels: 1, MonitorChannels: 2, MonitorFrames: 1 << 30, MonitorAhead: 2000, CaptureAhead: 1 << 16, Through: 1, SampleRate: 48000})
	out, in, feed := make([]float32, 2*700), make([]float32, 700), make([]float32, 2*900)
	for range 2000 {
		n := 1 + r.IntN(700)
		if r.IntN(4) > 0 {
			for i := range feed {
				feed[i] = float32(r.NormFloat64() * 3)
			}
			s.Feed(feed[:2*r.IntN(900)])
		}
		for i := range in {
			in[i] = float32(r.NormFloat64() * 3)
		}
		s.Callback(out[:2*n], in[:n], n)
		for i, v := range out[:2*n] {
			if abs(v) > Ceiling || v-v != 0 {
				t.Fatalf("sample %d is %v", i, v)
			}
		}
	}
}

// The callback while the limiter works all the time.
func BenchmarkCallback480Limited(b *testing.B) {
	s := New(Config{OutChannels: 2, MonitorFrames: 1 << 60, MonitorAhead: 1 << 16, SampleRate: 48000})
	out, feed := make([]float32, 960), sine(480, 1000, 2)
	b.ReportAllocs()
	for b.Loop() {
		s.Feed(feed)
		s.Callback(out, nil, 480)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/480, "ns/frame")
}
