package rt

import "sync/atomic"

// Gap is a span of the stream that was lost: from stream sample At, Frames
// long.
type Gap struct{ At, Frames int64 }

// gapRoom is how many gaps may wait for the other side. When it is full the
// gap in hand stays open, so positions stay true.
const gapRoom = 256

// gapQueue hands gaps from the callback to the reader: a fixed array and two
// counters, in the manner of ring.Ring. The producer also keeps one open gap
// that grows until it is closed.
type gapQueue struct {
	closed [gapRoom]Gap
	put    atomic.Uint64
	got    atomic.Uint64
	events atomic.Int64 // gaps ever opened
	lost   atomic.Int64 // frames ever lost
	open   Gap          // producer only; Frames 0: none
}

// grow adds frames to the open gap, or opens one at at. Producer only.
func (q *gapQueue) grow(at, frames int64) {
	if frames <= 0 {
		return
	}
	if q.open.Frames == 0 {
		q.open.At = at
		q.events.Add(1)
	}
	q.open.Frames += frames
	q.lost.Add(frames)
}

// close publishes the open gap and reports whether none is left open.
// Producer only.
func (q *gapQueue) close() bool {
	if q.open.Frames == 0 {
		return true
	}
	at := q.put.Load()
	if at-q.got.Load() == gapRoom {
		return false
	}
	q.closed[at%gapRoom] = q.open
	q.open = Gap{}
	q.put.Store(at + 1)
	return true
}

// next moves on to the oldest gap that was not taken yet. Consumer only.
func (q *gapQueue) next() (Gap, bool) {
	at := q.got.Load()
	if at == q.put.Load() {
		return Gap{}, false
	}
	g := q.closed[at%gapRoom]
	q.got.Store(at + 1)
	return g, true
}
