package audiofile

import (
	"errors"
	"fmt"
	"io"

	"github.com/gopxl/beep/v2"

	"cuechoir/internal/fault"
)

// Bounds for compressed files.
const (
	MaxCompressedBytes = 2 << 30 // of the file
	maxDecodedFrames   = 1 << 32 // of the sound, when the file does not say how many there are

	decodeBlock = 512 // frames asked of a decoder at a time
	maxIdle     = 100 // calls of a decoder that bring nothing before it is given up
)

// decoder is a public decoder behind its guards.
type decoder struct {
	s      beep.Streamer
	owner  *Reader
	what   string // the form's name
	skip   int64  // frames to drop first: an encoder's delay
	next   int64  // frame
	idle   int
	told   bool // a value that is not finite
	err    error
	frames [decodeBlock][2]float64
}

// newDecoder starts a decoder. begin may panic; so may each later call, and
// both become Malformed errors.
func newDecoder(owner *Reader, what string, skip int64, begin func() (beep.Streamer, error)) error {
	d := &decoder{owner: owner, what: what, skip: skip}
	err := guarded(func() (err error) {
		d.s, err = begin()
		return err
	})
	if err != nil {
		return d.fail("it could not be decoded").Because(err)
	}
	owner.src = d
	return nil
}

// guarded runs f and makes an error of its panic.
func guarded(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the decoder gave up (%v)", p)
		}
	}()
	return f()
}

func (d *decoder) fail(format string, args ...any) *fault.Error {
	return fault.New(fault.Malformed, format, args...).
		In(d.owner.name, fmt.Sprintf("%s frame %d", d.what, d.next)).
		Mended("take another copy of the file")
}

func (d *decoder) read(dst []float32) (frames int, err error) {
	ch := d.owner.fm.Channels
	want := len(dst) / ch
	if all := d.owner.frames; all >= 0 {
		want = int(min(int64(want), all-d.next))
	}
	if d.err == nil && want == 0 {
		return 0, io.EOF
	}
	for frames < want && d.err == nil {
		n := d.pull(min(int64(want-frames)+d.skip, decodeBlock))
		drop := int(min(int64(n), d.skip))
		d.skip -= int64(drop)
		d.put(dst[frames*ch:], d.frames[drop:n])
		frames += n - drop
		d.next += int64(n - drop)
		if d.next > maxDecodedFrames {
			d.err = fault.New(fault.OverLimit, "there are over %d frames of sound", int64(maxDecodedFrames)).In(d.owner.name, "")
		}
	}
	if frames > 0 {
		return frames, nil
	}
	return 0, d.err
}

// pull asks the decoder for n frames and sets err when there are no more.
func (d *decoder) pull(n int64) (got int) {
	ok := false
	err := guarded(func() error {
		got, ok = d.s.Stream(d.frames[:n])
		return d.s.Err()
	})
	switch {
	case err != nil:
		d.err = d.fail("it could not be decoded").Because(err)
		return 0
	case got < 0 || got > int(n):
		d.err = d.fail("the decoder gave %d frames of %d", got, n)
		return 0
	case got > 0:
		d.idle = 0
	case ok && d.idle < maxIdle:
		d.idle++
	case ok:
		d.err = d.fail("the decoder does not go on")
	case d.owner.frames > d.next:
		d.err = d.fail("the sound ends here, and the file promises %d frames", d.owner.frames)
	default:
		d.err = io.EOF
	}
	return got
}

// put stores frames in dst; a mono file has the same value on both sides.
func (d *decoder) put(dst []float32, frames [][2]float64) {
	ch := d.owner.fm.Channels
	for i, f := range frames {
		for c := range ch {
			v := float32(f[c])
			if v-v != 0 {
				v = 0
				if !d.told {
					d.told = true
					d.owner.noteNotFinite(d.next + int64(i))
				}
			}
			dst[i*ch+c] = v
		}
	}
}

// window reads small pieces of a file through one block in memory.
type window struct {
	r    io.ReaderAt
	size int64
	at   int64
	b    []byte
	err  error // of the file, kept
}

const windowBytes = 64 << 10

// bytes gives n bytes at a place, at most windowBytes, good until the next
// call; nil when the file has not as many.
func (w *window) bytes(at int64, n int) []byte {
	if at < 0 || at+int64(n) > w.size {
		return nil
	}
	if at < w.at || at+int64(n) > w.at+int64(len(w.b)) {
		if w.b == nil {
			w.b = make([]byte, min(windowBytes, w.size))
		}
		w.b = w.b[:min(int64(cap(w.b)), w.size-at)]
		w.at = at
		if got, err := w.r.ReadAt(w.b, at); got < len(w.b) {
			w.b = w.b[:got]
			w.err = errors.Join(w.err, err)
			if got < n {
				return nil
			}
		}
	}
	return w.b[at-w.at:][:n]
}
