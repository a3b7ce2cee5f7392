package audiofile

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"

	"cuechoir/internal/fault"
)

// Bounds of what a WAV file's chunks may cost. A chunk of text over its bound
// is passed over with a note.
const (
	maxChunks    = 4096
	maxFmtBytes  = 40 // WAVE_FORMAT_EXTENSIBLE; what follows is not looked at
	maxBextBytes = bextCodingHistory + maxCodingHistory
	maxCueBytes  = 4 + maxCues*cueEntrySize
	maxListBytes = 1 << 20
	maxNotes     = 20
)

const mendConvert = "convert it to WAV first, for example with `ffmpeg -i IN -c:a pcm_s24le OUT.wav`"

// wav is what the chunks of a file say, each size held against the file's.
type wav struct {
	r    io.ReaderAt
	size int64
	name string

	rf64        bool
	ds64Data    int64
	fm          Format
	haveFmt     bool
	haveData    bool
	dataAt      int64  // place of the first sample
	dataBytes   int64  // whole frames only
	stillOpenAt int64  // place of our own mark of a recording that was not closed, or 0
	factAt      int64  // place of the frame count in `fact`, or 0
	truncated   bool   // see Reader.Truncated
	lacks       string // what a final header promised and the file has not
	bext        *Bext
	cueAt       map[uint32]int64
	labels      map[uint32]string
	notes       []string
}

func (w *wav) fail(k fault.Kind, at int64, format string, args ...any) *fault.Error {
	return fault.New(k, format, args...).In(w.name, fmt.Sprintf("byte %d", at))
}

func (w *wav) note(format string, args ...any) {
	if len(w.notes) < maxNotes {
		w.notes = append(w.notes, fmt.Sprintf(format, args...))
	}
}

// bytes reads n bytes at a place; n has been bounded by the caller.
func (w *wav) bytes(at int64, n int64) ([]byte, *fault.Error) {
	b := make([]byte, n)
	if got, err := w.r.ReadAt(b, at); int64(got) < n {
		return nil, w.fail(fault.Malformed, at+int64(got), "the file could not be read").Because(err)
	}
	return b, nil
}

// chunk is one chunk's header: its name, the place of its body and the size
// that it states.
type chunk struct {
	id   string
	body int64
	size int64
}

// parseWAV reads the chunks of a RIFF, RF64 or BW64 file.
func parseWAV(r io.ReaderAt, size int64, name string) (*wav, error) {
	w := &wav{r: r, size: size, name: name}
	if size < 12 {
		return nil, w.fail(fault.Malformed, 0, "%d bytes are too few for a WAV file", size)
	}
	head, err := w.bytes(0, 12)
	if err != nil {
		return nil, err
	}
	id := string(head[:4])
	if (id != "RIFF" && id != "RF64" && id != "BW64") || string(head[8:]) != "WAVE" {
		return nil, w.fail(fault.Unsupported, 0, "this is not a WAV file").Mended(mendConvert)
	}
	w.rf64 = id != "RIFF"
	if err := w.walk(); err != nil {
		return nil, err
	}
	if !w.haveFmt {
		return nil, w.fail(fault.Malformed, size, "there is no fmt chunk").Mended("the file is cut off or damaged: take another copy")
	}
	if !w.haveData {
		return nil, w.fail(fault.Malformed, size, "there is no data chunk, so no sound").Mended("the file is cut off or damaged: take another copy")
	}
	return w, nil
}

// walk goes from chunk to chunk; each step is at least eight bytes forward.
func (w *wav) walk() *fault.Error {
	pos := int64(12)
	for n := 0; pos <= w.size-8; n++ {
		if n == maxChunks {
			return w.fail(fault.OverLimit, pos, "there are over %d chunks", maxChunks)
		}
		c, err := w.chunkAt(pos)
		if err != nil {
			return err
		}
		if !printableID(c.id) {
			if w.haveData {
				w.note("%d bytes after the sound, from byte %d, are no chunk and were passed over", w.size-pos, pos)
				return nil
			}
			return w.fail(fault.Malformed, pos, "a chunk should start here, and does not").
				Mended("the file is damaged: take another copy")
		}
		next, err := w.take(c)
		if err != nil {
			return err
		}
		pos = next
	}
	return nil
}

func (w *wav) chunkAt(pos int64) (chunk, *fault.Error) {
	b, err := w.bytes(pos, 8)
	if err != nil {
		return chunk{}, err
	}
	return chunk{string(b[:4]), pos + 8, int64(binary.LittleEndian.Uint32(b[4:]))}, nil
}

