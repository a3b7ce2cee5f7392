package compass

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cuechoir/engine/part"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

const testRate = 48000

// siren is a made-up glide of twelve harmonics, with its weak places known.
type siren struct {
	low, high       float64 // MIDI keys that it turns at
	seconds         float64 // each way
	shakyFrom       float64 // key from which on the pitch shakes by ±90 cents, 0: nowhere
	softUnder       float64 // key under which the level falls by 20 dB, 0: nowhere
	noiseDB, jitter float64
	wayBack         bool
}

// render draws the glide sample by sample: a second of room, a half cosine up,
// one down, a second of room.
func (s siren) render(seed uint64) []float32 {
	r := rand.New(rand.NewPCG(seed, 1))
	way := int(s.seconds * testRate)
	n := way
	if s.wayBack {
		n = 2 * way
	}
	out := make([]float32, n+2*testRate)
	phase, wander, level := 0.0, 0.0, 1.0
	for i := range n {
		u := 0.5 - 0.5*math.Cos(math.Pi*float64(i)/float64(way))
		key := s.low + (s.high-s.low)*u
		wander = 0.9995*wander + 0.0316*s.jitter*r.NormFloat64()
		cents := wander
		target := 0.1
		if s.shakyFrom > 0 && key > s.shakyFrom {
			cents += 90 * math.Sin(2*math.Pi*8*float64(i)/testRate)
		}
		if key < s.softUnder {
			target = 0.01
		}
		level += (target - level) / 500
		if i == 0 {
			level = target
		}
		hz := 440 * math.Exp2((key-69+cents/100)/12)
		phase += hz / testRate
		v := 0.0
		for h := 1.0; h <= 12 && h*hz < 0.4*testRate; h++ {
			v += math.Sin(2*math.Pi*h*phase) / (h * h)
		}
		out[testRate+i] = float32(level * v)
	}
	gain := math.Pow(10, s.noiseDB/20)
	for i := range out {
		out[i] += float32(gain * r.NormFloat64())
	}
	return out
}

// What is found is where the planted weakness begins, drawn in by the stated
// semitones, to within a semitone.
func TestSirens(t *testing.T) {
	for i, c := range []struct {
		name      string
		s         siren
		low, high float64 // of what is sound in it
	}{
		{"a low voice", siren{low: 38, high: 64, seconds: 6}, 38, 64},
		{"a high voice", siren{low: 55, high: 82, seconds: 6}, 55, 82},
		{"shaky over D4", siren{low: 40, high: 69, seconds: 6, shakyFrom: 62}, 40, 62},
		{"shaky over C5", siren{low: 52, high: 79, seconds: 5, shakyFrom: 72}, 52, 72},
		{"soft under G2", siren{low: 38, high: 62, seconds: 6, softUnder: 43}, 43, 62},
		{"soft and shaky", siren{low: 40, high: 70, seconds: 7, softUnder: 46, shakyFrom: 64}, 46, 64},
		{"an octave", siren{low: 50, high: 62, seconds: 3}, 50, 62},
		{"a noisy room", siren{low: 40, high: 64, seconds: 6, noiseDB: -45, shakyFrom: 60}, 40, 60},
		{"a wavering voice", siren{low: 41, high: 65, seconds: 6, jitter: 8}, 41, 65},
	} {
		if underRace && i > 1 {
			break
		}
		s := c.s
		s.wayBack = true
		if s.noiseDB == 0 {
			s.noiseDB = -65
		}
		r, err := Measure(s.render(uint64(i+1)), testRate)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		lo, hi := float64(r.Range.Low)-DrawInLow-c.low, float64(r.Range.High)+DrawInHigh-c.high
		t.Logf("%-18s %s (reached %s to %s), off by %+.0f and %+.0f, %.0f dB over the room", c.name, r.Range, part.KeyName(r.Lowest), part.KeyName(r.Highest), lo, hi, r.SignalToNoiseDB)
		if math.Abs(lo) > 1 || math.Abs(hi) > 1 {
			t.Errorf("%s: off by %+.0f and %+.0f semitones", c.name, lo, hi)
		}
	}
}

