package timing

import (
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/singer"
)

func TestTolerance(t *testing.T) {
	for _, c := range []struct {
		ms   float64
		want Verdict
	}{{0, OnTime}, {-40, OnTime}, {-41, Early}, {60, OnTime}, {61, Late}} {
		if got := (Tolerance{}).Judge(c.ms); got != c.want {
			t.Errorf("%g ms: %v, want %v", c.ms, got, c.want)
		}
	}
	if (Tolerance{EarlyMilliseconds: 10, LateMilliseconds: 10}).Judge(12) != Late {
		t.Error("a tolerance of one's own is not used")
	}
}

func TestFrames(t *testing.T) {
	// three frames at 24000/1001 last 125.125 ms
	if f := Frames(125.125, timecode.Rate23976); math.Abs(f-3) > 1e-9 {
		t.Errorf("%g frames, want 3", f)
	}
}

// A singer who lays the consonant on the beat is told from one who lays the
// vowel there.
func TestFindHabit(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, truth := range []float64{0, 1} {
		var e []Entry
		for i := range 40 {
			lead := int64([]int{0, 0, 1500, 4300}[i%4])
			at := int64(i * 30000)
			onset := at + int64(truth*float64(lead)) + rng.Int64N(1900) - 950
			e = append(e, Entry{Attack: onset - lead, Onset: onset, Target: at})
		}
		if h := FindHabit(e, 48000); math.Abs(h.Share-truth) > 0.25 || !h.Known {
			t.Errorf("habit %+v, want %g", h, truth)
		}
	}
	if h := FindHabit(nil, 48000); h != (Habit{}) {
		t.Errorf("habit of nothing is %+v", h)
	}
}

func TestFindBias(t *testing.T) {
	steady := []float64{82, 95, 88, 101, 79, 90, 210}
	if b := FindBias(steady); !b.Significant() || math.Abs(b.Milliseconds-90) > 5 {
		t.Errorf("%+v", b)
	}
	if b := FindBias([]float64{-18, 20, 3, -7, 11, 125, -167, 4}); b.Significant() {
		t.Errorf("a bias out of nothing: %+v", b)
	}
}

func TestOnsetsOfDrums(t *testing.T) {
	const sr = 48000
	kinds := []string{"t", "k", "p", "b", "ts"}
	for _, noise := range []float64{-60, -50} {
		var notes []singer.Note
		for i := range 40 {
			notes = append(notes, singer.Note{Start: int64(sr/2 + i*sr/4 + (i*977)%1500), Length: sr / 5,
				Consonant: kinds[i%len(kinds)], LevelDB: float64(i%4)*3 - 6})
		}
		v := singer.Voice{Seed: 9, SampleRate: sr, NoiseDB: noise}
		x := v.Sing(notes, 0, 12*sr)
		got := Onsets(x, sr)
		found := 0
		worst := 0.0
		for _, n := range notes {
			best := math.Inf(1)
			for _, o := range got {
				if d := float64(o.Sample-n.Start) / sr * 1000; math.Abs(d) < math.Abs(best) {
					best = d
				}
			}
			if math.Abs(best) < 12 {
				found++
			}
			worst = max(worst, math.Abs(best))
		}
		t.Logf("noise %g dBFS: %d onsets for %d hits, %d within 12 ms, worst %.1f ms", noise, len(got), len(notes), found, worst)
		if found != len(notes) || len(got) > len(notes) {
			t.Errorf("noise %g dBFS: %d of %d hits found, %d onsets", noise, found, len(notes), len(got))
		}
	}
}

func TestOnsetsOfNothing(t *testing.T) {
	if got := Onsets(make([]float32, 48000), 48000); len(got) != 0 {
		t.Errorf("%d onsets in silence", len(got))
	}
	rng := rand.New(rand.NewPCG(3, 3))
	x := make([]float32, 5*48000)
	for i := range x {
		x[i] = float32(0.003 * rng.NormFloat64())
	}
	if got := Onsets(x, 48000); len(got) != 0 {
		t.Errorf("%d onsets in room noise", len(got))
	}
}

func BenchmarkOnsets(b *testing.B) {
	v := singer.Voice{Seed: 9, SampleRate: 48000, NoiseDB: -50}
	x := v.Sing([]singer.Note{{Start: 48000, Length: 4800, Consonant: "t"}}, 0, 10*48000)
	for b.Loop() {
		Onsets(x, 48000)
	}
	b.ReportMetric(10/(b.Elapsed().Seconds()/float64(b.N)), "x-real-time")
}
