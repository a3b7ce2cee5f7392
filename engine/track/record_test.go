package track

import (
	"context"
	"errors"
	"io"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// mark is a signal on exact 24-bit values below the output's ceiling, in
// which each timeline sample has a value of its own for half a minute.
func mark(at int64) float32 {
	return float32(((at%(1<<21))+(1<<21))%(1<<21)-(1<<20)) / (1 << 21)
}

func marks(dst []float32, at int64) error {
	for i := range dst {
		dst[i] = mark(at + int64(i))
	}
	return nil
}

func newTake(t *testing.T, dir string) *take.Writer {
	t.Helper()
	w, err := take.Create(dir, "a", take.Info{SampleRate: 48000})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func samplesOf(t *testing.T, dir, id string) (take.Info, []float32) {
	t.Helper()
	info, r, err := take.Load(dir, "a", id)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	x := make([]float32, info.Frames)
	for done := 0; done < len(x); {
		n, err := r.Read(x[done:])
		if err != nil && err != io.EOF || n == 0 {
			t.Fatal(n, err)
		}
		done += n
	}
	return info, x
}

// checkPlaced holds a take of the digital loop against what was played: each
// sample at its own place on the timeline, spans aside.
func checkPlaced(t *testing.T, info take.Info, x []float32, from, to int64, spans ...take.Dropout) {
	t.Helper()
	const fade = 240 // the soft start
	for i, v := range x {
		at := info.Start + int64(i)
		want := float32(0)
		if at >= from && at < to {
			want = mark(at)
		}
		for _, d := range spans {
			if int64(i) >= d.Sample && int64(i) < d.Sample+d.Length {
				want = 0
			}
		}
		if at >= from && at < from+fade {
			continue
		}
		if v != want {
			t.Fatalf("timeline sample %d (take sample %d) is %v, want %v", at, i, v, want)
		}
	}
}

// Through a digital loop a take is sample exact at any block size, start
// after start.
func TestRecordIsSampleExact(t *testing.T) {
	for _, block := range []int{1, 63, 479, 480, 1024, 4096} {
		dev := &device.Virtual{PeriodFrames: block, LoopDelay: 5000, LoopGain: 1}
		starts := 2
		if block == 480 {
			starts = 10
		}
		dir := t.TempDir()
		for range starts {
			const from, to = -24000, 12_345
			statuses := 0
			res, err := Record(context.Background(), dev, Plan{SampleRate: 48000, From: from, To: to, Monitor: marks, RoundTrip: 5000},
				newTake(t, dir), func(s Status) { statuses++ })
			if err != nil {
				t.Fatal(err)
			}
			if res.Start != from-5000 || res.Frames != to-from+5000 || len(res.Dropouts)+len(res.Unheard) != 0 || res.Interrupted || res.Slip.Slipped {
				t.Fatalf("block %d: %+v", block, res)
			}
			if statuses == 0 {
				t.Fatal("no status")
			}
			info, x := samplesOf(t, dir, res.Take.ID)
			checkPlaced(t, info, x, from, to)
			if info.RoundTripKnown != take.Typed || info.Device != "virtual" || info.Input != "input 1 of 1" || info.End() != to {
				t.Fatalf("info %+v", info)
			}
		}
	}
}

// A file in the place of the microphone arrives where it was put.
func TestRecordFromMicrophone(t *testing.T) {
	voice := []float32{0.5, -0.25, 0.125}
	dev := &device.Virtual{Microphone: voice, MicrophoneAt: 3000, InChannels: 4}
	dir := t.TempDir()
	res, err := Record(context.Background(), dev, Plan{SampleRate: 48000, From: -1000, To: 9000, RoundTrip: 700, InputChannel: 3, TailSamples: 2000},
		newTake(t, dir), nil)
	if err != nil {
		t.Fatal(err)
	}
	info, x := samplesOf(t, dir, res.Take.ID)
	if i := slices.Index(x, 0.5); i != 3000 || info.Start+int64(i) != -1000+3000-700 || info.Frames != 12_000 || !slices.Equal(x[3000:3003], voice) {
		t.Fatalf("the voice lies at take sample %d, %+v", i, info)
	}
}

// Lost input is silence in its place, told on the take; nothing moves.
func TestDropoutsArePlaced(t *testing.T) {
	dev := &device.Virtual{LoopDelay: 1000, LoopGain: 1, Faults: []device.Fault{
		{At: 5000, Kind: device.LoseInput, Frames: 700}, {At: 20_000, Kind: device.LoseInput, Frames: 1},
	}}
	dir := t.TempDir()
	res, err := Record(context.Background(), dev, Plan{SampleRate: 48000, To: 30_000, Monitor: marks, RoundTrip: 1000}, newTake(t, dir), nil)
	if err != nil {
		t.Fatal(err)
	}
	want := []take.Dropout{{Sample: 5000, Length: 700}, {Sample: 20_000, Length: 1}}
	info, x := samplesOf(t, dir, res.Take.ID)
	if !slices.Equal(res.Dropouts, want) || !slices.Equal(info.Dropouts, want) {
		t.Fatalf("dropouts %v, on the disk %v, want %v", res.Dropouts, info.Dropouts, want)
	}
	checkPlaced(t, info, x, 0, 30_000, want...)
}

// A device that runs ahead of the feeder: what was not heard is told where it
// is missing from the loop, and what was heard is at its place.
func TestLateFeederMovesNothing(t *testing.T) {
	// The feeder waits at 40 000 until the device is at 60 000, and the device
	// at 70 000 until the feeder has caught up.
	var played, fed atomic.Int64
	waitFor := func(x *atomic.Int64, least int64) {
		for x.Load() < least {
			time.Sleep(time.Millisecond)
		}
	}
	dev := &device.Virtual{LoopDelay: 1000, LoopGain: 1, FreeRun: true, Source: func(_ []float32, at int64) {
		if played.Store(at); at >= 70_000 {
			waitFor(&fed, 100_000)
		}
	}}
	dir := t.TempDir()
	const to = 100_000
	late := func(dst []float32, at int64) error {
		if at >= 40_000 {
			waitFor(&played, 60_000)
		}
		fed.Store(at + int64(len(dst)))
		return marks(dst, at)
	}
	res, err := Record(context.Background(), dev, Plan{SampleRate: 48000, To: to, Monitor: late, RoundTrip: 1000}, newTake(t, dir), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Unheard) == 0 {
		t.Fatal("nothing was late: the test shows nothing")
	}
	info, x := samplesOf(t, dir, res.Take.ID)
	heard, after := 0, 0
	for i, v := range x {
		at := info.Start + int64(i)
		inGap := false
		for _, d := range res.Unheard {
			// A soft start follows each gap.
			inGap = inGap || int64(i) >= d.Sample && int64(i) < d.Sample+d.Length+240
		}
		if at >= 240 && at < to && !inGap {
			heard++
			if int64(i) > res.Unheard[0].Sample {
				after++
			}
			if v != mark(at) {
				t.Fatalf("timeline sample %d is %v, want %v; gaps %v", at, v, mark(at), res.Unheard)
			}
		}
	}
	if heard < to/2 || after < to/4 {
		t.Fatalf("only %d samples were heard, %d after the first gap: %v", heard, after, res.Unheard)
	}
}

func TestCancelKeepsTheTake(t *testing.T) {
	dir := t.TempDir()
	dev := &device.Virtual{LoopDelay: 1000, LoopGain: 1, Realtime: true}
	ctx, cancel := context.WithCancel(context.Background())
	began := time.Now()
	res, err := Record(ctx, dev, Plan{SampleRate: 48000, To: 48000 * 3600, Monitor: marks, RoundTrip: 1000}, newTake(t, dir),
		func(s Status) {
			if s.At > 9600 {
				cancel()
			}
		})
	if err != nil || !res.Interrupted || res.Frames < 9600 || time.Since(began) > 5*time.Second {
		t.Fatalf("%+v %v after %v", res, err, time.Since(began))
	}
	info, x := samplesOf(t, dir, res.Take.ID)
	if info.State != take.Whole || info.Stopped == "" {
		t.Fatalf("%+v", info)
	}
	checkPlaced(t, info, x[:9600], 0, 1<<40)

	ctx, cancel = context.WithCancel(context.Background())
	cancel()
	if _, err := Record(ctx, &device.Virtual{StartWait: time.Minute}, Plan{SampleRate: 48000, To: 48000, Monitor: marks}, newTake(t, dir), nil); fault.KindOf(err) != fault.Interrupted {
		t.Fatalf("cancelled before it began: %v", err)
	}
	if list, err := take.List(dir, "a"); err != nil || len(list) != 1 {
		t.Fatalf("takes: %v %v", list, err)
	}
}

// Whatever ends a recording, what was sung before is kept.
func TestMishapsKeepTheTake(t *testing.T) {
	wish := errors.New("no such sample")
	for _, c := range []struct {
		name string
		dev  *device.Virtual
		plan Plan
		kind fault.Kind
		err  error
	}{
		{"vanish", &device.Virtual{Faults: []device.Fault{{At: 9600, Kind: device.Vanish}}}, Plan{}, fault.Device, nil},
		{"hang", &device.Virtual{Faults: []device.Fault{{At: 9600, Kind: device.Hang}}}, Plan{StallLimit: 100 * time.Millisecond}, fault.Device, nil},
		{"monitor", &device.Virtual{}, Plan{Monitor: func(dst []float32, at int64) error {
			if at >= 9600+monitorAhead {
				return wish
			}
			return marks(dst, at)
		}}, fault.Unexpected, wish},
	} {
		dir := t.TempDir()
		p := c.plan
		p.SampleRate, p.To, p.RoundTrip = 48000, 48000*60, 960
		if p.Monitor == nil {
			p.Monitor = marks
		}
		c.dev.LoopDelay, c.dev.LoopGain = 960, 1
		res, err := Record(context.Background(), c.dev, p, newTake(t, dir), nil)
		if fault.KindOf(err) != c.kind || c.err != nil && !errors.Is(err, c.err) {
			t.Fatalf("%s: %v", c.name, err)
		}
		if c.err == nil && res.Frames != 9600 || res.Frames < 9600-1024 {
			t.Fatalf("%s: %d samples kept, want 9600", c.name, res.Frames)
		}
		info, x := samplesOf(t, dir, res.Take.ID)
		if info.State != take.Whole || info.Stopped == "" {
			t.Fatalf("%s: %+v", c.name, info)
		}
		checkPlaced(t, info, x[:9000], 0, 1<<40)
	}
}

// A stall shorter than the limit is sat out.
func TestStallIsSatOut(t *testing.T) {
	dir := t.TempDir()
	dev := &device.Virtual{LoopDelay: 960, LoopGain: 1, StartWait: 50 * time.Millisecond,
		Faults: []device.Fault{{At: 4800, Kind: device.Stall, Wait: 200 * time.Millisecond}}}
	res, err := Record(context.Background(), dev, Plan{SampleRate: 48000, To: 9600, Monitor: marks, RoundTrip: 960}, newTake(t, dir), nil)
	if err != nil || res.Frames != 9600+960 {
		t.Fatalf("%+v %v", res, err)
	}
	info, x := samplesOf(t, dir, res.Take.ID)
	checkPlaced(t, info, x, 0, 9600)
}
