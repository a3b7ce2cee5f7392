package audiofile

import (
	"bytes"
	"fmt"
	"io"

	"github.com/gopxl/beep/v2"
	"github.com/gopxl/beep/v2/flac"

	"cuechoir/internal/fault"
)

// maxFLACBlocks bounds the metadata blocks of a FLAC file.
const maxFLACBlocks = 1024

// newFLAC reads FLAC (RFC 9639) from byte `at` on. The metadata is gone
// through here; the decoder gets STREAMINFO and the frames alone, so that no
// length in a comment or picture is its concern.
func newFLAC(r io.ReaderAt, size, at int64, name string) (*Reader, error) {
	fail := func(k fault.Kind, at int64, format string, args ...any) *fault.Error {
		return fault.New(k, format, args...).In(name, fmt.Sprintf("byte %d", at))
	}
	w := &window{r: r, size: size}
	info := []byte(nil)
	pos := at + 4
	for n, last := 0, false; !last; n++ {
		head := w.bytes(pos, 4)
		if head == nil || n == maxFLACBlocks {
			return nil, fail(fault.Malformed, pos, "the FLAC metadata has no end").Mended("take another copy of the file")
		}
		last = head[0]&0x80 != 0
		kind, length := head[0]&0x7f, int64(head[1])<<16|int64(head[2])<<8|int64(head[3])
		if (n == 0) != (kind == 0) || n == 0 && length != 34 {
			return nil, fail(fault.Malformed, pos, "FLAC metadata begins with one block STREAMINFO of 34 bytes, and here is not so")
		}
		if n == 0 {
			info = bytes.Clone(w.bytes(pos+4, 34))
		}
		if pos += 4 + length; pos > size || info == nil {
			return nil, fail(fault.Malformed, pos, "the file ends within the FLAC metadata").Mended("take another copy of the file")
		}
	}
	out := &Reader{name: name}
	bits := int(info[12]&1)<<4 | int(info[13]>>4) + 1
	out.fm = Format{
		SampleRate: int(info[10])<<12 | int(info[11])<<4 | int(info[12]>>4),
		Channels:   int(info[12]>>1&7) + 1,
		Bits:       (bits + 7) / 8 * 8,
	}
	out.frames = int64(info[13]&15)<<32 | int64(info[14])<<24 | int64(info[15])<<16 | int64(info[16])<<8 | int64(info[17])
	if out.frames == 0 { // RFC 9639, section 8.2: not known
		out.frames = -1
	}
	if err := out.fm.check(); err != nil {
		return nil, err.In(name, fmt.Sprintf("byte %d", at+8))
	}
	if out.fm.Channels > 2 {
		return nil, fail(fault.Unsupported, at+8, "FLAC of %d channels is not read", out.fm.Channels).Mended(mendConvert)
	}
	if bits > 24 {
		return nil, fail(fault.Unsupported, at+8, "FLAC of %d bits is not read", bits).Mended(mendConvert)
	}
	head := append([]byte("fLaC\x80\x00\x00\x22"), info...)
	err := newDecoder(out, "FLAC", 0, func() (beep.Streamer, error) {
		s, _, err := flac.Decode(io.MultiReader(bytes.NewReader(head), io.NewSectionReader(r, pos, size-pos)))
		return s, err
	})
	return out, err
}
