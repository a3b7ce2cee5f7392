package device

import (
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"cuechoir/internal/fault"
)

// run starts v, collects total frames of input and output, and stops it. The
// output is 1, 2, 3, ... by stream frame.
func run(t *testing.T, v *Virtual, total int) (in []float32, lost []bool) {
	t.Helper()
	done := make(chan struct{})
	at, finished := 0, false
	err := v.Start(func(out, input []float32, frames int) {
		for i := range frames {
			if len(out) > 0 {
				out[2*i] = float32(at + i + 1)
			}
			if input != nil {
				in = append(in, input[i])
			} else {
				in = append(in, 0)
			}
			lost = append(lost, input == nil)
		}
		if at += frames; at >= total && !finished {
			finished = true
			close(done)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	select {
	case <-done:
	case <-time.After(10 * time.Second):
		t.Error("the device came to no end")
	}
	if err := v.Stop(); err != nil {
		t.Fatal(err)
	}
	return in, lost
}

func TestVirtualLoopIsSampleExact(t *testing.T) {
	for _, block := range []int{1, 63, 479, 480, 1024, 4096} {
		v := &Virtual{PeriodFrames: block, LoopDelay: 5000, LoopGain: 1, Microphone: []float32{0.5, 0.25}, MicrophoneAt: 100}
		for range 3 { // each start is a fresh stream
			in, _ := run(t, v, 20_000)
			for i, got := range in {
				want := float32(max(i-5000+1, 0))
				switch i {
				case 100:
					want += 0.5
				case 101:
					want += 0.25
				}
				if got != want {
					t.Fatalf("block %d: input %d is %v, want %v", block, i, got, want)
				}
			}
		}
	}
}

func TestVirtualMishaps(t *testing.T) {
	v := &Virtual{LoopDelay: 600, LoopGain: 1, Blocks: []int{480, 7, 100}, Faults: []Fault{
		{At: 1000, Kind: LoseInput, Frames: 333}, {At: 2000, Kind: SlipInput, Frames: 40},
	}}
	in, lost := run(t, v, 4000)
	for i := range in {
		want := float32(max(i-600+1, 0))
		if i >= 2000 {
			want += 40
		}
		isLost := i >= 1000 && i < 1333
		if isLost {
			want = 0
		}
		if lost[i] != isLost || in[i] != want {
			t.Fatalf("input %d is %v (lost %v), want %v (%v)", i, in[i], lost[i], want, isLost)
		}
	}
	v = &Virtual{Faults: []Fault{{At: 960, Kind: Vanish}}}
	var frames atomic.Int64
	if err := v.Start(func(_, _ []float32, n int) { frames.Add(int64(n)) }); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(5 * time.Second); v.Err() == nil && time.Now().Before(deadline); {
		time.Sleep(time.Millisecond)
	}
	v.Stop()
	if fault.KindOf(v.Err()) != fault.Device || frames.Load() != 960 {
		t.Fatalf("vanished with %v after %d frames", v.Err(), frames.Load())
	}
}

func TestVirtualRealtimePace(t *testing.T) {
	v := &Virtual{Realtime: true, StartWait: 20 * time.Millisecond}
	began := time.Now()
	run(t, v, 4800)
	if d := time.Since(began); d < 110*time.Millisecond {
		t.Fatalf("100 ms of sound behind a wait of 20 ms took only %v", d)
	}
}

func TestVirtualGate(t *testing.T) {
	v := &Virtual{}
	var allowed atomic.Int64
	v.Gate(func(n int) bool {
		if allowed.Load() < int64(n) {
			return false
		}
		allowed.Add(-int64(n))
		return true
	})
	var frames atomic.Int64
	if err := v.Start(func(_, _ []float32, n int) { frames.Add(int64(n)) }); err != nil {
		t.Fatal(err)
	}
	defer v.Stop()
	time.Sleep(20 * time.Millisecond)
	if frames.Load() != 0 {
		t.Fatalf("%d frames through a closed gate", frames.Load())
	}
	allowed.Add(480 * 5)
	for deadline := time.Now().Add(5 * time.Second); frames.Load() < 480*5 && time.Now().Before(deadline); {
		time.Sleep(time.Millisecond)
	}
	time.Sleep(5 * time.Millisecond)
	if frames.Load() != 480*5 {
		t.Fatalf("%d frames through a gate for 2400", frames.Load())
	}
}

func TestVirtualNoiseAndChannels(t *testing.T) {
	v := &Virtual{NoisePeak: 0.1, InChannels: 1, OutChannels: -1}
	a, _ := run(t, v, 9600)
	var sum float64
	for _, x := range a {
		sum += float64(x) * float64(x)
	}
	// Even noise of peak p has RMS p/sqrt(3).
	if rms := math.Sqrt(sum / float64(len(a))); math.Abs(rms-0.1/math.Sqrt(3)) > 0.002 {
		t.Fatalf("noise RMS %v, want %v", rms, 0.1/math.Sqrt(3))
	}
}

func TestChoose(t *testing.T) {
	ports := []Port{
		{ID: "a", Name: "USB Microphone", Input: true},
		{ID: "b", Name: "Built-in Microphone", Input: true, IsDefault: true},
		{ID: "a", Name: "USB Headphones", IsDefault: true},
	}
	for _, c := range []struct {
		input bool
		wish  string
		name  string
		kind  fault.Kind
		text  string
	}{
		{true, "usb", "USB Microphone", 0, ""},
		{false, "usb", "USB Headphones", 0, ""},
		{true, "b", "Built-in Microphone", 0, ""},
		{true, "", "Built-in Microphone", 0, ""},
		{true, "microphone", "", fault.Usage, "2 inputs match"},
		{true, "guitar", "", fault.Missing, "USB Microphone, Built-in Microphone"},
	} {
		p, ok, err := Choose(ports, c.input, c.wish)
		if c.text != "" {
			if fault.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.text) {
				t.Errorf("%q: error %v, want %v with %q", c.wish, err, c.kind, c.text)
			}
			continue
		}
		if err != nil || !ok || p.Name != c.name {
			t.Errorf("%q: %q %v %v, want %q", c.wish, p.Name, ok, err, c.name)
		}
	}
}

func TestOptionBounds(t *testing.T) {
	for _, o := range []Options{{SampleRate: 1}, {SampleRate: 1 << 30}, {PeriodFrames: -1}, {PeriodFrames: 1 << 30}, {NoInput: true, NoOutput: true}} {
		if _, err := Open(o); fault.KindOf(err) != fault.Usage {
			t.Errorf("%+v: %v, want a usage error", o, err)
		}
	}
}
