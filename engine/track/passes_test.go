package track

import (
	"context"
	"math"
	"sync/atomic"
	"testing"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// Loop recording: one stream, one take a pass, no gap between them; the tail
// of a pass overlaps the next.
func TestPasses(t *testing.T) {
	for _, block := range []int{63, 480, 4096} {
		dir := t.TempDir()
		dev := &device.Virtual{PeriodFrames: block, LoopDelay: 5000, LoopGain: 1}
		const from, to = 1000, 21_000
		results, err := RecordPasses(context.Background(), dev, Plan{SampleRate: 48000, From: from, To: to, Monitor: marks, RoundTrip: 5000, TailSamples: 7000},
			3, func(int) (*take.Writer, error) { return newTake(t, dir), nil }, nil)
		if err != nil || len(results) != 3 {
			t.Fatalf("%d passes, %v", len(results), err)
		}
		for n, res := range results {
			info, x := samplesOf(t, dir, res.Take.ID)
			if info.Start != from-5000 || info.Frames != 27_000 || info.State != take.Whole || info.Stopped != "" {
				t.Fatalf("pass %d: %+v", n, info)
			}
			for i, v := range x[5000:25_000] {
				if n == 0 && i < 240 {
					continue
				}
				if want := mark(from + int64(i)); v != want {
					t.Fatalf("block %d, pass %d: sample %d is %v, want %v", block, n, i, v, want)
				}
			}
		}
	}
}

func TestEndlessPassesEndByCancel(t *testing.T) {
	dir := t.TempDir()
	dev := &device.Virtual{LoopDelay: 960, LoopGain: 1}
	ctx, cancel := context.WithCancel(context.Background())
	var made atomic.Int32
	results, err := RecordPasses(ctx, dev, Plan{SampleRate: 48000, To: 9600, Monitor: marks, RoundTrip: 960}, 0,
		func(int) (*take.Writer, error) { made.Add(1); return newTake(t, dir), nil },
		func(s Status) {
			if s.Pass >= 3 {
				cancel()
			}
		})
	if err != nil || len(results) < 3 || !results[len(results)-1].Interrupted || results[0].Interrupted {
		t.Fatalf("%d results, %v: %+v", len(results), err, results)
	}
	list, err := take.List(dir, "a")
	if err != nil || len(list) != len(results) || int(made.Load()) < len(results) {
		t.Fatalf("%d takes listed, %d made, %d results (%v)", len(list), made.Load(), len(results), err)
	}
}

func TestPlansAreRefused(t *testing.T) {
	dir := t.TempDir()
	good := Plan{SampleRate: 48000, To: 48000}
	for name, c := range map[string]struct {
		change func(p *Plan, v *device.Virtual)
		kind   fault.Kind
	}{
		"rate":     {func(p *Plan, v *device.Virtual) { p.SampleRate = 44100 }, fault.Device},
		"no input": {func(p *Plan, v *device.Virtual) { v.InChannels = -1 }, fault.Device},
		"channel":  {func(p *Plan, v *device.Virtual) { p.InputChannel = 1 }, fault.Usage},
		"span":     {func(p *Plan, v *device.Virtual) { p.To = -1 }, fault.Usage},
		"far":      {func(p *Plan, v *device.Virtual) { p.From = math.MinInt64 }, fault.Usage},
		"trip":     {func(p *Plan, v *device.Virtual) { p.RoundTrip = -1 }, fault.Usage},
		"loud":     {func(p *Plan, v *device.Virtual) { p.MonitorGainDB = 100 }, fault.Usage},
	} {
		p, v := good, &device.Virtual{}
		c.change(&p, v)
		if _, err := Record(context.Background(), v, p, newTake(t, dir), nil); fault.KindOf(err) != c.kind {
			t.Errorf("%s: %v, want %v", name, err, c.kind)
		}
	}
	if list, err := take.List(dir, "a"); err != nil || len(list) != 0 {
		t.Fatalf("a refused plan left takes: %v %v", list, err)
	}
}

func TestPlayExactly(t *testing.T) {
	for _, inputs := range []int{-1, 1} {
		var heard []float32
		dev := &tap{Virtual: &device.Virtual{InChannels: inputs}, heard: &heard}
		var last int64
		played, err := Play(context.Background(), dev, Playback{SampleRate: 48000, From: -1000, To: 20_000, Passes: 1, Channels: 2, GainDB: -6.020599913279624,
			Source: func(dst []float32, at int64) error {
				for i := range len(dst) / 2 {
					dst[2*i], dst[2*i+1] = mark(at+int64(i)), 0
				}
				return nil
			}}, func(_ int, at int64) { last = at })
		if err != nil || played.Frames != 21_000 || played.Unheard != 0 || last != 19_999 {
			t.Fatalf("%+v %v, last at %d", played, err, last)
		}
		for i := 240; i < len(heard)/2; i++ {
			want := mark(int64(i)-1000) / 2
			if i >= 21_000 {
				want = 0
			}
			if heard[2*i] != want || heard[2*i+1] != 0 {
				t.Fatalf("frame %d is %v, want %v and 0", i, heard[2*i:2*i+2], want)
			}
		}
		if len(heard)/2 < 21_000+12_000 {
			t.Fatalf("stopped after %d frames: the end is cut off on its way to the ear", len(heard)/2)
		}
	}
}

// tap listens to what a device is given.
type tap struct {
	*device.Virtual
	heard *[]float32
}

func (t *tap) Start(cb device.Callback) error {
	return t.Virtual.Start(func(out, in []float32, n int) {
		cb(out, in, n)
		*t.heard = append(*t.heard, out...)
	})
}

func BenchmarkRecordMinute(b *testing.B) {
	dir := b.TempDir()
	for b.Loop() {
		w, err := take.Create(dir, "a", take.Info{SampleRate: 48000})
		if err != nil {
			b.Fatal(err)
		}
		dev := &device.Virtual{LoopDelay: 1000, LoopGain: 1}
		if _, err := Record(context.Background(), dev, Plan{SampleRate: 48000, To: 48000 * 60, Monitor: marks, RoundTrip: 1000}, w, nil); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(60*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
