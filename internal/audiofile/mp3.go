package audiofile

import (
	"encoding/binary"
	"fmt"
	"io"

	"github.com/gopxl/beep/v2"
	"github.com/gopxl/beep/v2/mp3"

	"cuechoir/internal/fault"
)

// An MP3 file has no header of its own: it is a chain of frames (ISO/IEC
// 11172-3 and 13818-3, layer III), often with tags before and behind. The
// chain is gone through here once; the decoder gets the whole frames alone.
const (
	mp3SearchBytes = 256 << 10 // how far the first frame is looked for
	maxMP3Runs     = 1000      // runs of frames with something else in between
	maxReservoir   = 511       // bytes a frame may borrow from those before
)

// mp3Header is the first four bytes of a frame.
type mp3Header struct {
	rate, samples int // Hz; frames of sound
	bytes         int // the whole frame
	mono, crc     bool
	lsf           bool // MPEG-2 and 2.5: one granule
	version25     bool
}

var (
	mp3Bitrates = [2][15]int{ // kbit/s; ISO 11172-3 2.4.2.3, 13818-3 2.4.2.3
		{0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320},
		{0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160},
	}
	mp3Rates = [3]int{44100, 48000, 32000}
)

// parseMP3Header reads a layer III header of a stated bit rate.
func parseMP3Header(b []byte) (h mp3Header, ok bool) {
	if len(b) < 4 || b[0] != 0xff || b[1]&0xe0 != 0xe0 {
		return h, false
	}
	version, layer, rate, bitrate := b[1]>>3&3, b[1]>>1&3, b[2]>>2&3, b[2]>>4
	if version == 1 || layer != 1 || rate == 3 || bitrate == 0 || bitrate == 15 || b[3]&3 == 2 {
		return h, false
	}
	h = mp3Header{rate: mp3Rates[rate], samples: 1152, mono: b[3]>>6 == 3, crc: b[1]&1 == 0, lsf: version != 3, version25: version == 0}
	table := 0
	if h.lsf {
		table, h.samples, h.rate = 1, 576, h.rate/2
	}
	if h.version25 {
		h.rate /= 2
	}
	h.bytes = h.samples / 8 * 1000 * mp3Bitrates[table][bitrate] / h.rate
	if b[2]&2 != 0 {
		h.bytes++
	}
	return h, true
}

// sideBytes is the size of the header, the checksum and the side information.
func (h mp3Header) sideBytes() int {
	n := 4
	if h.crc {
		n += 2
	}
	switch {
	case h.mono && h.lsf:
		return n + 9
	case h.mono != h.lsf:
		return n + 17
	}
	return n + 32
}

// alike says whether two frames can belong to one stream.
func (h mp3Header) alike(o mp3Header) bool { return h.rate == o.rate && h.lsf == o.lsf }

// id3End gives the place behind the ID3v2 tags at a place (id3.org, ID3v2.4.0
// section 3.1).
func id3End(w *window, at int64) int64 {
	for {
		b := w.bytes(at, 10)
		if b == nil || string(b[:3]) != "ID3" || (b[6]|b[7]|b[8]|b[9])&0x80 != 0 {
			return at
		}
		at += 10 + int64(b[6])<<21 + int64(b[7])<<14 + int64(b[8])<<7 + int64(b[9])
		if b[5]&0x10 != 0 {
			at += 10
		}
	}
}

// findMP3 looks for the first of two frames in a row (or of one that ends the
// file), -1 when there is none within mp3SearchBytes.
func findMP3(w *window, from int64) int64 {
	for at := from; at < from+mp3SearchBytes; at++ {
		h, ok := parseMP3Header(w.bytes(at, 4))
		if !ok {
			if at+4 > w.size {
				return -1
			}
			continue
		}
		next := at + int64(h.bytes)
		if n, ok := parseMP3Header(w.bytes(next, 4)); ok && n.alike(h) || next == w.size {
			return at
		}
	}
	return -1
}

// mp3Chain is what going through the frames finds.
type mp3Chain struct {
	first    mp3Header
	runs     []span // frames without gaps, in the file
	frames   int64  // audio frames, the information frame left out
	stereo   bool
	promised int64 // audio frames as the information frame has it, or -1
	delay    int   // samples before the sound, as the encoder says, or -1
	padding  int
	cut      bool // the last frame is not whole
	borrowed bool // a frame needs data of frames that are not there
	junk     int64
}

// span is a stretch of a file.
type span struct{ from, to int64 }

// newMP3 reads MP3 whose first frame stands at `at`.
func newMP3(r io.ReaderAt, size, at int64, name string) (*Reader, error) {
	w := &window{r: r, size: size}
	c, err := walkMP3(w, at, name)
	if err != nil {
		return nil, err
	}
	if w.err != nil {
		return nil, fault.New(fault.Unexpected, "the file could not be read").In(name, "").Because(w.err)
	}
	if c.frames == 0 {
		return nil, fault.New(fault.Malformed, "the MP3 file holds no sound").In(name, fmt.Sprintf("byte %d", at))
	}
	out := &Reader{name: name, fm: Format{SampleRate: c.first.rate, Channels: 1, Bits: 16}}
	if c.stereo {
		out.fm.Channels = 2
	}
	skip := c.describe(out)
	parts := make([]io.Reader, len(c.runs))
	for i, s := range c.runs {
		parts[i] = io.NewSectionReader(r, s.from, s.to-s.from)
	}
	err = newDecoder(out, "MP3", skip, func() (beep.Streamer, error) {
		s, _, err := mp3.Decode(io.NopCloser(io.MultiReader(parts...)))
		return s, err
	})
	return out, err
}

// decoderDelay is what a layer III decoder adds to an encoder's delay: 528
// samples of its filter bank and one more (LAME's technical FAQ).
const decoderDelay = 529