func printableID(id string) bool {
	for i := range len(id) {
		if id[i] < ' ' || id[i] > '~' {
			return false
		}
	}
	return true
}

// take reads one chunk and gives the place of the next.
func (w *wav) take(c chunk) (next int64, err *fault.Error) {
	if c.id == "data" {
		return w.takeData(c)
	}
	room := w.size - c.body
	if c.size > room {
		if c.id == "fmt " || c.id == "ds64" {
			return 0, w.fail(fault.Malformed, c.body, "the chunk %q states %d bytes, and %d are left", c.id, c.size, room)
		}
		w.note("the chunk %q at byte %d states %d bytes, and %d are left; it was passed over", c.id, c.body-8, c.size, room)
		return w.size, nil
	}
	switch c.id {
	case "fmt ":
		err = w.takeFmt(c)
	case "ds64":
		err = w.takeDS64(c)
	case "fact":
		if c.size >= 4 {
			w.factAt = c.body
		}
	case "JUNK":
		err = w.takeState(c)
	case "bext":
		err = w.takeBext(c)
	case "cue ":
		err = w.takeText(c, 4, maxCueBytes, func(p []byte) { w.cueAt = parseCuePoints(p) })
	case "LIST":
		err = w.takeList(c)
	}
	if err != nil {
		return 0, err
	}
	return w.after(c.body, c.size), nil
}

// after finds the next chunk behind a body. Bodies of odd
// size have a pad byte; where a writer left it out, the chunk stands one
// byte earlier.
func (w *wav) after(body, size int64) int64 {
	end := body + size
	if size%2 == 0 {
		return end
	}
	if end+5 <= w.size {
		b, err := w.bytes(end, 5)
		if err == nil && printableID(string(b[:4])) && !printableID(string(b[1:])) {
			w.note("the pad byte at byte %d is left out", end)
			return end
		}
	}
	return end + 1
}

// takeText hands the body of a chunk of lowest..highest bytes on; one of
// another size is passed over with a note.
func (w *wav) takeText(c chunk, lowest, highest int64, use func([]byte)) *fault.Error {
	if c.size < lowest || c.size > highest {
		w.note("the chunk %q at byte %d has %d bytes, outside %d to %d; it was passed over", c.id, c.body-8, c.size, lowest, highest)
		return nil
	}
	b, err := w.bytes(c.body, c.size)
	if err == nil {
		use(b)
	}
	return err
}

func (w *wav) takeBext(c chunk) *fault.Error {
	return w.takeText(c, bextCodingHistory, maxBextBytes, func(p []byte) { w.bext = parseBext(p) })
}

func (w *wav) takeList(c chunk) *fault.Error {
	if c.size < 4 {
		return nil
	}
	kind, err := w.bytes(c.body, 4)
	switch {
	case err != nil:
		return err
	case string(kind) == "wavl":
		return w.fail(fault.Unsupported, c.body, "sound in a wave list (LIST wavl) is not read").Mended(mendConvert)
	case string(kind) != "adtl":
		return nil
	}
	return w.takeText(c, 4, maxListBytes, func(p []byte) { w.labels = parseLabels(p[4:]) })
}

// takeState looks for the mark that our own Writer leaves until Close.
func (w *wav) takeState(c chunk) *fault.Error {
	if c.size != int64(len(stateOpen)) {
		return nil
	}
	b, err := w.bytes(c.body, c.size)
	if string(b) == stateOpen {
		w.stillOpenAt = c.body
	}
	return err
}

func (w *wav) takeDS64(c chunk) *fault.Error {
	if !w.rf64 {
		return nil
	}
	if c.size < 28 {
		return w.fail(fault.Malformed, c.body, "the ds64 chunk has %d bytes, and 28 are needed", c.size)
	}
	b, err := w.bytes(c.body, 28)
	if err != nil {
		return err
	}
	data := binary.LittleEndian.Uint64(b[8:])
	w.ds64Data = int64(min(data, math.MaxInt64))
	return nil
}

