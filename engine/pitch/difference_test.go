package pitch

import (
	"math"
	"math/rand/v2"
	"testing"
)

// slowDifference is the definition, pair by pair.
func slowDifference(b *band, d *difference, sample int64) []float64 {
	start := b.pad + int(math.Round(b.index(sample)/float64(b.lowStep))) - d.size/2
	at := func(k int) float64 { return float64(b.low[k]) }
	out := make([]float64, len(d.norm))
	out[0] = 1
	sum := 0.0
	for lag := 1; lag < len(out); lag++ {
		diff := 0.0
		for j := start; j+lag < start+d.size; j++ {
			e := at(j) - at(j+lag)
			diff += e * e
		}
		diff /= float64(d.size - lag)
		sum += diff
		out[lag] = 1
		if sum > 0 {
			out[lag] = diff * float64(lag) / sum
		}
	}
	return out
}

func TestDifferenceIsItsDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	for _, sr := range []int{44100, 48000, 96000} {
		x := make([]float32, sr/4)
		for i := range x {
			x[i] = float32(0.2*math.Sin(2*math.Pi*211.3*float64(i)/float64(sr)) + 0.05*rng.NormFloat64())
		}
		o, err := Options{}.filled(sr)
		if err != nil {
			t.Fatal(err)
		}
		b := limitBand(x, sr, o)
		d, err := newDifference(b.lowRate(), o)
		if err != nil {
			t.Fatal(err)
		}
		for _, sample := range []int64{0, int64(sr / 10), int64(len(x) - 1)} {
			d.at(b, sample)
			for lag, want := range slowDifference(b, d, sample) {
				if math.Abs(d.norm[lag]-want) > 1e-6 {
					t.Fatalf("%d Hz, sample %d, lag %d: %g, by definition %g", sr, sample, lag, d.norm[lag], want)
				}
			}
		}
	}
}

// A glide's reading must lie on the glide at the frame's own time: no offset
// in time (0.1 s a semitone, so 2.5 ms would show as 2.5 cents).
func TestNoOffsetInTime(t *testing.T) {
	for _, sr := range []int{44100, 48000, 96000} {
		for _, from := range []float64{82.4, 220, 880} {
			x := make([]float32, sr)
			phase := 0.0
			for i := range x {
				c := 1000 * float64(i) / float64(sr) // cents
				phase += from * math.Exp2(c/1200) / float64(sr)
				for k := 1.0; k <= 4; k++ {
					x[i] += float32(0.1 / k * math.Sin(2*math.Pi*math.Mod(k*phase, 1)))
				}
			}
			frames, err := Track(x, sr, Options{MaxHz: 1800})
			if err != nil {
				t.Fatal(err)
			}
			sum, worst, n := 0.0, 0.0, 0.0
			for _, f := range frames {
				s := float64(f.Sample) / float64(sr)
				if s < 0.1 || s > 0.9 {
					continue
				}
				ms := (1200*math.Log2(f.Hz/from) - 1000*s) // a cent is a millisecond
				sum, worst, n = sum+ms, max(worst, math.Abs(ms)), n+1
			}
			t.Logf("%d Hz from %g Hz: %+.3f ms on average, %.3f at worst", sr, from, sum/n, worst)
			if math.Abs(sum/n) > 0.3 || worst > 2.5 {
				t.Errorf("%d Hz from %g Hz: %+.3f ms on average, %.3f at worst", sr, from, sum/n, worst)
			}
		}
	}
}

func TestTrackBounds(t *testing.T) {
	if _, err := Track(make([]float32, 100), 4000, Options{}); err == nil {
		t.Error("4000 Hz accepted")
	}
	if _, err := Track(make([]float32, 100), 48000, Options{MinHz: 500, MaxHz: 400}); err == nil {
		t.Error("an empty range accepted")
	}
	if _, err := Track(make([]float32, 100), 48000, Options{HopSamples: -1}); err == nil {
		t.Error("a negative hop accepted")
	}
	if f, err := Track(nil, 48000, Options{}); len(f) != 0 || err != nil {
		t.Error("nothing gives", f, err)
	}
	x := make([]float32, 48000)
	for i := range x {
		x[i] = float32(math.NaN())
		if i%3 == 0 {
			x[i] = float32(math.Inf(1))
		}
	}
	for _, y := range [][]float32{x, make([]float32, 48000), x[:1], {1e30, -1e30, 1e30}} {
		frames, err := Track(y, 48000, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range frames {
			if f.Voiced || f.Hz-f.Hz != 0 || f.Confidence-f.Confidence != 0 {
				t.Fatalf("voice in nothing: %+v", f)
			}
		}
		if n := Segment(y, frames, 48000, SegmentOptions{}); len(n) != 0 {
			t.Fatalf("notes in nothing: %+v", n)
		}
	}
}
