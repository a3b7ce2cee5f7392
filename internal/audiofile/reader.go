package audiofile

import (
	"fmt"
	"io"
	"math"

	"cuechoir/internal/fault"
)

// source gives interleaved frames, one after the other.
type source interface {
	// read fills whole frames of dst; 0 and io.EOF at the end.
	read(dst []float32) (frames int, err error)
}

// Reader reads the frames of one sound file in order. It is for one goroutine.
type Reader struct {
	name      string
	fm        Format
	frames    int64
	bext      *Bext
	cues      []Cue
	truncated bool
	lacks     string // what the file promises and lacks, in words
	notes     []string
	src       source
	closer    io.Closer
}

// Format is what the file keeps. For FLAC, MP3 and Vorbis it is the format
// decoded to; a lossy file has Bits 16 (MP3, as its decoder gives it) or 32
// and Float (Vorbis, whose decoder holds its output within ±1.0).
func (r *Reader) Format() Format { return r.fm }

// Frames is the number of frames in the file, or -1 when a compressed file
// does not say.
func (r *Reader) Frames() int64 { return r.frames }

// Bext is the broadcast extension, or nil.
func (r *Reader) Bext() *Bext { return r.bext }

// Cues are the cues in order of time.
func (r *Reader) Cues() []Cue { return r.cues }

// Truncated says that the header promises more sound than there is, or was
// never closed: a recording that was killed, or one that is still running.
func (r *Reader) Truncated() bool { return r.truncated }

// Notes says in words what was odd in the file and how it was read. Values
// that are not finite are noted when they are met.
func (r *Reader) Notes() []string { return r.notes }

func (r *Reader) note(format string, args ...any) {
	r.notes = append(r.notes, fmt.Sprintf(format, args...))
}

func (r *Reader) noteNotFinite(frame int64) {
	r.note("frame %d holds a value that is not a finite number; such values are read as 0", frame)
}

// Read fills dst with interleaved frames and says how many; dst need not be a
// multiple of the channel count, and what is over stays untouched. At the end
// it gives 0 and io.EOF. Errors: Malformed for a file that ends or breaks
// before its time, Usage when dst is shorter than a frame.
func (r *Reader) Read(dst []float32) (frames int, err error) {
	n := len(dst) / r.fm.Channels
	if n == 0 {
		return 0, fault.New(fault.Usage, "a buffer of %d samples holds no frame of %d channels", len(dst), r.fm.Channels).In(r.name, "")
	}
	return r.src.read(dst[:n*r.fm.Channels])
}

// SeekFrame makes the next Read start at frame n, 0 to Frames. WAV only:
// Unsupported for compressed files, Usage for a frame outside.
func (r *Reader) SeekFrame(n int64) error {
	w, ok := r.src.(*wavSource)
	if !ok {
		return fault.New(fault.Unsupported, "only WAV files can be read from the middle").In(r.name, "").Mended(mendConvert)
	}
	if n < 0 || n > r.frames {
		return fault.New(fault.Usage, "frame %d is outside 0 to %d", n, r.frames).In(r.name, "")
	}
	w.next = n
	return nil
}

// Close closes the file that Open opened.
func (r *Reader) Close() error {
	if r.closer == nil {
		return nil
	}
	c := r.closer
	r.closer = nil
	return c.Close()
}

// NewWAVReader reads WAV, RF64 or BW64 from r, which has size bytes. The name
// is for errors. r must not grow shorter while it is read. Errors: Malformed,
// Unsupported, OverLimit.
func NewWAVReader(r io.ReaderAt, size int64, name string) (*Reader, error) {
	w, err := parseWAV(r, size, name)
	if err != nil {
		return nil, err
	}
	out := &Reader{
		name: name, fm: w.fm, bext: w.bext, truncated: w.truncated, lacks: w.lacks, notes: w.notes,
		frames: w.dataBytes / int64(w.fm.FrameBytes()),
		cues:   joinCues(w.cueAt, w.labels),
	}
	out.src = &wavSource{r: r, owner: out, dataAt: w.dataAt}
	return out, nil
}

// wavBlockBytes bounds what one read of the file takes.
const wavBlockBytes = 256 << 10

// wavSource reads the frames of a data chunk.
type wavSource struct {
	r         io.ReaderAt
	owner     *Reader
	dataAt    int64
	next      int64 // frame
	buf       []byte
	notFinite bool // told
}

func (s *wavSource) read(dst []float32) (frames int, err error) {
	if s.next >= s.owner.frames {
		return 0, io.EOF
	}
	ch, frame := s.owner.fm.Channels, s.owner.fm.FrameBytes()
	want := int(min(int64(len(dst)/ch), s.owner.frames-s.next))
	if len(s.buf) < min(want*frame, wavBlockBytes) {
		s.buf = make([]byte, max(frame, min(want*frame, wavBlockBytes)/frame*frame))
	}
	for frames < want {
		n := min(want-frames, len(s.buf)/frame)
		b := s.buf[:n*frame]
		if err := s.fill(b); err != nil {
			return frames, err
		}
		bad, first := decode(dst[frames*ch:(frames+n)*ch], b, s.owner.fm)
		if bad > 0 && !s.notFinite {
			s.notFinite = true
			s.owner.noteNotFinite(s.next + int64(first/ch))
		}
		frames += n
		s.next += int64(n)
	}
	return frames, nil
}

func (s *wavSource) fill(b []byte) error {
	at := s.dataAt + s.next*int64(s.owner.fm.FrameBytes())
	if at > math.MaxInt64-int64(len(b)) {
		at = math.MaxInt64 - int64(len(b))
	}
	n, err := s.r.ReadAt(b, at)
	if n == len(b) {
		return nil
	}
	return fault.New(fault.Malformed, "the sound could not be read").
		In(s.owner.name, fmt.Sprintf("byte %d", at+int64(n))).Because(err).
		Mended("if the file is still being written, read it when it is done")
}
