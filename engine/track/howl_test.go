package track

import (
	"context"
	"math"
	"testing"

	"cuechoir/internal/device"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// A loop with a gain over one howls: a spark of a line comes back louder each
// time. It is muted within a second of its growth past what the guard can hear,
// told, and the take goes on.
func TestHowlIsMutedWithinASecond(t *testing.T) {
	const rate, spark = 48000, 24_000
	for name, c := range map[string]struct {
		delay  int64
		gain   float32
		period int
	}{
		"slow": {960, 1.05, 480},  // 0.4 dB each 20 ms: 21 dB a second
		"fast": {480, 1.25, 480},  // 194 dB a second: the limiter holds it
		"long": {4800, 1.6, 2048}, // 41 dB a second, in steps
	} {
		dir := t.TempDir()
		var after, before float64
		frame := int64(0)
		loud := int64(0)                                                                                     // where the output passes -50 dBFS
		dev := &device.Virtual{PeriodFrames: c.period, LoopDelay: c.delay, LoopGain: c.gain, OutChannels: 1, // no noise: this loop would raise all of it alike, where a room picks a line
			Source: func(dst []float32, at int64) {
				for i := range dst { // 1 kHz, whole periods in each delay
					if k := at + int64(i) - spark; k >= 0 && k < c.delay {
						dst[i] += float32(1e-3 * math.Sin(2*math.Pi*1000*float64(k)/rate))
					}
				}
			}}
		dev.Listener = func(out []float32) {
			for _, v := range out {
				if x := math.Abs(float64(v)); x > 0.00316 && loud == 0 {
					loud = frame
				}
				frame++
			}
		}
		res, err := Record(context.Background(), dev, Plan{SampleRate: rate, To: 6 * rate, Through: Through{On: true}}, newTake(t, dir),
			func(s Status) {
				if s.Muted {
					after = s.PeakDB
				} else {
					before = max(before, s.PeakDB+200)
				}
			})
		if err != nil || res.MutedAt == 0 || res.Frames < 6*rate {
			t.Fatalf("%s: %+v %v", name, res, err)
		}
		waited := float64(res.MutedAt-max(loud, spark)) / rate
		t.Logf("%s: muted %.2f s after -50 dBFS, louder than %.0f dBFS before, %.0f dBFS at the end, %d frames limited", name, waited, before-200, after, res.Limited)
		if waited > 1 || after > -60 {
			t.Errorf("%s: muted after %.2f s; at the end %.0f dBFS", name, waited, after)
		}
	}
}

// Voices that swell on pure vowels, straight tones among them, are no howl.
func TestSingingIsNoHowl(t *testing.T) {
	const rate = 48000
	for key := 48.0; key <= 81; key += 5.5 {
		for _, vowel := range []string{"o", "u"} {
			for _, swell := range []float64{0, 20, 40} { // dB a second
				v := singer.Voice{Seed: 3, SampleRate: rate, NoiseDB: -65, JitterCents: 8, Breath: 0.02}
				x := v.Sing([]singer.Note{{Length: 2 * rate, Key: key, Vowel: vowel, VibratoHz: 5.5, VibratoCents: 25}}, 0, 2*rate)
				for i := range x {
					x[i] *= float32(math.Pow(10, (swell*min(float64(i)/rate, 1)-swell)/20))
				}
				if newHowlGuard(rate).hear(x, false) {
					t.Errorf("key %v on %q, swelling by %v dB a second, is told as a howl", key, vowel, swell)
				}
			}
		}
	}
}

// Without a live input nothing is muted, whatever comes in.
func TestGuardIsOffWithoutALiveInput(t *testing.T) {
	dev := &device.Virtual{Source: func(dst []float32, at int64) {
		for i := range dst {
			k := float64(at + int64(i))
			dst[i] = float32(1e-4 * math.Pow(10, k/48000*2) * math.Sin(2*math.Pi*1000*k/48000))
		}
	}}
	res, err := Record(context.Background(), dev, Plan{SampleRate: 48000, To: 72_000}, newTake(t, t.TempDir()), nil)
	if err != nil || res.MutedAt != 0 {
		t.Fatalf("%+v %v", res, err)
	}
	p := Plan{SampleRate: 48000, To: 10, Through: Through{On: true, GainDB: 1}}
	if _, err := p.checked(dev, 1); fault.KindOf(err) != fault.Usage {
		t.Errorf("a loud live input: %v", err)
	}
}