// takeFmt reads the format. Names and layout: mmreg.h and ksmedia.h.
func (w *wav) takeFmt(c chunk) *fault.Error {
	if w.haveFmt {
		return w.fail(fault.Malformed, c.body, "there is a second fmt chunk")
	}
	if c.size < 16 {
		return w.fail(fault.Malformed, c.body, "the fmt chunk has %d bytes, and 16 are needed", c.size)
	}
	b, err := w.bytes(c.body, min(c.size, maxFmtBytes))
	if err != nil {
		return err
	}
	le := binary.LittleEndian
	tag, stated, align := le.Uint16(b), int(le.Uint16(b[14:])), int(le.Uint16(b[12:]))
	if tag == tagExtensible {
		if tag, err = w.subFormat(c, b); err != nil {
			return err
		}
	}
	if tag != tagPCM && tag != tagFloat {
		return w.fail(fault.Unsupported, c.body, "samples of format tag 0x%04x are not read", tag).Mended(mendConvert)
	}
	// Samples of, say, 20 bits fill the top of a container of whole bytes.
	w.fm = Format{
		SampleRate: int(min(le.Uint32(b[4:]), math.MaxInt32)),
		Channels:   int(le.Uint16(b[2:])),
		Bits:       (stated + 7) / 8 * 8,
		Float:      tag == tagFloat,
	}
	if err := w.fm.check(); err != nil {
		return err.In(w.name, fmt.Sprintf("byte %d", c.body))
	}
	switch w.fm.Bits {
	case 32:
	case 8, 16, 24:
		if w.fm.Float {
			return w.fail(fault.Unsupported, c.body+14, "floating-point samples of %d bits are not read", stated).Mended(mendConvert)
		}
	case 64:
		if !w.fm.Float {
			return w.fail(fault.Unsupported, c.body+14, "integer samples of %d bits are not read", stated).Mended(mendConvert)
		}
	default:
		return w.fail(fault.Unsupported, c.body+14, "samples of %d bits are not read", stated).Mended(mendConvert)
	}
	if align != w.fm.FrameBytes() {
		return w.fail(fault.Malformed, c.body+12, "a frame is said to have %d bytes, and %s needs %d", align, w.fm, w.fm.FrameBytes())
	}
	w.haveFmt = true
	return nil
}

// guidTail ends each sub-format that is a plain format tag (ksmedia.h,
// KSDATAFORMAT_SUBTYPE_PCM and _IEEE_FLOAT).
const guidTail = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"

func (w *wav) subFormat(c chunk, b []byte) (uint16, *fault.Error) {
	if len(b) < maxFmtBytes {
		return 0, w.fail(fault.Malformed, c.body, "an extensible fmt chunk has %d bytes, and %d are needed", len(b), maxFmtBytes)
	}
	if string(b[26:40]) != guidTail {
		return 0, w.fail(fault.Unsupported, c.body+24, "samples of the sub-format %x are not read", b[24:40]).Mended(mendConvert)
	}
	return binary.LittleEndian.Uint16(b[24:]), nil
}

// takeData finds how many bytes of sound there are. A size that is final is
// believed as far as the file goes; one of 0 with more behind it, of
// 0xFFFFFFFF, or of a recording that was not closed gives way to the length
// of the file.
func (w *wav) takeData(c chunk) (next int64, err *fault.Error) {
	if !w.haveFmt {
		return 0, w.fail(fault.Malformed, c.body, "the data chunk stands before the fmt chunk").Mended(mendConvert)
	}
	if w.haveData {
		return 0, w.fail(fault.Malformed, c.body, "there is a second data chunk").Mended(mendConvert)
	}
	w.haveData, w.dataAt = true, c.body
	room := w.size - c.body
	size, unknown := c.size, c.size == unsized
	if w.rf64 && unknown {
		size, unknown = w.ds64Data, w.ds64Data == 0 && room > 0
	}
	switch {
	case w.stillOpenAt > 0, unknown, size == 0 && room > 0 && !w.chunksFollow(c.body):
		w.truncated = true
		w.note("the recording was not closed: the length of the file decides")
		size = room
	case size > room:
		w.truncated = true
		w.lacks = fmt.Sprintf("the header states %d bytes of sound, and %d are there", size, room)
		w.note("%s", w.lacks)
		size = room
	}
	frame := int64(w.fm.FrameBytes())
	w.dataBytes = size / frame * frame
	if size != w.dataBytes {
		w.note("%d bytes at the end of the sound are no whole frame", size-w.dataBytes)
	}
	return w.after(c.body, size), nil
}

// chunksFollow says whether the rest of the file is nothing but chunks.
func (w *wav) chunksFollow(pos int64) bool {
	for n := 0; n < maxChunks && pos <= w.size-8; n++ {
		c, err := w.chunkAt(pos)
		if err != nil || !printableID(c.id) || c.size > w.size-c.body {
			return false
		}
		pos = c.body + c.size + c.size%2
	}
	return pos >= w.size
}
