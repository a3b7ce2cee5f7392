package audiofile

import (
	"encoding/binary"
	"math"
)

// header is the start of a file, up to the first sample, as bytes to patch:
//
//	RIFF size WAVE
//	JUNK 28    room for ds64 (EBU Tech 3306)
//	JUNK 12    the state: stateOpen or stateClosed
//	bext       with WriterOptions.Bext
//	fmt        16 bytes for integers, 18 for float
//	fact 4     float only
//	data size
type header struct {
	bytes  []byte
	factAt int // place of the frame count of `fact`, 0 when there is none
}

const (
	headDS64  = 12 // place of the JUNK or ds64 chunk
	headState = headDS64 + 8 + 28
	unsized   = math.MaxUint32 // a size that means «see ds64» or «unknown»

	stateOpen   = "still open  "
	stateClosed = "closed      "
)

// Format tags (Microsoft, mmreg.h).
const (
	tagPCM        = 0x0001
	tagFloat      = 0x0003
	tagExtensible = 0xFFFE
)

func newHeader(fm Format, b *Bext) (header, error) {
	le := binary.LittleEndian
	h := header{bytes: []byte("RIFF\xff\xff\xff\xffWAVE")}
	h.bytes = appendChunk(h.bytes, "JUNK", make([]byte, 28))
	h.bytes = appendChunk(h.bytes, "JUNK", []byte(stateOpen))
	if b != nil {
		body, err := b.body()
		if err != nil {
			return h, err
		}
		h.bytes = appendChunk(h.bytes, "bext", body)
	}
	tag := uint16(tagPCM)
	if fm.Float {
		tag = tagFloat
	}
	body := le.AppendUint16(nil, tag)
	body = le.AppendUint16(body, uint16(fm.Channels))
	body = le.AppendUint32(body, uint32(fm.SampleRate))
	body = le.AppendUint32(body, uint32(fm.SampleRate*fm.FrameBytes()))
	body = le.AppendUint16(body, uint16(fm.FrameBytes()))
	body = le.AppendUint16(body, uint16(fm.Bits))
	if fm.Float {
		body = le.AppendUint16(body, 0) // cbSize
	}
	h.bytes = appendChunk(h.bytes, "fmt ", body)
	if fm.Float {
		h.bytes = appendChunk(h.bytes, "fact", []byte{0xff, 0xff, 0xff, 0xff})
		h.factAt = len(h.bytes) - 4
	}
	h.bytes = append(h.bytes, "data\xff\xff\xff\xff"...)
	return h, nil
}

func (h *header) dataStart() int64 { return int64(len(h.bytes)) }

func (h *header) setState(s string) { copy(h.bytes[headState+8:], s) }

// setOpen marks a file that is being written and whose sizes are unknown.
func (h *header) setOpen() {
	h.setState(stateOpen)
	binary.LittleEndian.PutUint32(h.bytes[4:], unsized)
	binary.LittleEndian.PutUint32(h.bytes[len(h.bytes)-4:], unsized)
}

// setSizes patches the sizes; past riffMax the file becomes RF64 and the JUNK
// chunk becomes ds64 (EBU Tech 3306 v1).
func (h *header) setSizes(frames, dataBytes, tailBytes, riffMax int64) {
	le := binary.LittleEndian
	riff := h.dataStart() + dataBytes + tailBytes - 8
	if h.factAt > 0 {
		le.PutUint32(h.bytes[h.factAt:], uint32(min(frames, unsized)))
	}
	ds64 := h.bytes[headDS64 : headDS64+8+28]
	if riff <= riffMax {
		copy(h.bytes, "RIFF")
		copy(ds64, "JUNK")
		le.PutUint32(h.bytes[4:], uint32(riff))
		le.PutUint32(h.bytes[len(h.bytes)-4:], uint32(dataBytes))
		return
	}
	copy(h.bytes, "RF64")
	copy(ds64, "ds64")
	le.PutUint64(ds64[8:], uint64(riff))
	le.PutUint64(ds64[16:], uint64(dataBytes))
	le.PutUint64(ds64[24:], uint64(frames))
	le.PutUint32(h.bytes[4:], unsized)
	le.PutUint32(h.bytes[len(h.bytes)-4:], unsized)
}
