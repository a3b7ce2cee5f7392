//go:build cgo

package device

import (
	"sync/atomic"
	"testing"
	"time"

	"cuechoir/internal/fault"
)

// miniaudio's null backend needs no hardware: callbacks come by a timer.
func TestNullBackend(t *testing.T) {
	d, err := Open(Options{Backend: "null", SampleRate: 48000, PeriodFrames: 480})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	fm := d.Format()
	if fm.SampleRate != 48000 || fm.OutChannels < 1 || fm.InChannels < 1 {
		t.Fatalf("format %+v", fm)
	}
	for range 2 {
		var frames, wrong atomic.Int64
		err := d.Start(func(out, in []float32, n int) {
			if len(out) != n*fm.OutChannels || len(in) != n*fm.InChannels {
				wrong.Add(1)
			}
			frames.Add(int64(n))
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := d.Start(nil); fault.KindOf(err) != fault.Device {
			t.Fatalf("a second start: %v", err)
		}
		for deadline := time.Now().Add(5 * time.Second); frames.Load() < 4800 && time.Now().Before(deadline); {
			time.Sleep(5 * time.Millisecond)
		}
		if err := d.Stop(); err != nil {
			t.Fatal(err)
		}
		stopped := frames.Load()
		time.Sleep(30 * time.Millisecond)
		if stopped < 4800 || wrong.Load() != 0 || frames.Load() != stopped {
			t.Fatalf("%d frames, %d blocks of a wrong size, %d after Stop", stopped, wrong.Load(), frames.Load()-stopped)
		}
		if d.Err() != nil {
			t.Fatalf("a device that was stopped says %v", d.Err())
		}
	}
}

func TestNoSuchDevice(t *testing.T) {
	if _, err := Open(Options{Backend: "null", Input: "no such microphone"}); fault.KindOf(err) != fault.Missing {
		t.Fatalf("%v, want a missing device", err)
	}
	if _, err := Open(Options{Backend: "gramophone"}); fault.KindOf(err) != fault.Usage {
		t.Fatalf("%v, want a usage error", err)
	}
}

// The path from malgo's bytes to samples costs nothing and allocates nothing.
func BenchmarkDataProc(b *testing.B) {
	r := &Real{gate: &callGate{}}
	proc := r.dataProc(func(out, in []float32, n int) {})
	out, in := make([]byte, 480*8), make([]byte, 480*8)
	b.ReportAllocs()
	for b.Loop() {
		proc(out, in, 480)
	}
}
