package audiofile

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"unicode/utf8"

	"cuechoir/internal/fault"
)

// Open opens a sound file and finds its form by its content, whatever its
// name: WAV, RF64, BW64, FLAC, MP3 or Ogg Vorbis. The Reader must be closed.
// Errors: Missing, Malformed, Unsupported for anything else (with what it
// looks like), OverLimit.
func Open(path string) (*Reader, error) {
	f, size, err := openRegular(path, os.O_RDONLY)
	if err != nil {
		return nil, err
	}
	r, err := newReader(f, size, path)
	if err != nil {
		f.Close()
		return nil, err
	}
	r.closer = f
	return r, nil
}

// openRegular opens a regular file and gives its size. The kind of file is
// looked at first, since opening a pipe would wait for its other end.
func openRegular(path string, flag int) (*os.File, int64, error) {
	st, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, 0, fault.New(fault.Missing, "there is no such file").In(path, "").Mended("check the name")
	}
	if err != nil {
		return nil, 0, fault.New(fault.Unexpected, "the file cannot be looked at").In(path, "").Because(err)
	}
	if st.IsDir() {
		return nil, 0, fault.New(fault.Unsupported, "this is a folder, not a sound file").In(path, "").Mended("name a file in it")
	}
	if !st.Mode().IsRegular() {
		return nil, 0, fault.New(fault.Unsupported, "this is a device or a pipe, not a file").In(path, "").
			Mended("save the sound to a file first")
	}
	f, err := os.OpenFile(path, flag, 0)
	if err != nil {
		return nil, 0, fault.New(fault.Unexpected, "the file cannot be opened").In(path, "").Because(err)
	}
	st, err = f.Stat()
	if err != nil || !st.Mode().IsRegular() {
		f.Close()
		return nil, 0, fault.New(fault.Unexpected, "the file changed while it was opened").In(path, "").Because(err)
	}
	return f, st.Size(), nil
}

// newReader chooses the reader by content.
func newReader(r io.ReaderAt, size int64, name string) (*Reader, error) {
	if size == 0 {
		return nil, fault.New(fault.Malformed, "the file is empty").In(name, "").Mended("take another copy")
	}
	head := make([]byte, min(size, 512))
	if n, err := r.ReadAt(head, 0); n < len(head) {
		return nil, fault.New(fault.Unexpected, "the file could not be read").In(name, "byte 0").Because(err)
	}
	kind := sniff(head)
	if kind == "wav" {
		return NewWAVReader(r, size, name)
	}
	at := int64(0)
	if kind == "" {
		w := &window{r: r, size: size}
		if at = id3End(w, 0); at > 0 && string(w.bytes(at, 4)) == "fLaC" {
			kind = "flac"
		} else if at = findMP3(w, at); at >= 0 {
			kind = "mp3"
		}
	}
	open := map[string]func(r io.ReaderAt, size, at int64, name string) (*Reader, error){
		"flac": newFLAC, "mp3": newMP3, "ogg": newVorbis,
	}[kind]
	if open != nil {
		if size > MaxCompressedBytes {
			return nil, fault.New(fault.OverLimit, "the file has %d bytes; compressed files are read up to %d", size, int64(MaxCompressedBytes)).
				In(name, "").Mended(mendConvert)
		}
		out, err := open(r, size, at, name)
		if err != nil { // no half-made Reader goes out
			return nil, err
		}
		return out, nil
	}
	if kind == "" {
		if kind = "of a form that is not known"; looksLikeText(head) {
			kind = "like text"
		}
	}
	return nil, fault.New(fault.Unsupported, "this is no sound file that can be read: it looks %s", kind).
		In(name, "byte 0").Mended(mendConvert)
}

// signatures tell files by their first bytes.
var signatures = []struct {
	at          int
	magic, kind string
}{
	{8, "WAVE", "wav"},
	{0, "fLaC", "flac"},
	{0, "OggS", "ogg"},
	{8, "AVI ", "like an AVI movie"},
	{0, "RIFX", "like a big-endian WAV"},
	{0, "riff", "like a Wave64 file"},
	{4, "ftyp", "like an MP4 or QuickTime file"},
	{4, "moov", "like a QuickTime movie"},
	{4, "mdat", "like a QuickTime movie"},
	{0, "\x1a\x45\xdf\xa3", "like a Matroska or WebM file"},
	{0, "FORM", "like an AIFF file"},
	{0, "caff", "like a Core Audio file"},
	{0, "MThd", "like a MIDI file"},
	{0, "\x89PNG", "like a picture"},
	{0, "\xff\xd8\xff", "like a picture"},
	{0, "PK\x03\x04", "like a ZIP archive"},
}

// sniff names what the first bytes are: "wav", "flac", "ogg", words for
// something that is not read, or "" for what has no signature.
func sniff(head []byte) string {
	for _, s := range signatures {
		if len(head) >= s.at+len(s.magic) && string(head[s.at:s.at+len(s.magic)]) == s.magic {
			return s.kind
		}
	}
	return ""
}

// looksLikeText says whether the bytes are UTF-8 without zero bytes; the last
// character may be cut.
func looksLikeText(head []byte) bool {
	return bytes.IndexByte(head, 0) < 0 && utf8.Valid(head[:max(0, len(head)-utf8.UTFMax)])
}
