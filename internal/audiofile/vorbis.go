package audiofile

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"

	"github.com/gopxl/beep/v2"
	"github.com/gopxl/beep/v2/vorbis"

	"cuechoir/internal/fault"
)

// newVorbis reads Ogg Vorbis (RFC 3533, Vorbis I specification). All pages are
// gone through here once, with their checksums; the setup is held against
// bounds (vorbissetup.go), since the decoder believes it. The decoder gets the
// identification and setup headers, an empty comment header, and the pages of
// sound.
func newVorbis(r io.ReaderAt, size, at int64, name string) (*Reader, error) {
	w := &window{r: r, size: size}
	h, err := oggHeaders(w, at, name)
	if err != nil {
		return nil, err
	}
	id, err := parseVorbisID(h.packets[0], name)
	if err != nil {
		return nil, err
	}
	if err := checkVorbisSetup(h.packets[2]); err != nil {
		return nil, fault.New(fault.Malformed, "the Vorbis setup header is not sound").In(name, fmt.Sprintf("byte %d", h.setupAt)).
			Because(err).Mended("take another copy of the file")
	}
	sound, err := walkOgg(w, h, name)
	if err != nil {
		return nil, err
	}
	out := &Reader{name: name, fm: id, frames: sound.frames}
	if sound.lacks != "" {
		out.truncated, out.lacks = true, sound.lacks
		out.note("%s", sound.lacks)
	}
	const empty = "\x03vorbis\x00\x00\x00\x00\x00\x00\x00\x00\x01"
	head, seq := appendOggPages(nil, h.packets[0], oggFirst, h.serial, 0)
	head, seq = appendOggPages(head, []byte(empty), 0, h.serial, seq)
	head, _ = appendOggPages(head, h.packets[2], 0, h.serial, seq)
	err = newDecoder(out, "Vorbis", 0, func() (beep.Streamer, error) {
		s, _, err := vorbis.Decode(io.NopCloser(io.MultiReader(
			bytes.NewReader(head), io.NewSectionReader(r, h.end, sound.end-h.end))))
		return s, err
	})
	return out, err
}

// parseVorbisID reads the identification header (Vorbis I, section 4.2.2).
func parseVorbisID(p []byte, name string) (Format, error) {
	if len(p) < 30 || string(p[:7]) != "\x01vorbis" {
		return Format{}, fault.New(fault.Unsupported, "the Ogg file does not hold Vorbis sound").In(name, "byte 28").Mended(mendConvert)
	}
	fm := Format{SampleRate: int(binary.LittleEndian.Uint32(p[12:])), Channels: int(p[11]), Bits: 32, Float: true}
	if err := fm.check(); err != nil {
		return fm, err.In(name, "byte 28")
	}
	if fm.Channels > 2 {
		return fm, fault.New(fault.Unsupported, "Vorbis of %d channels is not read", fm.Channels).In(name, "byte 28").Mended(mendConvert)
	}
	short, long := p[28]&15, p[28]>>4
	if binary.LittleEndian.Uint32(p[7:]) != 0 || short < 6 || long > 13 || short > long || p[29]&1 == 0 {
		return fm, fault.New(fault.Malformed, "the Vorbis identification header is not sound").In(name, "byte 28").
			Mended("take another copy of the file")
	}
	return fm, nil
}

// oggHead is the three header packets of a Vorbis stream.
type oggHead struct {
	packets [3][]byte
	serial  uint32
	next    uint32 // sequence number of the next page
	setupAt int64  // the page where the setup header begins
	end     int64  // behind the last header page
}

