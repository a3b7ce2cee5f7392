package device

import (
	"sync/atomic"
	"testing"
	"time"
)

// The loop's delay goes on across uses; each use counts from 0.
func TestContinuousGoesOn(t *testing.T) {
	v := &Virtual{LoopDelays: []int64{700, 5000}, LoopGain: 1, Realtime: true}
	c := NewContinuous(v)
	defer c.Close()
	for use := range 3 {
		var calls, heard atomic.Int64
		heard.Store(-1)
		at := int64(0)
		if err := c.Start(func(out, in []float32, n int) {
			for i := range n {
				if in[i] == 0.5 && heard.Load() < 0 {
					heard.Store(at + int64(i))
				}
				if at+int64(i) == 10 {
					out[2*i] = 0.5
				}
			}
			at += int64(n)
			calls.Add(1)
		}); err != nil {
			t.Fatal(err)
		}
		for deadline := time.Now().Add(5 * time.Second); heard.Load() < 0 && time.Now().Before(deadline); {
			time.Sleep(time.Millisecond)
		}
		c.Stop()
		n := calls.Load()
		time.Sleep(25 * time.Millisecond)
		if heard.Load() != 710 || calls.Load() != n {
			t.Fatalf("use %d: heard at %d, want 710; %d callbacks after Stop", use, heard.Load(), calls.Load()-n)
		}
	}
	if n := v.starts.Load(); n != 1 {
		t.Fatalf("the device was started %d times", n)
	}
}

// A device that failed is started anew, and that is told.
func TestContinuousAfterFailure(t *testing.T) {
	v := &Virtual{Faults: []Fault{{At: 960, Kind: Vanish}}}
	c := NewContinuous(v)
	defer c.Close()
	for use := range 2 {
		var frames atomic.Int64
		if err := c.Start(func(_, _ []float32, n int) { frames.Add(int64(n)) }); err != nil {
			t.Fatal(err)
		}
		for deadline := time.Now().Add(5 * time.Second); c.Err() == nil && time.Now().Before(deadline); {
			time.Sleep(time.Millisecond)
		}
		c.Stop()
		if events, _ := c.Slips(); frames.Load() != 960 || events != int64(use) {
			t.Fatalf("use %d: %d frames, %d events", use, frames.Load(), events)
		}
	}
}

func TestContinuousNoAllocations(t *testing.T) {
	c := NewContinuous(&Virtual{Realtime: true})
	c.clock.SampleRate = 48000
	c.user.Store(&member{cb: func(out, in []float32, n int) {}})
	out, in := make([]float32, 960), make([]float32, 480)
	if n := testing.AllocsPerRun(1000, func() { c.block(out, in, 480) }); n != 0 {
		t.Fatalf("%v allocations a callback", n)
	}
}
