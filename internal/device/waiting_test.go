package device

import (
	"math/rand/v2"
	"testing"
)

// ring is a made ring, as a library keeps one: blocks go in, and are handed out
// where they lie.
type ring struct {
	x        []float32
	frames   int // room
	channels int
	read     int // frame
	write    int // frame, never a lap ahead
}

func (r *ring) put(n int) {
	for range n {
		for c := range r.channels {
			r.x[(r.write%r.frames)*r.channels+c] = float32(r.write) // 0, too
		}
		r.write++
	}
}

// take hands out up to n frames, not over the end.
func (r *ring) take(n int) []float32 {
	at := r.read % r.frames
	n = min(n, r.frames-at, r.write-r.read)
	r.read += n
	return r.x[at*r.channels : (at+n)*r.channels]
}

// What waits is counted to the frame; each start anew. Where a block falls over
// the ring's end it is handed out in two, and then nothing is told.
func TestWaitingRing(t *testing.T) {
	var w waitingRing
	for _, c := range []struct{ room, block, waits, channels int }{
		{1280, 256, 512, 2}, {1280, 256, 1024, 2}, {320, 64, 0, 1}, {320, 64, 256, 4}, {1000, 100, 333, 2}, {1000, 96, 333, 2},
	} {
		r := &ring{x: make([]float32, c.room*c.channels), frames: c.room, channels: c.channels}
		w.init(c.channels)
		r.put(c.waits)
		for range 20 * c.room / c.block {
			r.put(c.block)
			for left := c.block; left > 0; {
				in := r.take(left)
				left -= len(in) / c.channels
				w.see(in)
			}
		}
		want := Waiting{true, int64(c.waits)}
		if c.room%c.block != 0 {
			want = Waiting{}
		}
		if got := w.waiting(); got != want {
			t.Errorf("%+v: %+v", c, got)
		}
	}
}

// Where blocks do not lie in a ring, and where what waits changes, nothing is told.
func TestWaitingRingTellsNothing(t *testing.T) {
	var w waitingRing
	w.init(1)
	scattered := make([]float32, 100_000)
	random := rand.New(rand.NewPCG(7, 7))
	for range 1000 {
		at := random.IntN(len(scattered) - 64)
		w.see(scattered[at : at+64])
	}
	if got := w.waiting(); got.Known {
		t.Errorf("of blocks here and there: %+v", got)
	}
	r := &ring{x: make([]float32, 320), frames: 320, channels: 1}
	w.init(1)
	r.put(64)
	for turn := range 100 {
		if r.put(64); turn == 60 {
			r.put(64)
		}
		w.see(r.take(64))
		if known := w.waiting().Known; turn == 59 && !known || turn > 60 && known {
			t.Fatalf("turn %d: known %v", turn, known)
		}
	}
}

func TestWaitingSince(t *testing.T) {
	then, now := Waiting{true, 512}, Waiting{true, 256}
	if now.Since(then) != -256 || now.Since(Waiting{}) != 0 || (Waiting{}).Since(then) != 0 {
		t.Error("a round trip grows by something else than what waits")
	}
}

func TestWaitingRingNoAllocations(t *testing.T) {
	var w waitingRing
	w.init(2)
	r := &ring{x: make([]float32, 2*1280), frames: 1280, channels: 2}
	r.put(512)
	if n := testing.AllocsPerRun(1000, func() { r.put(256); w.see(r.take(256)) }); n != 0 || !w.waiting().Known {
		t.Fatalf("%v allocations a block, known %v", n, w.waiting().Known)
	}
}

// A ring of four periods of 256 frames, the whole of it looked at.
func BenchmarkWaitingRing(b *testing.B) {
	var w waitingRing
	w.init(2)
	r := &ring{x: make([]float32, 2*1280), frames: 1280, channels: 2}
	r.put(768)
	b.ReportAllocs()
	for b.Loop() {
		r.put(256)
		w.see(r.take(256))
	}
}
