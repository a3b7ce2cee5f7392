package bench

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"cuechoir/engine/take"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/device"
	"cuechoir/internal/rt"
)

const (
	rate      = 48000
	fileCount = 4 * rate // samples of each layer's file, which is read over and over
	ahead     = 1 << 16  // frames prepared ahead, as the transport does
	block     = 1 << 10  // frames prepared at a time
)

// soakTime is how long the soak lasts.
func soakTime(b *testing.B) time.Duration {
	text := os.Getenv("CUECHOIR_SOAK")
	if text == "" {
		return 10 * time.Second
	}
	d, err := time.ParseDuration(text)
	if err != nil || d < time.Second {
		b.Fatalf("CUECHOIR_SOAK=%q is no time of a second or more", text)
	}
	return d
}

// BenchmarkSoak plays 256 mono layers from the disk, each through a strip, and
// records two inputs, on the wall clock in buffers of 256 frames. It tells how
// long the callback takes against the buffer's 5.33 ms, the dropouts, and apart
// from both how late the machine itself wakes a thread that only sleeps. A
// dropout is a failure, unless the machine stood still for as long as the rings
// last.
func BenchmarkSoak(b *testing.B) {
	files := layerFiles(b)
	for _, busy := range []bool{false, true} {
		name := "alone"
		if busy {
			name = "beside a busy process"
		}
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if busy {
					stop := spin(b)
					defer stop()
				}
				soak(b, files, soakTime(b))
			}
		})
	}
}

// layerFiles writes the layers.
func layerFiles(b *testing.B) []string {
	dir := b.TempDir()
	x := make([]float32, fileCount)
	seed := uint32(1)
	var names []string
	for k := range strips {
		for i := range x {
			seed = seed*1664525 + 1013904223
			x[i] = (float32(seed>>8)/16777216 - 0.5) / 16
		}
		path := filepath.Join(dir, fmt.Sprintf("%03d.wav", k))
		if err := audiotest.Write(path, rate, 24, x); err != nil {
			b.Fatal(err)
		}
		names = append(names, path)
	}
	return names
}

// spin runs a process that does nothing but work.
func spin(b *testing.B) (stop func()) {
	c := exec.Command("sh", "-c", "while :; do :; done")
	if err := c.Start(); err != nil {
		b.Skipf("LOUD SKIP: there is no shell to keep busy: %v", err)
	}
	return func() { c.Process.Kill(); c.Wait() }
}

// layers feeds the headphones: the strips over their files.
type layers struct {
	files []*audiofile.Reader
	strip []strip
	x     []float32
	left  []float32
	right []float32
	out   []float32
}

func openLayers(b *testing.B, names []string) *layers {
	l := &layers{x: make([]float32, block), left: make([]float32, block), right: make([]float32, block), out: make([]float32, 2*block)}
	for _, name := range names {
		f, err := os.Open(name)
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { f.Close() })
		st, err := f.Stat()
		if err != nil {
			b.Fatal(err)
		}
		r, err := audiofile.NewWAVReader(f, st.Size(), name)
		if err != nil {
			b.Fatal(err)
		}
		l.files, l.strip = append(l.files, r), append(l.strip, newStrip())
	}
	return l
}

// next makes the next block, interleaved.
func (l *layers) next() ([]float32, error) {
	clear(l.left)
	clear(l.right)
	for k, r := range l.files {
		for n := 0; n < block; {
			got, err := r.Read(l.x[n:])
			if n += got; errors.Is(err, io.EOF) {
				err = r.SeekFrame(0)
			}
			if err != nil {
				return nil, err
			}
		}
		l.strip[k].run(l.x, l.left, l.right)
	}
	for i := range l.left {
		l.out[2*i], l.out[2*i+1] = l.left[i], l.right[i]
	}
	return l.out, nil
}

