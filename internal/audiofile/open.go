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
	switch kind := sniff(head); kind {
	case "wav":
		return NewWAVReader(r, size, name)
	default:
		if kind == "" {
			kind = "of a form that is not known"
		}
		return nil, fault.New(fault.Unsupported, "this is no sound file that can be read: it looks %s", kind).
			In(name, "byte 0").Mended(mendConvert)
	}
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

// sniff names what the first bytes are: "wav", "flac", "ogg", "mp3", or words
// for something else, or "".
func sniff(head []byte) string {
	for _, s := range signatures {
		if len(head) >= s.at+len(s.magic) && string(head[s.at:s.at+len(s.magic)]) == s.magic {
			return s.kind
		}
	}
	if bytes.IndexByte(head, 0) < 0 && utf8.Valid(head[:max(0, len(head)-utf8.UTFMax)]) && len(head) > 0 {
		return "like text"
	}
	return ""
}
