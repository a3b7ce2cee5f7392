package pitch

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"cuechoir/internal/singer"
)

const liveRate = 48000

// push gives a sound to a reader in blocks.
func push(t testing.TB, x []float32, block int) []Frame {
	l, err := NewLive(liveRate, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var frames []Frame
	for len(x) > 0 {
		n := min(block, len(x))
		frames = l.Push(frames, x[:n])
		x = x[n:]
	}
	return frames
}

// A note's name and cents are there within 60 ms of its first sound, counted
// from its start to the end of the block that brings the first reading within
// 25 cents after which all are: on every note from E2 to C6, with and without
// consonants, in noise 35 dB down.
func TestLiveIsSoon(t *testing.T) {
	const limit = 60.0
	for _, block := range raceOr([]int{480}, []int{64, 256, 480}) {
		v := singer.Voice{Seed: 3, SampleRate: liveRate, Breath: 0.03, JitterCents: 3, NoiseDB: -55}
		notes := compass(liveRate, "", "t", "s", "k")
		for i := range notes {
			notes[i].ScoopCents, notes[i].LevelDB = 0, -3
		}
		x := v.Sing(notes, 0, 42*liveRate)
		l, err := NewLive(liveRate, Options{})
		if err != nil {
			t.Fatal(err)
		}
		type told struct {
			Frame
			at int64 // samples in when it was told
		}
		var all []told
		var frames []Frame
		for at := 0; at+block <= len(x); at += block {
			frames = l.Push(frames[:0], x[at:at+block])
			for _, f := range frames {
				all = append(all, told{f, int64(at + block)})
			}
		}
		worst, sum := 0.0, 0.0
		for i, n := range notes {
			good := int64(math.MaxInt64)
			for _, f := range slices.Backward(all) {
				if f.Sample >= v.End(notes, i)-liveRate/20 {
					continue
				}
				truth := v.F0(notes, f.Sample)
				if f.Sample < n.Start || truth == 0 || !f.Voiced || math.Abs(1200*math.Log2(f.Hz/truth)) > 25 {
					break
				}
				good = f.at
			}
			ms := float64(good-n.Start) / liveRate * 1000
			worst, sum = max(worst, ms), sum+ms
			if ms > limit {
				t.Errorf("block %d: key %g (%q) is told after %.1f ms", block, n.Key, n.Consonant, ms)
			}
		}
		t.Logf("block %d: told after %.1f ms on average, %.1f at worst", block, sum/float64(len(notes)), worst)
	}
}

// Live readings are as good as Track's but at the ends of notes; rests are
// rests.
func TestLiveIsRight(t *testing.T) {
	for _, name := range raceOr([]string{"creaky"}, []string{"35 dB", "15 dB", "creaky", "a layer 30 dB down", "drums"}) {
		c := conditions(t, name)[0]
		frames := push(t, c.x, 256)
		var f figures
		var voiced, unvoiced float64
		const inner = conditionRate * 40 / 1000
		for _, r := range frames {
			truth, before, after := c.at(r.Sample), c.at(r.Sample-inner), c.at(r.Sample+inner)
			switch {
			case truth > 0 && before > 0 && after > 0:
				voiced++
				if r.Voiced {
					f.count(math.Abs(1200 * math.Log2(r.Hz/truth)))
				}
			case truth == 0 && before == 0 && after == 0:
				unvoiced++
				if r.Voiced {
					f.falseVoice++
				}
			}
		}
		f.in25, f.in10, f.octave, f.falseVoice = f.in25/max(1, voiced), f.in10/max(1, voiced), f.octave/max(1, voiced), f.falseVoice/max(1, unvoiced)
		t.Logf("%s: within 25 cents %.4f, 10 cents %.4f, octave %.4f, false voice %.4f", name, f.in25, f.in10, f.octave, f.falseVoice)
		if name != "drums" && (f.in25 < 0.99 || f.in10 < 0.97 || f.octave > 0.005) || f.falseVoice > 0.03 {
			t.Errorf("%s: within 25 cents %.4f, 10 cents %.4f, octave %.4f, false voice %.4f", name, f.in25, f.in10, f.octave, f.falseVoice)
		}
	}
}

// How the sound is cut into blocks makes no difference.
func TestLiveBlocks(t *testing.T) {
	v := singer.Voice{Seed: 5, SampleRate: liveRate, NoiseDB: -55}
	x := v.Sing(compass(liveRate, "t", "m")[:3], 0, 3*liveRate)
	x[1000], x[2000] = float32(math.NaN()), float32(math.Inf(1))
	want := push(t, x, 1)
	if len(want) < 580 || !slices.ContainsFunc(want, func(f Frame) bool { return f.Voiced }) {
		t.Fatalf("%d readings", len(want))
	}
	for _, block := range []int{63, 480, 1024, 5000, len(x)} {
		if got := push(t, x, block); !slices.Equal(got, want) {
			t.Errorf("blocks of %d give other readings", block)
		}
	}
}

// A reading comes Lag after its sample, and Push does not allocate.
func TestLiveLagAndMemory(t *testing.T) {
	l, err := NewLive(liveRate, Options{})
	if err != nil {
		t.Fatal(err)
	}
	v := singer.Voice{Seed: 5, SampleRate: liveRate, NoiseDB: -55, Creak: 0.2}
	x := v.Sing(compass(liveRate, "t", "m")[:8], 0, 8*liveRate)
	frames := make([]Frame, 0, 64)
	for at := 0; at < liveRate; at++ {
		if frames = l.Push(frames[:0], x[at:at+1]); len(frames) > 0 {
			if lag := int64(at) - frames[0].Sample; len(frames) > 1 || lag > int64(l.Lag()) || lag < int64(l.Lag())-2*int64(l.b.step) {
				t.Fatalf("%d readings %d samples late, the lag is %d", len(frames), lag, l.Lag())
			}
		}
	}
	at := liveRate
	allocs := testing.AllocsPerRun(500, func() {
		frames = l.Push(frames[:0], x[at:at+512])
		at += 512
	})
	if allocs > 0 {
		t.Errorf("%g allocations a block", allocs)
	}
}

func TestLiveBounds(t *testing.T) {
	if _, err := NewLive(4000, Options{}); err == nil {
		t.Error("4000 Hz accepted")
	}
	for _, sr := range []int{8000, 22050, 44100, 96000, 192000} {
		for _, o := range []Options{{}, {MinHz: 30, MaxHz: 2000}, {HopSamples: 16}, {HopSamples: 20000}} {
			l, err := NewLive(sr, o)
			if err != nil {
				t.Fatal(err)
			}
			v := singer.Voice{Seed: 5, SampleRate: sr, NoiseDB: -60}
			notes := []singer.Note{{Start: int64(sr / 10), Length: int64(sr / 2), Key: 57, Vowel: "a"}}
			x := v.Sing(notes, 0, int64(sr))
			x[sr/20] = float32(math.Inf(-1))
			var frames []Frame
			for at := 0; at < len(x); at += 777 {
				frames = l.Push(frames, x[at:min(len(x), at+777)])
			}
			for _, f := range frames {
				if f.Sample > int64(sr/5) && f.Sample < int64(sr/2) && !(math.Abs(1200*math.Log2(f.Hz/220)) < 15) {
					t.Errorf("%d Hz, %+v: %s", sr, o, fmt.Sprintf("%+v", f))
					break
				}
			}
			if len(frames) == 0 {
				t.Errorf("%d Hz, %+v: no readings", sr, o)
			}
		}
	}
}

func BenchmarkLive(b *testing.B) {
	v := singer.Voice{Seed: 1, SampleRate: liveRate, Breath: 0.05, NoiseDB: -55}
	x := v.Sing(compass(liveRate, "", "t", "m"), 0, 42*liveRate)
	frames := make([]Frame, 0, 1024)
	for b.Loop() {
		l, err := NewLive(liveRate, Options{})
		if err != nil {
			b.Fatal(err)
		}
		for at := 0; at+256 <= len(x); at += 256 {
			frames = l.Push(frames[:0], x[at:at+256])
		}
	}
	b.ReportMetric(42/(b.Elapsed().Seconds()/float64(b.N)), "x-real-time")
}
