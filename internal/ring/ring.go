// Package ring is a single-producer single-consumer queue of samples. One
// goroutine writes, one reads; neither ever waits, locks or allocates, so
// either side may be an audio callback.
//
// Method: a power-of-two buffer and two ever-growing counters (Lamport,
// «Specifying Concurrent Program Modules», ACM TOPLAS 5(2), 1983). A counter
// is stored after the samples that it covers, and Go's sync/atomic orders
// the two (The Go Memory Model, «Atomic Values»).
package ring

import "sync/atomic"

// cacheLine keeps the two counters on lines of their own, so that the writer
// and the reader do not fight for one (64 bytes on amd64, 128 on some arm64).
const cacheLine = 128

// MaxCap bounds a ring: 2^26 samples, 256 MiB, 23 minutes at 48 kHz.
const MaxCap = 1 << 26

// Ring holds float32 samples. Make it with New; the zero Ring holds nothing.
type Ring struct {
	buf   []float32
	mask  uint64
	_     [cacheLine]byte
	wrote atomic.Uint64 // samples ever written; stored by the producer alone
	_     [cacheLine]byte
	read  atomic.Uint64 // samples ever read; stored by the consumer alone
	_     [cacheLine]byte
}

// New makes a ring of at least capacity samples, rounded up to a power of
// two and kept within 1..MaxCap.
func New(capacity int) *Ring {
	size := 1
	for size < capacity && size < MaxCap {
		size <<= 1
	}
	return &Ring{buf: make([]float32, size), mask: uint64(size - 1)}
}

// Cap is the number of samples that fit.
func (r *Ring) Cap() int { return len(r.buf) }

// Len is the number of samples that wait. The producer sees it never too
// small, the consumer never too large.
func (r *Ring) Len() int {
	read := r.read.Load() // first: wrote can only have grown since
	return int(r.wrote.Load() - read)
}

// Free is the room left, in samples, as the producer may count on it.
func (r *Ring) Free() int {
	return len(r.buf) - int(r.wrote.Load()-r.read.Load())
}

// Write copies in as many samples as fit and reports how many. Producer only.
func (r *Ring) Write(src []float32) int {
	at := r.wrote.Load()
	n := min(len(src), len(r.buf)-int(at-r.read.Load()))
	if n <= 0 {
		return 0
	}
	i := int(at & r.mask)
	k := copy(r.buf[i:], src[:n])
	copy(r.buf, src[k:n])
	r.wrote.Store(at + uint64(n))
	return n
}

// Read copies out as many samples as wait and fit dst. Consumer only.
func (r *Ring) Read(dst []float32) int {
	n := r.Peek(dst)
	r.read.Store(r.read.Load() + uint64(n))
	return n
}

// Peek copies out what Read would give and leaves it there. Consumer only.
func (r *Ring) Peek(dst []float32) int {
	at := r.read.Load()
	n := min(len(dst), int(r.wrote.Load()-at))
	if n <= 0 {
		return 0
	}
	k := copy(dst[:n], r.buf[int(at&r.mask):])
	copy(dst[k:n], r.buf)
	return n
}

// Skip throws away up to n waiting samples and reports how many. Consumer only.
func (r *Ring) Skip(n int) int {
	at := r.read.Load()
	n = min(n, int(r.wrote.Load()-at))
	if n <= 0 {
		return 0
	}
	r.read.Store(at + uint64(n))
	return n
}
