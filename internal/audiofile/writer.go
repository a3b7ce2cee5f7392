package audiofile

import (
	"errors"
	"io"
	"math"
	"syscall"

	"cuechoir/internal/fault"
)

// WriterOptions says what a file carries besides its samples. The zero value
// is a file with none of it.
type WriterOptions struct {
	Name string // the file's name for errors
	Bext *Bext
	Cues []Cue
}

// Writer writes WAV, and RF64 once the file passes 4 GiB.
//
// The file is readable at any moment of its making: the header stands first
// with sizes of 0xFFFFFFFF («to the end of the file» for common readers), and
// a state chunk tells our own reader that the length of the file decides.
// Nothing is kept back in memory: each Write is one write of the file, so a
// killed process loses nothing that Write has acknowledged. The file's data
// reaches the disk when the caller syncs it.
//
// A Writer is for one goroutine.
type Writer struct {
	f         io.WriteSeeker
	name      string
	fm        Format
	head      header
	cues      []Cue
	dataBytes int64 // written and acknowledged, a broken frame at the end included
	notFinite int64
	buf       []byte
	err       error // what stopped Write
	closed    bool
	riffMax   int64 // the largest size kept in 32 bits
}

// NewWriter writes the header at the start of f and gives a Writer for what
// follows. The format must be 16, 24 or 32-bit integers or 32-bit float. f
// stays open after Close. Errors: Usage for what cannot be written, DiskFull,
// Unexpected.
func NewWriter(f io.WriteSeeker, fm Format, o WriterOptions) (*Writer, error) {
	if err := fm.checkWritable(); err != nil {
		return nil, err
	}
	if err := checkCues(o.Cues); err != nil {
		return nil, err
	}
	head, err := newHeader(fm, o.Bext)
	if err != nil {
		return nil, err
	}
	w := &Writer{f: f, name: o.Name, fm: fm, head: head, cues: o.Cues, riffMax: math.MaxUint32 - 1}
	w.head.setOpen()
	if err := w.writeAt(0, w.head.bytes); err != nil {
		return nil, err
	}
	return w, nil
}

// Format is the format that the file is written in.
func (w *Writer) Format() Format { return w.fm }

// Frames is the number of whole frames written.
func (w *Writer) Frames() int64 { return w.dataBytes / int64(w.fm.FrameBytes()) }

// NotFinite counts the samples given to Write that were NaN (written as 0) or
// infinite (written as full scale).
func (w *Writer) NotFinite() int64 { return w.notFinite }

// SetCues replaces the cues that Close writes.
func (w *Writer) SetCues(cues []Cue) error {
	if err := checkCues(cues); err != nil {
		return err
	}
	w.cues = cues
	return nil
}

// SetBext replaces the bext that Close writes, as loudness is known only when
// the sound is. It must be as long as the one that the file was begun with: the
// same length of coding history. Errors: Usage.
func (w *Writer) SetBext(b *Bext) error {
	h, err := newHeader(w.fm, b)
	if err != nil {
		return err
	}
	if len(h.bytes) != len(w.head.bytes) {
		return fault.New(fault.Usage, "the bext does not fit the room that was left for it").In(w.name, "")
	}
	h.setOpen()
	w.head = h
	return nil
}

// Write appends interleaved whole frames by one write of the file. After an
// error the Writer takes no more samples, and Frames says how many are kept;
// Close still finishes the file. Errors: Usage for a broken frame, DiskFull,
// Unexpected.
func (w *Writer) Write(x []float32) error {
	if w.err != nil {
		return w.err
	}
	if w.closed {
		return fault.New(fault.Usage, "the file is closed").In(w.name, "")
	}
	if len(x)%w.fm.Channels != 0 {
		return fault.New(fault.Usage, "%d samples are not whole frames of %d channels", len(x), w.fm.Channels).In(w.name, "")
	}
	if len(x) == 0 {
		return nil
	}
	size := len(x) * w.fm.Bits / 8
	if cap(w.buf) < size {
		w.buf = make([]byte, size)
	}
	b := w.buf[:size]
	w.notFinite += int64(encode(b, x, w.fm))
	n, err := w.f.Write(b)
	w.dataBytes += int64(max(0, min(n, size)))
	if err == nil && n < size {
		err = io.ErrShortWrite
	}
	if err != nil {
		w.err = w.writeFault(err)
	}
	return w.err
}

// Flush rewrites the header so that its sizes match what is written. It does
// not sync.
func (w *Writer) Flush() error {
	if w.closed {
		return nil
	}
	w.setSizes(0)
	if err := w.writeAt(0, w.head.bytes); err != nil {
		return err
	}
	return w.seek(w.head.dataStart() + w.dataBytes)
}

// Close finishes the file: final sizes first, so that a crash in the middle
// leaves the sound whole, then the pad byte and the cues. It does not close
// or sync f. A second Close does nothing.
func (w *Writer) Close() error {
	if w.closed {
		return nil
	}
	w.closed = true
	w.dataBytes = w.Frames() * int64(w.fm.FrameBytes())
	w.head.setState(stateClosed)
	w.setSizes(0)
	if err := w.writeAt(0, w.head.bytes); err != nil {
		return err
	}
	end := w.head.dataStart() + w.dataBytes
	// What is left of a broken frame goes, where the file can be cut.
	if t, ok := w.f.(interface{ Truncate(int64) error }); ok && w.err != nil {
		if err := t.Truncate(end); err != nil {
			return w.writeFault(err)
		}
	}
	tail := make([]byte, w.dataBytes%2, 64)
	tail = append(tail, cueChunks(w.cues)...)
	if len(tail) == 0 {
		return w.seek(end)
	}
	if err := w.writeAt(end, tail); err != nil {
		return err
	}
	w.setSizes(int64(len(tail)))
	if err := w.writeAt(0, w.head.bytes); err != nil {
		return err
	}
	return w.seek(end + int64(len(tail)))
}

// setSizes puts the sizes of what is written into the header.
func (w *Writer) setSizes(tailBytes int64) {
	w.head.setSizes(w.Frames(), w.Frames()*int64(w.fm.FrameBytes()), tailBytes, w.riffMax)
}

func (w *Writer) writeAt(at int64, b []byte) error {
	if err := w.seek(at); err != nil {
		return err
	}
	n, err := w.f.Write(b)
	if err == nil && n < len(b) {
		err = io.ErrShortWrite
	}
	if err != nil {
		return w.writeFault(err)
	}
	return nil
}

func (w *Writer) seek(at int64) error {
	if _, err := w.f.Seek(at, io.SeekStart); err != nil {
		return w.writeFault(err)
	}
	return nil
}

func (w *Writer) writeFault(err error) error { return writeFault(w.name, err) }

// writeFault names a full disk for what it is.
func writeFault(name string, err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return fault.New(fault.DiskFull, "no room left to write").In(name, "").Because(err).
			Mended("make room; what is written so far is kept")
	}
	if errors.Is(err, syscall.EFBIG) {
		return fault.New(fault.DiskFull, "the file may grow no further on this disk").In(name, "").Because(err).
			Mended("use a disk that takes larger files (not FAT32), or lift the limit on file sizes; what is written so far is kept")
	}
	return fault.New(fault.Unexpected, "writing failed").In(name, "").Because(err)
}
