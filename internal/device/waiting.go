package device

import (
	"sync/atomic"
	"unsafe"
)

// Waiting is how many frames of input wait inside a device behind each block
// that it hands out. A round trip is a constant of the device and this number,
// which a start may set anew: one that was measured while it was m holds, while
// it is n, with n - m frames more. The zero Waiting is not known.
type Waiting struct {
	Known  bool
	Frames int64
}

// Since is by how many frames a round trip measured at then has grown; 0 when
// either is not known.
func (w Waiting) Since(then Waiting) int64 {
	if !w.Known || !then.Known {
		return 0
	}
	return w.Frames - then.Frames
}

// TellsWaiting says whether a device tells how much waits in it. One that does
// knows it some blocks after its start.
func TellsWaiting(d Device) bool {
	t, ok := d.(interface{ TellsWaiting() bool })
	return ok && t.TellsWaiting()
}

// WaitingIn is what waits in a device since its last start. Any goroutine.
func WaitingIn(d Device) Waiting {
	if t, ok := d.(interface{ Waiting() Waiting }); ok && TellsWaiting(d) {
		return t.Waiting()
	}
	return Waiting{}
}

// waitingRing measures it for a library that joins capture and playback by a
// ring of its own.
//
// Why: in JACK that ring takes in periods until the start is through, and gives
// none, so each start has another whole number of periods in it (measured: 2 to
// 4 at 64 frames, 2 to 4 at 256 on a busy machine).
//
// Method: the input handed out lies in the ring itself. What has been read is
// painted with a mark that no device delivers, and what is written anew has
// none: from the block in hand on, all frames up to the paint are waiting. Only
// memory is looked at that was handed out before: where the addresses come round.
// It must be called on the thread that writes the ring, as in JACK.
// Known failure: a library that hands out something else. Its addresses do not
// come round as they must, and nothing is told. Nor when the number changes.
type waitingRing struct {
	frameBytes uintptr
	begin, end uintptr // of the ring; known from the first lap on
	next       uintptr // where the next block begins unless the ring ends there
	laps       int
	lost       bool
	told       atomic.Int64 // frames, and 1; 0: not known
}

const (
	// paint is a quiet NaN with a mark of its own.
	paint = 0x7fc5_c40d
	// lapsBefore: in the first lap the ends are found, in the second all is painted.
	lapsBefore   = 3
	sampleBytes  = unsafe.Sizeof(float32(0))
	maxRingBytes = 1 << 26
)

// init forgets the last stream. channels are the input's.
func (w *waitingRing) init(channels int) {
	w.frameBytes = sampleBytes * uintptr(max(channels, 1))
	w.begin, w.end, w.next, w.laps, w.lost = 0, 0, 0, 0, false
	w.told.Store(0)
}

// see takes one block of the ring, after it was used, and paints it.
func (w *waitingRing) see(in []float32) {
	if w.lost || len(in) == 0 {
		return
	}
	p := unsafe.Pointer(unsafe.SliceData(in))
	at, size := uintptr(p), uintptr(len(in))*sampleBytes
	if !w.follow(at, size) {
		w.lost = true
		w.told.Store(0)
		return
	}
	if w.laps >= lapsBefore {
		n := int64(w.count(p, at, size)) + 1
		if old := w.told.Load(); old != 0 && old != n {
			w.lost = true
			n = 0
		}
		w.told.Store(n)
	}
	marks := unsafe.Slice((*uint32)(p), len(in))
	for i := range marks {
		marks[i] = paint
	}
}

// follow holds a block's address against the ones before.
func (w *waitingRing) follow(at, size uintptr) bool {
	switch {
	case w.next == 0: // the first block
	case at == w.next && (w.laps == 0 || at+size <= w.end):
	case w.laps == 0 && at < w.next && w.next-at <= maxRingBytes:
		w.begin, w.end, w.laps = at, w.next, 1
	case w.laps > 0 && at == w.begin && w.next == w.end:
		w.laps++
	default:
		return false
	}
	w.next = at + size
	return true
}

// count is how many frames behind the block are not painted.
func (w *waitingRing) count(p unsafe.Pointer, at, size uintptr) (n int) {
	total := w.end - w.begin
	for off := size; off+w.frameBytes <= total; off += w.frameBytes {
		to := at + off
		if to >= w.end {
			to -= total
		}
		if *(*uint32)(unsafe.Add(p, int(to)-int(at))) == paint {
			break
		}
		n++
	}
	return n
}

// waiting is what was measured. Any goroutine.
func (w *waitingRing) waiting() Waiting {
	n := w.told.Load()
	return Waiting{Known: n > 0, Frames: max(n-1, 0)}
}
