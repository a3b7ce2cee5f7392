package track

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
)

// ticks adds a click of 50 ms at 1 kHz, -18 dBFS, each half second of the timeline.
func ticks(dst []float32, at int64) error {
	for i := range dst {
		k := ((at+int64(i))%24_000 + 24_000) % 24_000
		if k < 2400 {
			dst[i] += float32(0.126 * math.Exp(-float64(k)/600) * math.Sin(2*math.Pi*float64(k)/48))
		}
	}
	return nil
}

// hum is a voice of sorts from timeline sample 0 on, in a stream that begins at
// from: five harmonics, at -15 dBFS, gliding a little.
func hum(from int64, n int, hz float64, seed uint64) []float32 {
	r := rand.New(rand.NewPCG(seed, 3))
	x := make([]float32, n)
	phase := r.Float64()
	for i := range x {
		phase += hz * (1 + 0.01*math.Sin(float64(i)/9000)) / 48000
		if int64(i)+from < 0 {
			continue
		}
		for k := 1.0; k <= 5; k++ {
			x[i] += float32(0.12 / k * math.Sin(2*math.Pi*k*phase))
		}
	}
	return x
}

// leaking is a device whose output leaks into its input: by so many dB, after so
// many samples, under a noise of -57 dBFS and a voice.
func leaking(leakDB float64, delay int64, seed uint64) *device.Virtual {
	if len(voices[seed]) == 0 {
		x := hum(-96_000, 400_000, 200+10*float64(seed), seed)
		r := rand.New(rand.NewPCG(seed, 4))
		for i := range x {
			x[i] += float32(0.0014 * r.NormFloat64())
		}
		voices[seed] = x
	}
	return &device.Virtual{LoopDelay: delay, LoopGain: float32(math.Pow(10, leakDB/20)), Microphone: voices[seed]}
}

// voices are those of leaking, made once.
var voices = map[uint64][]float32{}

// The click that leaks from the headphones says where the take lies: it confirms
// a round trip, finds one that nobody measured, and that of a start which has
// another; what a person typed stays.
func TestOwnSoundPlacesTheTake(t *testing.T) {
	for _, c := range []struct {
		name   string
		leakDB float64
		delay  int64
		trip   int64
		known  take.RoundTripKnown
		want   int64
		told   take.RoundTripKnown
	}{
		{"in place", -40, 1680, 1680, take.Measured, 1680, take.Measured},
		{"a little air", -40, 1720, 1680, take.Measured, 1680, take.Measured},
		{"another start", -40, 1920, 1680, take.Measured, 1920, take.ByEar},
		{"shorter than measured", -40, 1200, 1680, take.Measured, 1200, take.ByEar},
		{"a loop", 0, 1920, 1680, take.Measured, 1920, take.ByEar},
		{"a loop, a few samples late", 0, 1690, 1680, take.Measured, 1690, take.ByEar},
		{"never measured", -40, 7168, 0, take.AssumedZero, 7168, take.ByEar},
		{"typed", -40, 1920, 1680, take.Typed, 1680, take.Typed},
	} {
		for _, passes := range []int{1, 3} {
			if underRace && passes > 1 {
				continue
			}
			dir := t.TempDir()
			p := Plan{SampleRate: 48000, From: -96_000, To: 200_000, Monitor: ticks, Own: ticks, RoundTrip: c.trip, RoundTripKnown: c.known, TailSamples: 9000}
			if passes > 1 {
				p.To = 24_000 // the loops are shorter than what the ear takes in
			}
			results, err := RecordPasses(context.Background(), leaking(c.leakDB, c.delay, 1), p, passes, func(int) (*take.Writer, error) { return newTake(t, dir), nil }, nil)
			if err != nil || len(results) != passes {
				t.Fatalf("%s: %d passes, %v", c.name, len(results), err)
			}
			last := results[passes-1].Take
			off := last.RoundTrip - c.want
			if last.Heard == nil || off < -1 || off > 1 || last.RoundTripKnown != c.told || last.Start != -96_000-last.RoundTrip {
				t.Errorf("%s, %d passes: %+v, heard %+v", c.name, passes, last, last.Heard)
				continue
			}
			if lag := c.delay - c.trip; last.Heard.Lag < lag-1 || last.Heard.Lag > lag+1 || math.Abs(last.Heard.LevelDB-c.leakDB) > 2 {
				t.Errorf("%s: %+v, the leak came %d samples late at %v dB", c.name, last.Heard, lag, c.leakDB)
			}
		}
	}
}

// What is not there is not heard, and what is far under the noise is not told
// wrongly: of many voices and noises none moves a take.
func TestOwnSoundIsNotImagined(t *testing.T) {
	heard := map[float64]int{}
	seeds := 6
	if underRace {
		seeds = 1
	}
	for _, leak := range []float64{-300, -60, -45, -40} {
		for seed := range uint64(seeds) {
			dir := t.TempDir()
			p := Plan{SampleRate: 48000, From: -96_000, To: 200_000, Monitor: ticks, Own: ticks, RoundTripKnown: take.AssumedZero, TailSamples: 9000}
			res, err := Record(context.Background(), leaking(leak, 2400, seed), p, newTake(t, dir), nil)
			if err != nil {
				t.Fatal(err)
			}
			if res.Take.Heard == nil {
				continue
			}
			heard[leak]++
			if off := res.Take.RoundTrip - 2400; leak < -200 || off < -144 || off > 144 {
				t.Errorf("leak %v dB, seed %d: heard %+v", leak, seed, res.Take.Heard)
			}
		}
	}
	t.Logf("clicks at -18 dBFS in a noise of -57 dBFS, heard of %d takes by the leak in dB: %v", seeds, heard)
	if heard[-40] < seeds {
		t.Errorf("a leak of -40 dB was heard in %d of %d takes", heard[-40], seeds)
	}
}

// A take that ends early is still listened to; one with lost input is not.
func TestOwnSoundOfShortTakes(t *testing.T) {
	for _, lose := range []bool{false, true} {
		dev := leaking(-30, 1920, 2)
		if lose {
			dev.Faults = []device.Fault{{At: 50_000, Kind: device.LoseInput, Frames: 10}}
		}
		res, err := Record(context.Background(), dev, Plan{SampleRate: 48000, From: -96_000, To: 48_000, Monitor: ticks, Own: ticks,
			RoundTrip: 1680, RoundTripKnown: take.Measured}, newTake(t, t.TempDir()), nil)
		if err != nil || (res.Take.Heard == nil) != lose || !lose && res.Take.RoundTrip != 1920 {
			t.Errorf("lost input %v: %+v %v", lose, res.Take, err)
		}
	}
}
