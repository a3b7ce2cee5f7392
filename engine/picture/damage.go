package picture

import (
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

// judge turns FFmpeg's complaints into notes, or into an error when the film
// is not there or much of it is not.
func (r *reader) judge(res decoder.Result, decoded int64) error {
	if decoded == 0 || res.ExitCode != 0 {
		return r.unreadable(res, r.video)
	}
	lost := r.times.packets - decoded
	if lost*10 > r.times.packets {
		return fault.New(fault.Malformed, "is damaged: %d of its %d pictures cannot be decoded", lost, r.times.packets).
			In(r.path, "").Mended("copy it again from where it came")
	}
	if lost > 0 {
		r.info.note("%d of %d pictures could not be decoded; the ones before them stand in", lost, r.times.packets)
	}
	if len(res.Errors) > 0 {
		r.info.note("the video is damaged in places (ffmpeg: %.200s)", strings.Join(res.Errors, "; "))
	}
	return nil
}

// cutShort is the error for a file of which the end is missing: it holds
// fewer pictures than its own index counts, or FFmpeg met its end too early.
func (r *reader) cutShort(stored int64, res decoder.Result) error {
	promised, err := strconv.ParseInt(r.video.FrameCount, 10, 64)
	if err == nil && stored < promised-max(2, promised/100) { // AVI counts pictures that it delays
		return fault.New(fault.Malformed, "is cut short: it holds %d of its %d pictures", stored, promised).
			In(r.path, "").Mended("copy it again from where it came")
	}
	for _, line := range res.Errors {
		for _, sign := range []string{"ended prematurely", "partial file"} {
			if strings.Contains(line, sign) {
				return fault.New(fault.Malformed, "is cut short").In(r.path, "").Because(fmt.Errorf("ffmpeg: %.200s", line)).
					Mended("copy it again from where it came")
			}
		}
	}
	return nil
}

// unreadable is the error for a file of which FFmpeg gives up on stream s (nil:
// on the whole).
func (r *reader) unreadable(res decoder.Result, s *probeStream) error {
	what, said := "is not a video or sound file that can be read", strings.Join(res.Errors, "; ")
	if s != nil && noDecoder(said) {
		return r.unknownCodec(s)
	}
	if err := r.tooLarge(res); err != nil {
		return err
	}
	if strings.Contains(said, "Format not on whitelist") {
		return fault.New(fault.Unsupported, "is a list of other files, or of a form that is not read here").In(r.path, "").
			Mended("name the video file itself, or convert it to MP4")
	}
	if startsAsMP4(r.path) {
		switch {
		case strings.Contains(said, "moov atom not found"):
			what = "is cut short: its table of contents is missing"
		case boxPastEnd(r.path):
			what = "is cut short"
		}
	}
	f := fault.New(fault.Malformed, "%s", what).In(r.path, "").Mended("copy it again, or export it again from where it was made")
	if said != "" {
		f = f.Because(fmt.Errorf("ffmpeg: %.300s", said))
	}
	return f
}

// startsAsMP4 reports whether a file begins with a box of ISO/IEC 14496-12;
// FFmpeg takes any file of that name for one.
func startsAsMP4(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	var head [8]byte
	if _, err := io.ReadFull(f, head[:]); err != nil {
		return false
	}
	return slices.Contains([]string{"ftyp", "mdat", "free", "skip", "wide", "moov"}, string(head[4:]))
}

// openSized opens a file and tells its size; the caller closes it.
func openSized(path string) (*os.File, int64, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, 0, err
	}
	st, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, 0, err
	}
	return f, st.Size(), nil
}

// boxPastEnd reports whether a box of the file's top level (ISO/IEC 14496-12,
// 4.2) says that it is longer than what is left of the file.
func boxPastEnd(path string) bool {
	f, size, err := openSized(path)
	if err != nil {
		return false
	}
	defer f.Close()
	const most = 1000 // boxes; a film has a handful, one sent in pieces two a piece
	at := int64(0)
	for range most {
		var head [16]byte
		n, _ := f.ReadAt(head[:], at)
		if n < 8 {
			return n > 0 // a box's head is cut through
		}
		long := int64(binary.BigEndian.Uint32(head[:]))
		switch long {
		case 0: // to the end of the file
			return false
		case 1:
			long = int64(binary.BigEndian.Uint64(head[8:]))
		}
		if long < 8 {
			return false // no box
		}
		if long > size-at {
			return true
		}
		at += long
	}
	return false
}

var sizeRefused = regexp.MustCompile(`Picture size (\d{1,10})x(\d{1,10}) (is invalid|exceeds)`)

// tooLarge is the error for a picture beyond decoder.MaxPoints, if FFmpeg
// refused one.
func (r *reader) tooLarge(res decoder.Result) error {
	for _, line := range res.Errors {
		if m := sizeRefused.FindStringSubmatch(line); m != nil {
			return r.overLimit(m[1], m[2])
		}
	}
	return nil
}

func (r *reader) overLimit(w, h string) error {
	return fault.New(fault.OverLimit, "its picture is %s by %s points", w, h).In(r.path, "").
		Mended("make a smaller copy, of at most 8192 by 8192 points")
}

// noDecoder reports whether FFmpeg gave up for want of a decoder.
func noDecoder(said string) bool {
	return strings.Contains(said, "no decoder found for") || strings.Contains(said, "Decoder (codec") ||
		strings.Contains(said, "Decoder not found")
}

// unknownCodec names the form that the engine cannot decode.
func (r *reader) unknownCodec(s *probeStream) error {
	kind, name := "picture", s.Codec
	if s.Type == "audio" {
		kind = "sound"
	}
	if name == "" || name == "unknown" || name == "none" {
		name = s.Tag
	}
	f := fault.New(fault.Unsupported, "its %s is coded as %.40q, which the %s decoder does not know", kind, name, r.Engine()).In(r.path, "")
	if r.Engine() == decoder.Embedded {
		return f.Mended("install ffmpeg, which knows more, or convert the file to MP4 with H.264 and AAC")
	}
	return f.Mended("install a newer ffmpeg, or convert the file to MP4 with H.264 and AAC")
}

// The packets of a transport stream, in bytes: plain, with a clock before each
// (Blu-ray and camcorders), with error correction after each. Each has its sync
// byte (ISO/IEC 13818-1, 2.4.3.2).
var transportPackets = []struct{ size, sync int64 }{{188, 0}, {192, 4}, {204, 0}}

const transportSync = 0x47

// endsInPacket reports whether a transport stream's last packet is not whole.
// The stream has no length of its own: this is all that a file cut short at a
// quiet place shows of it.
func endsInPacket(path string) bool {
	f, size, err := openSized(path)
	if err != nil {
		return false
	}
	defer f.Close()
	for _, p := range transportPackets {
		var b [1]byte
		is := true
		for k := range int64(3) {
			_, err := f.ReadAt(b[:], k*p.size+p.sync)
			is = is && err == nil && b[0] == transportSync
		}
		if is {
			return size%p.size != 0
		}
	}
	return false
}
