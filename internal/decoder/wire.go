package decoder

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"sync"
)

// What passes between the program and its decoder child. The parent writes
// gob values (one setup, then one order a step) to the child's standard input,
// whose end also tells the child that the parent is gone. The child answers
// with framed records on its standard output: one byte of kind, four of
// length (little-endian), the payload.

type setup struct {
	Path      string // absolute
	Within    string // absolute folder the file must not leave, or ""
	MemoryMiB int
	CacheDir  string // "" for none
}

type order struct {
	Tool      string   // "ffmpeg" or "ffprobe"
	Args      []string // whole argument list; inputMark stands for the file
	TimeoutMS int64
}

// inputMark stands for the media file in an argument list.
const inputMark = "\x00input\x00"

type recordKind byte

const (
	recHello    recordKind = 'h' // the child speaks this protocol
	recReady    recordKind = 'r' // the module is compiled
	recPrepare  recordKind = 'p' // compiling still goes on
	recNote     recordKind = 'n' // something to tell the person
	recOut      recordKind = 'o' // bytes of standard output
	recErr      recordKind = 'e' // bytes of standard error
	recExit     recordKind = 'x' // four bytes: exit code
	recDeadline recordKind = 'd' // the step ran out of time
	recFault    recordKind = 'f' // one byte of fault.Kind, then the text
)

const (
	helloText     = "cuechoir decoder 1"
	maxRecord     = 1 << 20
	recordHeader  = 5
	recordPayload = 64 << 10 // longest that the child writes at once
)

type recordWriter struct {
	mu sync.Mutex
	w  *bufio.Writer
}

func (r *recordWriter) put(k recordKind, p []byte) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	var h [recordHeader]byte
	for {
		n := min(len(p), recordPayload)
		h[0] = byte(k)
		binary.LittleEndian.PutUint32(h[1:], uint32(n))
		if _, err := r.w.Write(h[:]); err != nil {
			return err
		}
		if _, err := r.w.Write(p[:n]); err != nil {
			return err
		}
		if p = p[n:]; len(p) == 0 {
			return r.w.Flush()
		}
	}
}

// stream is an io.Writer that sends what it gets as records of one kind.
type stream struct {
	out  *recordWriter
	kind recordKind
}

func (s stream) Write(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if err := s.out.put(s.kind, p); err != nil {
		return 0, err
	}
	return len(p), nil
}

// readRecord reads one record into buf, which it may grow, and returns the
// payload as a part of it.
func readRecord(r io.Reader, buf *[]byte) (recordKind, []byte, error) {
	var h [recordHeader]byte
	if _, err := io.ReadFull(r, h[:]); err != nil {
		return 0, nil, err
	}
	n := binary.LittleEndian.Uint32(h[1:])
	if n > maxRecord {
		return 0, nil, fmt.Errorf("a record of %d bytes", n)
	}
	if cap(*buf) < int(n) {
		*buf = make([]byte, n)
	}
	p := (*buf)[:n]
	if _, err := io.ReadFull(r, p); err != nil {
		return 0, nil, err
	}
	return recordKind(h[0]), p, nil
}