// soak runs once and reports.
func soak(b *testing.B, names []string, length time.Duration) {
	l := openLayers(b, names)
	stream := rt.New(rt.Config{OutChannels: 2, InChannels: 2, Inputs: []int{0, 1}, MonitorChannels: 2, MonitorFrames: 1 << 46, MonitorAhead: ahead, CaptureAhead: 1 << 18, SampleRate: rate})
	var quit atomic.Bool
	var all sync.WaitGroup
	all.Go(func() { feed(b, stream, l, &quit) })
	dir := b.TempDir()
	var takes []*take.Writer
	for i := range stream.Inputs() {
		w, err := take.Create(dir, fmt.Sprintf("in%d", i+1), take.Info{SampleRate: rate})
		if err != nil {
			b.Fatal(err)
		}
		takes = append(takes, w)
	}
	all.Go(func() { drain(b, stream, takes, &quit) })
	for begin := time.Now(); stream.Fed() < ahead/2 && time.Since(begin) < 10*time.Second; {
		time.Sleep(time.Millisecond)
	}
	times := make([]time.Duration, 0, int(length.Seconds()*rate/frames)+1000)
	dev := &device.Virtual{Realtime: true, PeriodFrames: frames, InChannels: 2, NoisePeak: 0.1}
	var worst atomic.Int64
	all.Go(func() { sleeper(&worst, &quit) })
	err := dev.Start(func(out, in []float32, n int) {
		begin := time.Now()
		stream.Callback(out, in, n)
		if len(times) < cap(times) {
			times = append(times, time.Since(begin))
		}
	})
	if err != nil {
		b.Fatal(err)
	}
	time.Sleep(length)
	dev.Stop()
	quit.Store(true)
	all.Wait()
	report(b, stream, times, time.Duration(worst.Load()))
}

// feed keeps the ring full.
func feed(b *testing.B, s *rt.Stream, l *layers, quit *atomic.Bool) {
	for !quit.Load() {
		if s.FeedRoom() < block {
			time.Sleep(2 * time.Millisecond)
			continue
		}
		x, err := l.next()
		if err != nil {
			b.Error(err)
			return
		}
		s.Feed(x)
	}
}

// drain writes a take of each input.
func drain(b *testing.B, s *rt.Stream, takes []*take.Writer, quit *atomic.Bool) {
	buf, one := make([]float32, 4096*len(takes)), make([]float32, 4096)
	for last := false; ; {
		n, _ := s.Capture(buf)
		for k, w := range takes {
			for i := range n {
				one[i] = buf[i*len(takes)+k]
			}
			if err := w.Append(one[:n]); err != nil {
				b.Error(err)
				return
			}
		}
		if n > 0 {
			continue
		}
		if last {
			break
		}
		last = quit.Load()
		time.Sleep(4 * time.Millisecond)
	}
	for _, w := range takes {
		if _, err := w.Finish(); err != nil {
			b.Error(err)
		}
	}
}

// sleeper measures the machine: how much later than asked a thread that does
// nothing else wakes up.
func sleeper(worst *atomic.Int64, quit *atomic.Bool) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	for !quit.Load() {
		begin := time.Now()
		time.Sleep(time.Millisecond)
		worst.Store(max(worst.Load(), int64(time.Since(begin)-time.Millisecond)))
	}
}

func report(b *testing.B, stream *rt.Stream, times []time.Duration, stalled time.Duration) {
	if len(times) == 0 {
		b.Fatal("no callback ran")
	}
	const buffer = float64(frames) / rate * 1e9
	slices.Sort(times)
	at := func(q float64) float64 { return float64(times[min(int(q*float64(len(times))), len(times)-1)]) }
	b.ReportMetric(at(0.5)/buffer*100, "median-%-of-buffer")
	b.ReportMetric(at(0.99)/buffer*100, "p99-%-of-buffer")
	b.ReportMetric(at(1)/buffer*100, "max-%-of-buffer")
	under, underFrames, over, overFrames := stream.Counts()
	b.ReportMetric(float64(under+over), "dropouts")
	b.ReportMetric(float64(stalled.Milliseconds()), "machine-stall-ms")
	b.ReportMetric(float64(len(times)), "callbacks")
	b.ReportMetric(0, "ns/op")
	if lost := underFrames + overFrames; lost > 0 {
		why := "the program was late"
		if stalled.Seconds()*rate > ahead/2 {
			why = "the machine stood still for longer than half the ring"
			b.Logf("%d frames lost: %s (%v)", lost, why, stalled)
			return
		}
		b.Errorf("%d frames lost: %s, the machine at most by %v", lost, why, stalled)
	}
	if at(0.5) > buffer/3 || at(0.99) > buffer/2 {
		b.Errorf("the callback takes %.1f %% of the buffer in the median and %.1f %% at the 99th percentile, want under 33 and 50", at(0.5)/buffer*100, at(0.99)/buffer*100)
	}
}