// describe sets the length and the notes, and gives the frames to skip.
func (c *mp3Chain) describe(out *Reader) (skip int64) {
	all := c.frames * int64(c.first.samples)
	out.frames = all
	if c.delay >= 0 {
		skip = min(all, int64(c.delay)+decoderDelay)
		out.frames = max(0, min(all-skip, all-int64(c.delay)-int64(c.padding)))
	} else {
		out.note("the encoder's delay is not stated: the sound may start about 1100 samples late")
	}
	switch {
	case c.promised > c.frames:
		out.truncated = true
		out.lacks = fmt.Sprintf("the header promises %d MPEG frames, and %d are there", c.promised, c.frames)
	case c.cut:
		out.truncated = true
		out.lacks = "the last MPEG frame is cut off"
	}
	if out.lacks != "" {
		out.note("%s", out.lacks)
	}
	if c.borrowed {
		out.note("some MPEG frames need data of frames that are not there, as when a file is cut: they may sound wrong")
	}
	if c.junk > 0 {
		out.note("%d bytes between the MPEG frames were passed over", c.junk)
	}
	return skip
}

// walkMP3 goes through the frames.
func walkMP3(w *window, at int64, name string) (*mp3Chain, error) {
	c := &mp3Chain{delay: -1, promised: -1}
	c.first, _ = parseMP3Header(w.bytes(at, 4))
	if c.first.version25 {
		return nil, fault.New(fault.Unsupported, "MP3 by MPEG-2.5 is not read").In(name, fmt.Sprintf("byte %d", at)).Mended(mendConvert)
	}
	if h := c.first; c.information(w.bytes(at, min(h.bytes, int(w.size-at))), h) {
		at += int64(h.bytes)
	}
	reservoir := 0
	for at < w.size {
		h, ok := parseMP3Header(w.bytes(at, 4))
		if ok && !h.alike(c.first) {
			return nil, fault.New(fault.Unsupported, "the MP3 file changes its sample rate half way").In(name, fmt.Sprintf("byte %d", at)).Mended(mendConvert)
		}
		if !ok {
			next := resumeMP3(w, at, c.first)
			if next < 0 {
				break
			}
			c.junk += next - at
			at = next
			continue
		}
		if at+int64(h.bytes) > w.size {
			c.cut = true
			break
		}
		reservoir = c.borrow(w, at, h, reservoir)
		c.stereo = c.stereo || !h.mono
		c.frames++
		if n := len(c.runs); n > 0 && c.runs[n-1].to == at {
			c.runs[n-1].to += int64(h.bytes)
		} else if n == maxMP3Runs {
			return nil, fault.New(fault.Malformed, "the MP3 file is broken in over %d places", maxMP3Runs).In(name, fmt.Sprintf("byte %d", at)).
				Mended("take another copy of the file")
		} else {
			c.runs = append(c.runs, span{at, at + int64(h.bytes)})
		}
		at += int64(h.bytes)
	}
	return c, nil
}

// resumeMP3 finds where the frames go on behind something else; -1 at the end
// or where a closing tag (ID3v1, APE, Lyrics3) stands.
func resumeMP3(w *window, at int64, like mp3Header) int64 {
	if b := w.bytes(at, 8); b != nil && (string(b[:3]) == "TAG" || string(b) == "APETAGEX" || string(b[:6]) == "LYRICS") {
		return -1
	}
	for next := findMP3(w, at); next >= 0; next = findMP3(w, next+1) {
		if h, _ := parseMP3Header(w.bytes(next, 4)); h.alike(like) {
			return next
		}
	}
	return -1
}

// borrow looks at how much a frame takes from those before (main_data_begin,
// ISO 11172-3 2.4.1.7) and gives what it leaves to those behind.
func (c *mp3Chain) borrow(w *window, at int64, h mp3Header, reservoir int) int {
	crc := int64(0)
	if h.crc {
		crc = 2
	}
	b := w.bytes(at+4+crc, 2)
	if b == nil {
		return 0
	}
	begin := int(b[0])<<1 | int(b[1]>>7)
	if h.lsf {
		begin = int(b[0])
	}
	c.borrowed = c.borrowed || begin > reservoir
	return min(maxReservoir, reservoir+max(0, h.bytes-h.sideBytes()))
}

// information reads the frame that encoders put first to hold the length
// («Xing», «Info», with LAME's extension of delay and padding; or «VBRI»), and
// says whether the frame is one. Layout: the LAME project's «MP3 Info Tag»
// description, revision 1.
func (c *mp3Chain) information(b []byte, h mp3Header) bool {
	if len(b) < h.bytes {
		return false
	}
	side := h.sideBytes()
	if h.crc {
		side -= 2 // encoders leave the checksum out of the count
	}
	if len(b) >= 40 && string(b[36:40]) == "VBRI" {
		return true
	}
	if len(b) < side+8 || string(b[side:side+4]) != "Xing" && string(b[side:side+4]) != "Info" {
		return false
	}
	flags := binary.BigEndian.Uint32(b[side+4:])
	p := b[side+8:]
	for _, f := range []struct {
		flag uint32
		size int
	}{{1, 4}, {2, 4}, {4, 100}, {8, 4}} {
		if flags&f.flag == 0 {
			continue
		}
		if len(p) < f.size {
			return true
		}
		if f.flag == 1 {
			c.promised = int64(binary.BigEndian.Uint32(p))
		}
		p = p[f.size:]
	}
	if len(p) < 24 {
		return true
	}
	switch string(p[:4]) {
	case "LAME", "Lavf", "Lavc":
		c.delay = int(p[21])<<4 | int(p[22]>>4)
		c.padding = int(p[22]&15)<<8 | int(p[23])
	}
	return true
}
