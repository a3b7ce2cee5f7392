package rt

import (
	"math"
	"math/rand/v2"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// What the callback may lean on. Anything else could lock, allocate, log or
// call the system on the audio thread, where one late block is a click.
func TestImports(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", `{{join .Imports "\n"}}`, ".").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	allowed := []string{"sync/atomic", "math", "cuechoir/internal/ring"}
	for _, name := range strings.Fields(string(out)) {
		if !slices.Contains(allowed, name) {
			t.Errorf("internal/rt imports %s: only %v may run on the audio thread", name, allowed)
		}
	}
	if len(strings.Fields(string(out))) == 0 {
		t.Error("go list named no imports at all")
	}
}

// ramp is a test signal in which each sample names its position exactly.
func ramp(at, n int64) []float32 {
	s := make([]float32, n)
	for i := range s {
		s[i] = float32((at+int64(i))%(1<<12)+1) / (1 << 13) // never 0, below the ceiling
	}
	return s
}

func TestNoAllocations(t *testing.T) {
	s := New(Config{OutChannels: 2, InChannels: 2, MonitorChannels: 2, MonitorFrames: 1 << 40, MonitorAhead: 4096, CaptureAhead: 4096, Through: 0.5})
	out, in, feed, dst := make([]float32, 960), make([]float32, 960), make([]float32, 960), make([]float32, 480)
	for i := range feed {
		feed[i] = 2 // the limiter works
	}
	run := func() {
		s.Feed(feed)
		s.Callback(out, in, 480)
		s.Callback(out, nil, 480) // an underrun and lost input
		s.Capture(dst)
		s.MonitorGap()
	}
	if n := testing.AllocsPerRun(2000, run); n != 0 {
		t.Fatalf("%v allocations a callback", n)
	}
}

// Sample exact at odd block sizes, in mono and stereo, over more channels.
func TestBlocks(t *testing.T) {
	for _, block := range []int{1, 63, 479, 480, 1024, 4096} {
		for _, width := range []int{1, 2} {
			const total, fade = 10_000, 16
			s := New(Config{OutChannels: 3, InChannels: 2, Inputs: []int{1}, MonitorChannels: width,
				MonitorFrames: total, MonitorAhead: total, CaptureAhead: 2 * total, FadeFrames: fade})
			want := ramp(0, total)
			feed := make([]float32, total*width)
			for i, v := range want {
				for c := range width {
					feed[i*width+c] = v * float32(1-2*c) // right is left upside down
				}
			}
			if s.Feed(feed) != total {
				t.Fatal("the ring refused the monitor")
			}
			out, in := make([]float32, 3*block), make([]float32, 2*block)
			for at := 0; at < total; at += block {
				for i := range block {
					in[2*i], in[2*i+1] = 9, float32(at+i)
				}
				s.Callback(out, in, block)
				for i := range block {
					pos := at + i
					left, right := float32(0), float32(0)
					if pos >= fade && pos < total {
						left, right = want[pos], want[pos]
						if width == 2 {
							right = -right
						}
					} else if pos < fade {
						continue
					}
					third := left
					if width == 2 {
						third = 0
					}
					if got := out[3*i : 3*i+3]; got[0] != left || got[1] != right || got[2] != third {
						t.Fatalf("block %d, width %d: frame %d is %v, want %v %v %v", block, width, pos, got, left, right, third)
					}
				}
			}
			got := make([]float32, 2*total)
			n, lost := s.Capture(got)
			if lost || n < total {
				t.Fatalf("block %d: captured %d, lost %v", block, n, lost)
			}
			for i, v := range got[:total] {
				if v != float32(i) {
					t.Fatalf("block %d: input %d reads %v", block, i, v)
				}
			}
			if a, _, b, _ := s.Counts(); a+b != 0 {
				t.Fatalf("block %d: %d underruns, %d overruns", block, a, b)
			}
			if s.LargestBlock() != int64(block) || s.Frames() < total {
				t.Fatalf("counters: largest %d, frames %d", s.LargestBlock(), s.Frames())
			}
		}
	}
}

// A late feeder costs the late span alone: what comes after it is heard at
// its own place, and the span is told.
func TestUnderrunKeepsPlace(t *testing.T) {
	s := New(Config{OutChannels: 1, MonitorFrames: 4000, MonitorAhead: 4096, FadeFrames: 1})
	want := ramp(0, 4000)
	out := make([]float32, 100)
	heard := []float32{}
	call := func() { s.Callback(out, nil, 100); heard = append(heard, out...) }
	s.Feed(want[:250])
	for range 5 { // frames 0..499: 250..499 are missing
		call()
	}
	s.Feed(want[250:1050]) // 250..499 come too late
	for range 5 {          // 500..999
		call()
	}
	s.Feed(want[1050:])
	for range 35 { // to 4500: beyond the end nothing is owed
		call()
	}
	s.Finish()
	for i, v := range heard {
		expect := float32(0)
		if i < 4000 && (i < 250 || i >= 500) {
			expect = want[i]
		}
		if v != expect {
			t.Fatalf("frame %d is %v, want %v", i, v, expect)
		}
	}
	g, ok := s.MonitorGap()
	if !ok || g != (Gap{250, 250}) {
		t.Fatalf("gap %v %v, want {250 250}", g, ok)
	}
	if g, ok := s.MonitorGap(); ok {
		t.Fatalf("a second gap: %v", g)
	}
}

// A late drain, or a device that lost input, costs that span alone.
func TestLostInputKeepsPlace(t *testing.T) {
	s := New(Config{InChannels: 1, CaptureAhead: 256})
	in := func(at, n int64) { s.Callback(nil, ramp(at, n), int(n)) }
	in(0, 200)
	in(200, 200) // 56 fit, 256..399 are lost
	dst := make([]float32, 64)
	var got []float32
	var holes []Gap
	drain := func() {
		for {
			n, lost := s.Capture(dst)
			if n == 0 {
				return
			}
			if lost {
				holes = append(holes, Gap{int64(len(got)), int64(n)})
			}
			got = append(got, dst[:n]...)
		}
	}
	drain()
	in(400, 100)
	s.Callback(nil, nil, 50) // the device lost 500..549
	in(550, 50)
	s.Callback(nil, nil, 25) // 600..624 at the very end
	s.Finish()
	drain()
	want := ramp(0, 625)
	clear(want[256:400])
	clear(want[500:550])
	clear(want[600:])
	if !slices.Equal(got, want) {
		t.Fatalf("%d samples come out, want 625 with three holes; holes %v", len(got), holes)
	}
	var lost int64
	for _, h := range holes {
		lost += h.Frames
	}
	if _, _, events, frames := s.Counts(); lost != 219 || events != 3 || frames != 219 {
		t.Fatalf("%d samples lost in %v, counted %d gaps, %d frames", lost, holes, events, frames)
	}
}

// Two goroutines, random stalls on either side: each sample is at its place
// or told as lost, and nothing is out of order. -race looks on.
func TestStallsAcrossGoroutines(t *testing.T) {
	const total = 300_000
	s := New(Config{OutChannels: 1, InChannels: 1, MonitorFrames: total, MonitorAhead: 1000, CaptureAhead: 1000, FadeFrames: 1})
	want := ramp(0, total+4096)
	done := make(chan struct{})
	go func() { // the audio thread
		defer close(done)
		r := rand.New(rand.NewPCG(1, 2))
		out := make([]float32, 4096)
		for at := 0; at < total; {
			n := min(1+r.IntN(600), total-at)
			s.Callback(out[:n], want[at:at+n], n)
			at += n
			if r.IntN(3) > 0 {
				runtime.Gosched()
			}
		}
	}()
	go func() { // the feeder
		for at := 0; at < total; {
			at += s.Feed(want[at:min(at+777, total)])
			runtime.Gosched()
		}
	}()
	var at, lostFrames int64
	dst := make([]float32, 500)
	check := func() bool {
		n, lost := s.Capture(dst)
		for i, v := range dst[:n] {
			if lost && v != 0 || !lost && v != want[at+int64(i)] {
				t.Errorf("sample %d reads %v, lost %v", at+int64(i), v, lost)
				return false
			}
		}
		if lost {
			lostFrames += int64(n)
		}
		at += int64(n)
		return n > 0
	}
	for running := true; running; {
		select {
		case <-done:
			running = false
		default:
			check()
			s.MonitorGap()
		}
	}
	for !s.Finish() {
		check()
		s.MonitorGap()
	}
	for check() {
	}
	if _, _, _, counted := s.Counts(); at != total || lostFrames != counted {
		t.Fatalf("%d of %d samples, %d lost, %d counted lost", at, total, lostFrames, counted)
	}
}

// When more gaps wait than there is room for, positions still hold.
func TestManyGaps(t *testing.T) {
	s := New(Config{InChannels: 1, CaptureAhead: 8192})
	const rounds = 3 * gapRoom
	want := []float32{}
	for i := range int64(rounds) {
		s.Callback(nil, ramp(i*3, 1), 1)
		s.Callback(nil, nil, 2)
		want = append(want, ramp(i*3, 1)[0], 0, 0)
	}
	var got []float32
	dst := make([]float32, 100)
	for {
		n, _ := s.Capture(dst)
		if n == 0 && s.Finish() {
			if n, _ = s.Capture(dst); n == 0 {
				break
			}
		}
		got = append(got, dst[:n]...)
	}
	if len(got) != len(want) {
		t.Fatalf("%d samples, want %d", len(got), len(want))
	}
	for i, v := range got {
		if v != want[i] && v != 0 {
			t.Fatalf("sample %d is %v, want %v or silence", i, v, want[i])
		}
	}
	if !slices.Equal(got[:3*gapRoom], want[:3*gapRoom]) {
		t.Fatal("the gaps that fitted are off their place")
	}
}

func TestOutputIsSafe(t *testing.T) {
	nan, inf := float32(math.NaN()), float32(math.Inf(1))
	s := New(Config{OutChannels: 1, MonitorFrames: 100, MonitorAhead: 128, FadeFrames: 1})
	s.Feed([]float32{0.5, nan, inf, -inf, 40, -40, 0.25})
	out := make([]float32, 7)
	s.Callback(out, nil, 7)
	// What is no number is silence; all is down by as much before and after the
	// peaks of 40, which come through at the ceiling.
	for i, v := range out {
		if silent := i >= 1 && i <= 3; abs(v) > Ceiling || silent != (v == 0) {
			t.Errorf("sample %d is %v", i, v)
		}
	}
	if out[4] < 0.98*Ceiling || out[5] > -0.98*Ceiling || out[0] > 0.5 || out[6] > 0.01 {
		t.Fatalf("out %v", out)
	}
	if db := 20 * math.Log10(Ceiling); math.Abs(db+1) > 1e-9 {
		t.Fatalf("the ceiling is %v dBFS, want -1", db)
	}
	if p := s.OutputPeak(); p != max(out[4], -out[5]) {
		t.Fatalf("output peak %v", p)
	}
	if p := s.OutputPeak(); p != 0 {
		t.Fatalf("the meter was not emptied: %v", p)
	}
	in := New(Config{InChannels: 1, CaptureAhead: 16})
	in.Callback(nil, []float32{nan, -0.75, inf, 0.5}, 4)
	dst := make([]float32, 4)
	in.Capture(dst)
	if !slices.Equal(dst, []float32{0, -0.75, 0, 0.5}) || in.InputPeak(0) != 0.75 {
		t.Fatalf("captured %v", dst)
	}
}

// No thump: the sound rises from nothing at the start and falls to nothing
// after Stop, by no more than one step a frame.
func TestFades(t *testing.T) {
	const fade = 100
	s := New(Config{OutChannels: 1, MonitorFrames: 1000, MonitorAhead: 1024, FadeFrames: fade})
	feed := make([]float32, 1000)
	for i := range feed {
		feed[i] = 0.8
	}
	s.Feed(feed)
	out := make([]float32, 1000)
	s.Callback(out[:300], nil, 300)
	s.Stop()
	for at := 300; at < 500; at += 50 {
		s.Callback(out[at:at+50], nil, 50)
	}
	last := float32(0)
	for i, v := range out[:500] {
		if d := abs(v - last); d > 0.8/fade+1e-6 {
			t.Fatalf("a step of %v at frame %d", d, i)
		}
		last = v
	}
	if out[200] != 0.8 || out[450] != 0 || !s.Silent() {
		t.Fatalf("middle %v, end %v, silent %v", out[200], out[450], s.Silent())
	}
}

// What comes from a broken device stays in bounds.
func TestShortBuffers(t *testing.T) {
	s := New(Config{OutChannels: 2, InChannels: 2, Inputs: []int{7}, MonitorFrames: 1 << 20, MonitorAhead: 64, CaptureAhead: 64})
	s.Callback(make([]float32, 3), make([]float32, 5), 100)
	s.Callback(nil, nil, 0)
	if s.Frames() != 100 {
		t.Fatalf("frames %d", s.Frames())
	}
}

func BenchmarkCallback480(b *testing.B) {
	s := New(Config{OutChannels: 2, InChannels: 2, MonitorFrames: 1 << 60, MonitorAhead: 1 << 16, CaptureAhead: 1 << 18})
	out, in, feed, dst := make([]float32, 960), make([]float32, 960), ramp(0, 480), make([]float32, 480)
	b.ReportAllocs()
	for b.Loop() {
		s.Feed(feed)
		s.Callback(out, in, 480)
		s.Capture(dst)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/480, "ns/frame")
}
