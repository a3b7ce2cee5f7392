package mix

import (
	"io"
	"math"

	"cuechoir/internal/fault"
)

// Source is one layer's sound: mono, ±1.0 full scale, read in order. The
// contract, which mixtest.CheckSource tests:
//
//  1. Read fills dst from the front and says how many samples it gave.
//  2. n == len(dst) with a nil error: there may be more.
//  3. n < len(dst), 0 included, with io.EOF: the end; silence follows. Each
//     later Read gives 0 and io.EOF.
//  4. n == len(dst) with io.EOF is taken too: the end fell on the block's end.
//  5. Any other error: the sound is broken, and the whole mix fails.
//  6. The samples do not depend on how the reads are cut.
//  7. dst is not kept after Read returns. Each sample is a finite number.
//
// A Read that gives fewer samples than asked and no error breaks the contract
// and fails the mix.
type Source interface {
	Read(dst []float32) (n int, err error)
}

// FromSlice is a Source that plays samples; it does not copy them.
func FromSlice(samples []float32) Source { return &sliceSource{samples} }

type sliceSource struct{ rest []float32 }

func (s *sliceSource) Read(dst []float32) (int, error) {
	n := copy(dst, s.rest)
	s.rest = s.rest[n:]
	if n < len(dst) {
		return n, io.EOF
	}
	return n, nil
}

// maxFadeSamples bounds the memory that FadeEdges holds.
const maxFadeSamples = 1 << 20

// FadeEdges is src with its first and last samples faded over the given
// number of samples (raised sine, equal power: gain sin(pi/2*x)), so that a
// take that was cut in full voice does not click. A source shorter than both
// fades has them overlap and multiply. 5 ms is common practice.
func FadeEdges(src Source, samples int) (Source, error) {
	if samples < 0 || samples > maxFadeSamples {
		return nil, fault.New(fault.Usage, "a fade of %d samples is not between 0 and %d", samples, maxFadeSamples)
	}
	if samples == 0 {
		return src, nil
	}
	return &edges{src: src, n: samples, ahead: make([]float32, 0, 2*samples)}, nil
}

// edges stays n samples ahead of what it gives, so that it knows the end
// before it plays it.
type edges struct {
	src   Source
	n     int
	ahead []float32 // read and not yet given
	at    int64     // samples given
	ended bool
}

// Close closes what is faded, where it can be closed.
func (f *edges) Close() error {
	if c, ok := f.src.(io.Closer); ok {
		return c.Close()
	}
	return nil
}

func (f *edges) Read(dst []float32) (int, error) {
	for given := 0; given < len(dst); {
		if err := f.fill(); err != nil {
			return given, err
		}
		ready := len(f.ahead)
		if !f.ended {
			ready -= f.n
		}
		if ready == 0 {
			return given, io.EOF
		}
		n := min(ready, len(dst)-given)
		for i, v := range f.ahead[:n] {
			dst[given+i] = float32(float64(v) * f.gain(f.at+int64(i), int64(len(f.ahead)-i)))
		}
		f.ahead = append(f.ahead[:0], f.ahead[n:]...)
		f.at += int64(n)
		given += n
	}
	return len(dst), nil
}

// gain is that of a sample, from how many came before it and how many are
// left, itself included, when the end is known.
func (f *edges) gain(before, left int64) float64 {
	g := 1.0
	if before < int64(f.n) {
		g = math.Sin(math.Pi / 2 * (float64(before) + 0.5) / float64(f.n))
	}
	if f.ended && left <= int64(f.n) {
		g *= math.Sin(math.Pi / 2 * (float64(left) - 0.5) / float64(f.n))
	}
	return g
}

func (f *edges) fill() error {
	if f.ended || len(f.ahead) > f.n {
		return nil
	}
	room := f.ahead[len(f.ahead):cap(f.ahead)]
	n, err := f.src.Read(room)
	if n < 0 || n > len(room) {
		return errBadCount(n, len(room))
	}
	f.ahead = f.ahead[:len(f.ahead)+n]
	switch {
	case err == io.EOF:
		f.ended = true
	case err != nil:
		return err
	case n < len(room):
		return errShort(n, len(room))
	}
	return nil
}

func errBadCount(n, asked int) error {
	return fault.New(fault.Unexpected, "the source says it gave %d of %d samples", n, asked)
}

func errShort(n, asked int) error {
	return fault.New(fault.Unexpected, "the source gave %d of %d samples and no reason", n, asked)
}
