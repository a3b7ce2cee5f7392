package track

import (
	"context"
	"path/filepath"
	"testing"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
)

// turns is a device whose starts have other delays, and which tells what waits
// in it: 512 frames go with a delay of 1280.
func turns(waits ...int64) *device.Virtual {
	v := &device.Virtual{PeriodFrames: 256, LoopGain: 1, Waits: waits}
	for _, w := range waits {
		v.LoopDelays = append(v.LoopDelays, 768+w)
	}
	return v
}

// The round trip is constant when what waits is counted; each take lies on its
// sample, at starts of other delays, sung through and punched in.
func TestTakesArePlacedByWhatWaits(t *testing.T) {
	trip, err := MeasureRoundTrip(context.Background(), turns(512, 256, 1024), RoundTripOptions{})
	if err != nil || !trip.Constant || trip.Samples != 1280 || trip.Waiting != (device.Waiting{Known: true, Frames: 512}) {
		t.Fatalf("%+v %v", trip, err)
	}
	for name, punch := range map[string]Punch{"all": {}, "punch": {In: 20_000, Out: 30_000, Handle: 2000}, "no handles": {In: 20_000, Out: 30_000}} {
		dev := turns(1024, 512, 0, 256)
		for start, waits := range dev.Waits {
			dir := t.TempDir()
			res, err := Record(context.Background(), dev, Plan{SampleRate: 48000, From: -4000, To: 40_000, Monitor: marks, Punch: punch,
				RoundTrip: trip.Samples, RoundTripWaiting: trip.Waiting, RoundTripKnown: take.Measured, TailSamples: 2000}, newTake(t, dir), nil)
			if err != nil || res.Take.Stopped != "" || res.Interrupted {
				t.Fatalf("%s, start %d: %+v %v", name, start, res, err)
			}
			info, x := samplesOf(t, dir, res.Take.ID)
			if info.RoundTrip != 768+waits {
				t.Errorf("%s, start %d: placed by a round trip of %d, it was %d", name, start, info.RoundTrip, 768+waits)
			}
			if in, out := info.Wanted(); !punch.none() && (in < punch.In || in > max(punch.In, info.Start) || out > punch.Out) {
				t.Errorf("%s, start %d: wanted %d to %d", name, start, in, out)
			}
			checkPlaced(t, info, x, -4000, 40_000)
		}
	}
}

// What was measured without it places as before; the store keeps what waited,
// and asks for a new measurement where it is lacking.
func TestWaitingIsStored(t *testing.T) {
	dir := t.TempDir()
	res, err := Record(context.Background(), turns(256), Plan{SampleRate: 48000, To: 20_000, Monitor: marks, RoundTrip: 1280}, newTake(t, dir), nil)
	if err != nil || res.Take.RoundTrip != 1280 {
		t.Fatalf("%+v %v", res.Take, err)
	}
	store := LatencyStore{Path: filepath.Join(dir, "latency.json")}
	if err := store.Put(turns(256), RoundTrip{Samples: 1280}); err != nil {
		t.Fatal(err)
	}
	if l, ok, err := store.Get(turns(256)); ok || err != nil {
		t.Errorf("a round trip that says nothing of what waited is taken: %+v %v", l, err)
	}
	if _, ok, _ := store.Get(&device.Virtual{PeriodFrames: 256}); !ok {
		t.Error("a device that tells nothing lost its round trip")
	}
	if err := store.Put(turns(256), RoundTrip{Samples: 1280, Waiting: device.Waiting{Known: true}}); err != nil {
		t.Fatal(err)
	}
	if l, ok, err := store.Get(turns(256)); !ok || err != nil || l.Waits() != (device.Waiting{Known: true}) {
		t.Errorf("%+v %v %v", l, ok, err)
	}
}
