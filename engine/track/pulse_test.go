//go:build cgo && linux

package track

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
	"cuechoir/internal/pulsetest"
)

// openLoop opens the digital loop by name.
func openLoop(t *testing.T, period int) device.Device {
	t.Helper()
	dev, err := device.Open(device.Options{Backend: "pulseaudio", Output: "cc", Input: "cc.monitor", PeriodFrames: period})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { dev.Close() })
	return dev
}

// noise is a signal whose place cannot be mistaken: the same for each seed.
func noise(seed uint64, n int) []float32 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := make([]float32, n)
	for i := range x {
		x[i] = 0.2 * (2*r.Float32() - 1)
	}
	return x
}

// offBy is how many samples after its place on the timeline the signal, which
// begins at timeline sample 0, lies in the take, by correlation over span
// samples from at on; like is how alike the two are there.
func offBy(t *testing.T, info take.Info, x, signal []float32, at, span int) (off int, like float64) {
	t.Helper()
	const reach = 12_000
	begin := at - reach - int(info.Start)
	if begin < 0 || begin+span+2*reach > len(x) {
		t.Fatalf("the take, from %d for %d samples, does not cover timeline sample %d ±%d", info.Start, len(x), at, reach)
	}
	c, err := likeness(x[begin:begin+span+2*reach], signal[at:at+span])
	if err != nil {
		t.Fatal(err)
	}
	best := 0
	for k := range c {
		if c[k] > c[best] {
			best = k
		}
	}
	return best - reach, c[best]
}

// Through a real sound system: the round trip is measured by the program itself,
// and a take of a known signal lands within one sample of the truth, the device
// stopped and started for each. A start that has another delay is noticed by the
// program's own sound in the input. What was lost or slipped in the middle of a
// take on a busy machine, as the take shows, is done again.
func TestPulseTakeLandsWithinASample(t *testing.T) {
	pulsetest.Start(t)
	periods, measured := map[int]int{1024: 1}, 1
	if pulsetest.Required() {
		// Known of a quiet machine: 1680 samples at 480, 3585 at 1024.
		periods, measured = map[int]int{480: 10, 1024: 10, 2048: 2}, 3
	}
	for period, starts := range periods {
		dev := openLoop(t, period)
		trip := measureLoop(t, dev, measured, machineTries)
		delays, again := map[int64]int{}, 0
		for start := 0; start < starts && !t.Failed(); {
			off, moved, tripNow := recordNoise(t, dev, trip, uint64(start))
			switch {
			case moved && again < machineTries:
				again++
			case moved:
				pulsetest.TooBusy(t, "period %d: sound was lost in the middle of %d takes", period, again)
			case off < -1 || off > 1:
				t.Errorf("period %d, start %d: the take lies %d samples off its place", period, start, off)
			default:
				delays[tripNow]++
				start++
			}
		}
		t.Logf("period %d: %d takes of as many starts within a sample, %d done again; round trips by which they were placed: %v", period, starts, again, delays)
	}
}

// measureLoop measures until most chirps agree.
func measureLoop(t *testing.T, dev device.Device, starts, tries int) RoundTrip {
	t.Helper()
	for again := range tries {
		trip, err := MeasureRoundTrip(context.Background(), dev, RoundTripOptions{MaxDelay: 14_400, Chirps: 2, Starts: starts})
		if err == nil && 2*trip.Agreeing > trip.Repeats {
			t.Logf("period %d: round trip %d samples (%.1f ms), %d of %d chirps agree, likeness %.4f; measured again %d times",
				dev.Format().PeriodFrames, trip.Samples, float64(trip.Samples)/48, trip.Agreeing, trip.Repeats, trip.Confidence, again)
			return trip
		}
		t.Logf("period %d: not agreed on: %+v %v", dev.Format().PeriodFrames, trip, err)
	}
	pulsetest.TooBusy(t, "period %d: no round trip was agreed on in %d measurements: the machine is too busy, or the measurement is broken", dev.Format().PeriodFrames, tries)
	return RoundTrip{}
}