// The same from the synthetic singer, whose glides are notes with formants.
func TestSungSiren(t *testing.T) {
	v := singer.Voice{Seed: 3, SampleRate: testRate, Breath: 0.1, JitterCents: 8, NoiseDB: -60}
	notes := []singer.Note{{Start: testRate, Length: 5 * testRate, Key: 43, GlideCents: 2200, Vowel: "u"}, {Start: 6 * testRate, Length: 5 * testRate, Key: 65, GlideCents: -2200, Vowel: "u"}}
	r, err := Measure(v.Sing(notes, 0, 12*testRate), testRate)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%s, reached %s to %s", r.Range, part.KeyName(r.Lowest), part.KeyName(r.Highest))
	if d := int(r.Range.Low) - DrawInLow - 43; d < -1 || d > 1 {
		t.Errorf("the low end is off by %d", d)
	}
	if d := int(r.Range.High) + DrawInHigh - 65; d < -1 || d > 1 {
		t.Errorf("the high end is off by %d", d)
	}
}

// A cough or a beep seconds before the siren is not the singer's.
func TestNoiseBeforeTheSiren(t *testing.T) {
	s := siren{low: 40, high: 64, seconds: 4, noiseDB: -65, wayBack: true}.render(8)
	x := append(make([]float32, 5*testRate), s...)
	for i := range testRate / 10 {
		x[testRate/2+i] = float32(0.05 * math.Sin(2*math.Pi*900*float64(i)/testRate))
	}
	r, err := Measure(x, testRate)
	if err != nil || r.Lowest != 40 || r.Highest != 64 {
		t.Errorf("%v, reached %s to %s", err, part.KeyName(r.Lowest), part.KeyName(r.Highest))
	}
}

// What is no siren is refused, with the reason.
func TestRefusals(t *testing.T) {
	good := siren{low: 40, high: 64, seconds: 6, noiseDB: -65, wayBack: true}
	with := func(change func(*siren)) []float32 {
		s := good
		change(&s)
		return s.render(5)
	}
	held := singer.Voice{Seed: 3, SampleRate: testRate, NoiseDB: -60}
	var scale []singer.Note
	for i := range 20 {
		key := 45 + float64(min(i, 19-i))
		scale = append(scale, singer.Note{Start: int64(i+1) * testRate / 2, Length: testRate / 2, Key: key, Vowel: "a"})
	}
	leap := append(siren{low: 40, high: 46, seconds: 3, noiseDB: -65, wayBack: true}.render(1), siren{low: 58, high: 64, seconds: 3, noiseDB: -65, wayBack: true}.render(2)...)
	leap = append(leap[:7*testRate:7*testRate], leap[9*testRate:]...)
	broken := with(func(*siren) {})
	for i := range broken {
		if i%testRate < testRate*2/5 {
			broken[i] *= 1e-3
		}
	}
	for i, c := range []struct {
		name, want string
		x          []float32
	}{
		{"nothing", "0.0 s of voice", nil},
		{"silence", "0.0 s of voice", make([]float32, 5*testRate)},
		{"a second", "s of voice were heard", with(func(s *siren) { s.seconds = 0.8 })},
		{"up alone", "both up and down", with(func(s *siren) { s.wayBack = false })},
		{"noise", "over the room", with(func(s *siren) { s.noiseDB = -25 })},
		{"a fifth", "over 7 semitones only", with(func(s *siren) { s.high = 46 })},
		{"a scale", "held notes", held.Sing(scale, 0, 11*testRate)},
		{"a leap", "leaps", leap},
		{"breaking off", "sounds in only", broken},
		{"all of it shaky", "steady nowhere", with(func(s *siren) { s.shakyFrom = 1 })},
	} {
		if underRace && i > 2 {
			break
		}
		r, err := Measure(c.x, testRate)
		if fault.KindOf(err) != fault.NotMet || err == nil || !strings.Contains(fmt.Sprint(err), c.want) {
			t.Errorf("%s: %v (%v)", c.name, err, r.Range)
		}
	}
}