// oggHeaders collects the header packets. The first is alone on its page, and
// sound begins on a page of its own (Vorbis I, section A.2).
func oggHeaders(w *window, at int64, name string) (*oggHead, error) {
	h := &oggHead{end: at}
	fail := func(text string) error {
		return fault.New(fault.Malformed, "%s", text).In(name, fmt.Sprintf("byte %d", h.end)).Mended("take another copy of the file")
	}
	total := 0
	for n := 0; n < 3; {
		p, err := oggPageAt(w, h.end, name)
		if err == io.ErrUnexpectedEOF {
			return nil, fail("the file ends within the Ogg headers")
		}
		if err != nil {
			return nil, err
		}
		if h.end == at {
			h.serial, h.next = p.serial, p.sequence
		} else if p.flags&oggFirst != 0 || p.serial != h.serial {
			return nil, fault.New(fault.Unsupported, "the Ogg file holds several streams").In(name, fmt.Sprintf("byte %d", h.end)).Mended(mendConvert)
		}
		if p.sequence != h.next {
			return nil, fail("a page is missing within the Ogg headers")
		}
		if total += len(p.body); total > maxOggHeaders {
			return nil, fault.New(fault.OverLimit, "the Ogg headers have over %d bytes", maxOggHeaders).In(name, fmt.Sprintf("byte %d", h.end)).
				Mended("take cover pictures and the like out of the file")
		}
		body := p.body
		for _, lace := range p.lacing {
			if n == 3 {
				return nil, fail("sound stands on a page of the Ogg headers")
			}
			if n == 2 && len(h.packets[2]) == 0 {
				h.setupAt = p.at
			}
			h.packets[n] = append(h.packets[n], body[:lace]...)
			body = body[lace:]
			if lace < 255 {
				n++
			}
		}
		h.next++
		h.end = p.end()
		if string(h.packets[0][:min(7, len(h.packets[0]))]) != "\x01vorbis" {
			break // the caller says what is wrong
		}
	}
	return h, nil
}

// oggSound is what going through the pages of sound finds.
type oggSound struct {
	frames int64
	end    int64 // behind the last whole page
	lacks  string
}

// maxFramesPerByte bounds the sound that pages can promise: a packet of one
// byte stands for at most half a block of 8192.
const maxFramesPerByte = 4096

// walkOgg goes through the pages of sound.
func walkOgg(w *window, h *oggHead, name string) (oggSound, error) {
	s := oggSound{end: h.end}
	last := false
	for seq := h.next; !last && s.end < w.size; seq++ {
		p, err := oggPageAt(w, s.end, name)
		if err == io.ErrUnexpectedEOF {
			break
		}
		if err != nil {
			return s, err
		}
		place := fmt.Sprintf("byte %d", s.end)
		if p.serial != h.serial || p.flags&oggFirst != 0 {
			return s, fault.New(fault.Unsupported, "the Ogg file holds several streams").In(name, place).Mended(mendConvert)
		}
		if p.sequence != seq {
			return s, fault.New(fault.Malformed, "Ogg page %d is missing", seq).In(name, place).Mended("take another copy of the file")
		}
		if len(p.lacing) == 0 {
			return s, fault.New(fault.Unsupported, "an Ogg page without content is not read").In(name, place).Mended(mendConvert)
		}
		if p.granule != -1 {
			if p.granule < s.frames {
				return s, fault.New(fault.Malformed, "the time of an Ogg page runs backwards").In(name, place).Mended("take another copy of the file")
			}
			s.frames = p.granule
		}
		last = p.flags&oggLast != 0
		s.end = p.end()
	}
	if w.err != nil {
		return s, fault.New(fault.Unexpected, "the file could not be read").In(name, "").Because(w.err)
	}
	if !last {
		s.lacks = "the last Ogg page is not there"
	}
	if s.end == h.end {
		return s, fault.New(fault.Malformed, "the Ogg file holds no sound").In(name, fmt.Sprintf("byte %d", h.end)).Mended("take another copy of the file")
	}
	if s.frames > (s.end-h.end)*maxFramesPerByte {
		return s, fault.New(fault.Malformed, "the Ogg file promises %d frames in %d bytes", s.frames, s.end-h.end).In(name, "").
			Mended("take another copy of the file")
	}
	return s, nil
}