// recordNoise records the loop and tells how far off its place the signal lies,
// whether it moved on the way (the beginning and the end differ, sound was lost,
// or none could be made out), and by which round trip it was placed.
func recordNoise(t *testing.T, dev device.Device, trip RoundTrip, seed uint64) (off int, moved bool, tripNow int64) {
	t.Helper()
	const length = 40_000
	signal := noise(seed, length)
	play := func(dst []float32, at int64) error {
		for i := range dst {
			if k := at + int64(i); k >= 0 && k < length {
				dst[i] = signal[k]
			}
		}
		return nil
	}
	dir := t.TempDir()
	res, err := Record(context.Background(), dev, Plan{
		SampleRate: 48000, From: -14_400, To: length, RoundTrip: trip.Samples, RoundTripWaiting: trip.Waiting, RoundTripKnown: take.Measured,
		TailSamples: trip.Samples + 14_400, Monitor: play, Own: play}, newTake(t, dir), nil)
	if err != nil {
		t.Fatal(err)
	}
	info, x := samplesOf(t, dir, res.Take.ID)
	early, likeEarly := offBy(t, info, x, signal, 2000, 12_000)
	late, likeLate := offBy(t, info, x, signal, 26_000, 12_000)
	moved = info.Heard == nil || early != late || likeEarly < 0.99 || likeLate < 0.99 || len(res.Dropouts)+len(res.Unheard) > 0
	if moved || early != 0 || info.RoundTripKnown != take.Measured {
		t.Logf("placed by %d (%s), off by %d at the beginning (likeness %.4f), %d at the end (%.4f); own sound %+v, slip %+v, dropouts %v, unheard %v",
			info.RoundTrip, info.RoundTripKnown, early, likeEarly, late, likeLate, info.Heard, res.Slip, res.Dropouts, res.Unheard)
	}
	return early, moved, info.RoundTrip
}

// A sound system that dies in the middle ends the take, and what was sung is kept.
func TestPulseVanishes(t *testing.T) {
	if !pulsetest.Required() {
		t.Skipf("LOUD SKIP: this takes 7 s; set %s=1 to see a sound system die in the middle of a take", "CUECHOIR_REQUIRE_AUDIO")
	}
	daemon := pulsetest.Start(t)
	dev := openLoop(t, 480)
	dir := t.TempDir()
	began := time.Now()
	res, err := Record(context.Background(), dev, Plan{SampleRate: 48000, To: 48000 * 60, Monitor: marks, RoundTrip: 1680, StallLimit: time.Second},
		newTake(t, dir), func(s Status) {
			if s.At > 24_000 {
				daemon.Process.Kill()
			}
		})
	if fault.KindOf(err) != fault.Device || res.Frames < 24_000 || res.Take.State != take.Whole || time.Since(began) > 30*time.Second {
		t.Fatalf("%v after %v: %+v", err, time.Since(began), res)
	}
	t.Logf("%v; %d samples kept", err, res.Frames)
}

// The ports are listed and chosen by name.
func TestPulsePorts(t *testing.T) {
	pulsetest.Start(t)
	ports, err := device.List("pulseaudio")
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("%+v", ports)
	for _, c := range []struct {
		input bool
		wish  string
		id    string
	}{{false, "cc", "cc"}, {true, "cc.monitor", "cc.monitor"}, {false, "other", "other"}} {
		p, ok, err := device.Choose(ports, c.input, c.wish)
		if err != nil || !ok || p.ID != c.id || p.Channels != 2 {
			t.Errorf("%q gives %+v %v of %s", c.wish, p, err, text)
		}
	}
	if _, err := device.Open(device.Options{Backend: "pulseaudio", Output: "no such output"}); fault.KindOf(err) != fault.Missing {
		t.Errorf("no such output: %v", err)
	}
}
