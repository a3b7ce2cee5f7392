package timing

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A straight rise of the amplitude passes -15 dB at 0.178 of its length.
func TestHeardOfStraightRises(t *testing.T) {
	const rate, onset = 48000, 10000
	for _, seconds := range []float64{0.005, 0.02, 0.2, 0.3, 0.5} {
		x := make([]float32, 2*rate)
		for i := onset; i < len(x); i++ {
			s := float64(i-onset) / rate
			x[i] = float32(0.3 * min(1, s/seconds) * math.Sin(2*math.Pi*180*s))
		}
		want := math.Pow(10, -swellDB/20) * seconds * 1000
		if want < 1000*swellLeast {
			want = 0
		}
		got := float64(Heard(x, onset, int64(len(x)), rate)-onset) / rate * 1000
		t.Logf("a rise of %.0f ms is heard after %.0f ms, by the threshold after %.0f", 1000*seconds, got, want)
		if math.Abs(got-want) > 6 {
			t.Errorf("a rise of %.0f ms is heard after %.0f ms, want %.0f", 1000*seconds, got, want)
		}
	}
	if Heard(nil, 5, 9, rate) != 5 || Heard(make([]float32, 10), -4, 90, rate) != 0 {
		t.Error("of no sound the onset is not the answer")
	}
}

// A burst of high noise that touches the voice is its consonant; a breath that
// ends before it, a longer one and the room are not.
func TestLead(t *testing.T) {
	const rate, voice = 48000, 60000
	for _, c := range []struct {
		name     string
		from, to float64 // seconds before the voice
		db       float64
		want     float64
	}{
		{"soft f", 0.08, 0, -40, 0.08}, {"longer s", 0.15, 0, -35, 0.15}, {"room alone", 0, 0, 0, 0}, {"breath", 0.4, 0.1, -35, 0},
		{"breath up to the voice", 0.35, 0, -35, 0}, {"too short", 0.01, 0, -35, 0},
	} {
		rng := rand.New(rand.NewPCG(3, 3))
		x := make([]float32, 2*rate)
		for i := range x {
			x[i] = float32(0.001 * rng.NormFloat64())
			if b := float64(voice-i) / rate; b <= c.from && b > c.to {
				x[i] += float32(math.Pow(10, c.db/20) * rng.NormFloat64())
			}
			if i >= voice {
				x[i] += float32(0.2 * math.Sin(float64(i)*0.02))
			}
		}
		got := float64(voice-Lead(x, voice, 0, -17, rate)) / rate
		if math.Abs(got-c.want) > 0.015 {
			t.Errorf("%s: a lead of %.3f s, want %.3f", c.name, got, c.want)
		}
	}
	if Lead(nil, 50, 0, -20, rate) != 50 || Lead(make([]float32, 100), 90, 80, -20, rate) != 90 {
		t.Error("of no sound the onset is not the answer")
	}
}

// A hum that rises out of quiet before its vowel is the note's beginning; one
// that dies away from the note before, noise, and quiet are not.
func TestHum(t *testing.T) {
	const rate, voice = 48000, 60000
	for _, c := range []struct {
		name     string
		from, to float64 // seconds before the voice
		hz, db   float64
		want     float64
	}{
		{"an m", 0.05, 0, 180, -33, 0.05}, {"a soft n", 0.03, 0, 250, -38, 0.03}, {"quiet", 0, 0, 180, 0, 0}, {"a hum that ends before", 0.08, 0.03, 180, -33, 0},
		{"one that goes on from before", 0.4, 0, 180, -33, 0}, {"a high tone", 0.05, 0, 2500, -33, 0}, {"too soft", 0.05, 0, 180, -55, 0},
	} {
		rng := rand.New(rand.NewPCG(5, 5))
		x := make([]float32, 2*rate)
		for i := range x {
			x[i] = float32(0.0005 * rng.NormFloat64())
			s := float64(i) / rate
			if b := float64(voice-i) / rate; b <= c.from && b > c.to {
				x[i] += float32(math.Pow(10, c.db/20) * math.Sqrt2 * math.Sin(2*math.Pi*c.hz*s))
			}
			if i >= voice {
				x[i] += float32(0.2 * math.Sin(2*math.Pi*180*s))
			}
		}
		got := float64(voice-Hum(x, voice, 0, -17, rate)) / rate
		if math.Abs(got-c.want) > 0.012 {
			t.Errorf("%s: a hum of %.3f s, want %.3f", c.name, got, c.want)
		}
	}
	if Hum(nil, 50, 0, -20, rate) != 50 || Hum(make([]float32, 9000), 8000, 7990, -20, rate) != 8000 {
		t.Error("of no sound the onset is not the answer")
	}
}
