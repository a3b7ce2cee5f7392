package track

import (
	"context"
	"math"
	"testing"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// pair is a device with three inputs, whose first and last hear the timeline's own
// marks and these upside down, after a round trip of trip from from.
func pair(trip, from int64, n int) *device.Virtual {
	v := &device.Virtual{InChannels: 3, Microphones: make([][]float32, 3), MicrophoneAt: trip}
	for c := range v.Microphones {
		v.Microphones[c] = make([]float32, n)
		for i := range n {
			v.Microphones[c][i] = mark(from+int64(i)) * float32(1-c)
		}
	}
	return v
}

// Two singers at once, through the inputs they chose, over three passes: each has
// takes of its own, sample for sample in its place, with the same gaps.
func TestTwoVoicesAtOnce(t *testing.T) {
	const trip, to, passes = 1500, 30_000, 3
	dir := t.TempDir()
	dev := pair(trip, 0, to)
	dev.Faults = []device.Fault{{At: 5000, Kind: device.LoseInput, Frames: 300}}
	layer := func(name string) func(int) (*take.Writer, error) {
		return func(int) (*take.Writer, error) {
			return take.Create(dir, name, take.Info{SampleRate: 48000})
		}
	}
	var beside int
	p := Plan{SampleRate: 48000, To: to / passes, RoundTrip: trip, InputChannel: 2, Beside: []Beside{{InputChannel: 0, NewTake: layer("b")}}}
	results, err := RecordPasses(context.Background(), dev, p, passes, layer("a"), func(s Status) { beside = len(s.BesideDB) })
	if err != nil || len(results) != passes || beside != 1 {
		t.Fatalf("%d passes, %d meters beside, %v", len(results), beside, err)
	}
	for pass, res := range results {
		if len(res.Beside) != 1 {
			t.Fatalf("pass %d: %+v", pass, res)
		}
		for k, info := range []take.Info{res.Take, res.Beside[0]} {
			_, r, err := take.Load(dir, info.Layer, info.ID)
			if err != nil {
				t.Fatal(err)
			}
			x := make([]float32, info.Frames)
			for n := 0; n < len(x); {
				k, err := r.Read(x[n:])
				if n += k; err != nil && n < len(x) {
					t.Fatal(err)
				}
			}
			r.Close()
			sign := float32(2*k - 1)
			if name := []string{"a", "b"}[k]; info.Layer != name || info.Start != -trip || info.Frames != to/passes+trip || info.RoundTrip != trip {
				t.Errorf("pass %d: %+v", pass, info)
			}
			if want := []string{"input 3 of 3", "input 1 of 3"}[k]; info.Input != want {
				t.Errorf("input %q, want %q", info.Input, want)
			}
			lost := info.Dropouts
			if pass == 0 && (len(lost) != 1 || lost[0] != take.Dropout{Sample: 5000, Length: 300}) || pass > 0 && len(lost) != 0 {
				t.Errorf("pass %d, voice %d: lost %v", pass, k, lost)
			}
			for i, v := range x {
				at := int64(pass)*to/passes + int64(i) - trip
				want := float32(0)
				if gone := pass == 0 && i >= 5000 && i < 5300; at >= 0 && at < to && !gone {
					want = sign * mark(at)
				}
				if math.Abs(float64(v-want)) > 1.0/(1<<23) {
					t.Fatalf("pass %d, voice %d: sample %d is %v, want %v", pass, k, i, v, want)
				}
			}
		}
	}
}

// What cannot be is refused before anyone sings, and leaves nothing behind.
func TestVoicesAreRefused(t *testing.T) {
	dir := t.TempDir()
	fails := func(int) (*take.Writer, error) { return nil, fault.New(fault.DiskFull, "full") }
	for name, c := range map[string]struct {
		beside []Beside
		kind   fault.Kind
	}{
		"one input twice": {[]Beside{{InputChannel: 0}}, fault.Usage},
		"no such input":   {[]Beside{{InputChannel: 3}}, fault.Usage},
		"too many":        {make([]Beside, 20), fault.Usage},
		"no room":         {[]Beside{{InputChannel: 1, NewTake: fails}}, fault.DiskFull},
	} {
		_, err := Record(context.Background(), pair(0, 0, 100), Plan{SampleRate: 48000, To: 1000, Beside: c.beside}, newTake(t, dir), nil)
		if fault.KindOf(err) != c.kind {
			t.Errorf("%s: %v", name, err)
		}
	}
	if infos, err := take.List(dir, "a"); err != nil || len(infos) != 0 {
		t.Errorf("left behind: %+v %v", infos, err)
	}
}
