package audiofile

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"testing"

	"cuechoir/internal/fault"
)

// wavSeeds are files of each kind that the reader knows, and broken ones.
func wavSeeds(t testing.TB) [][]byte {
	var seeds [][]byte
	for _, fm := range allFormats {
		m := &memFile{}
		w, err := NewWriter(m, fm, WriterOptions{Bext: &Bext{Description: "x"}, Cues: []Cue{{1, "a"}, {2, "b"}}})
		must(t, err)
		must(t, w.Write(sine(440, 0.5, fm, 9)))
		seeds = append(seeds, bytes.Clone(m.b)) // open
		must(t, w.Flush())
		seeds = append(seeds, bytes.Clone(m.b))
		must(t, w.Close())
		seeds = append(seeds, m.b, m.b[:len(m.b)-20])
	}
	g := newGiant("BW64", 10, unsized, 20, 0)
	return append(seeds, append(g.head, make([]byte, 20)...),
		append(wavBytes(unsized, extensible(3, 2, 48000, 32, 32), unsized), make([]byte, 64)...),
		append(wavBytes(0, pcmFmt(1, 48000, 20), 0), "LIST\x04\x00\x00\x00INFO"...))
}

// FuzzWAV: any bytes are refused with an error or read to the end, frames as
// promised, and Repair makes of them a file that is whole.
func FuzzWAV(f *testing.F) {
	for _, s := range wavSeeds(f) {
		f.Add(s)
	}
	path := filepath.Join(f.TempDir(), "fuzz.wav")
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := NewWAVReader(bytes.NewReader(b), int64(len(b)), "f")
		if err != nil {
			if r != nil {
				t.Fatal("a Reader and an error")
			}
			return
		}
		fm := r.Format()
		if fm.check() != nil || r.Frames() < 0 || r.Frames()*int64(fm.FrameBytes()) > int64(len(b)) {
			t.Fatalf("%v, %d frames of %d bytes", fm, r.Frames(), len(b))
		}
		x := readAllFrames(t, r)
		if int64(len(x)) != r.Frames()*int64(fm.Channels) {
			t.Fatalf("%d samples read, %d frames promised", len(x), r.Frames())
		}
		for i, v := range x {
			if v-v != 0 {
				t.Fatalf("sample %d is %v", i, v)
			}
		}
		must(t, os.WriteFile(path, b, 0o600))
		frames, err := Repair(path)
		if fault.KindOf(err) == fault.Unsupported && string(b[:4]) != "RIFF" && !hasDS64Room(b) {
			return // a 64-bit form without its chunk in place cannot be mended
		}
		if err != nil || frames != r.Frames() {
			t.Fatalf("Repair gives %d, %v; the reader found %d", frames, err, r.Frames())
		}
		again, err := Open(path)
		must(t, err)
		defer again.Close()
		if again.Frames() != frames || again.Truncated() {
			t.Fatalf("after Repair: %d frames, truncated %v; want %d", again.Frames(), again.Truncated(), frames)
		}
	})
}

func hasDS64Room(b []byte) bool {
	return string(b[12:16]) == "ds64" || string(b[12:16]) == "JUNK"
}

// FuzzCompressed: any bytes are refused with an error or read to the end, with
// no more frames than promised and no value that is not finite.
func FuzzCompressed(f *testing.F) {
	for _, c := range append(fixtures, fixture{file: "mono-noinfo.mp3"}) {
		b := read(f, c.file)
		f.Add(b[:min(len(b), 12000)])
	}
	head, seq := appendOggPages(nil, append([]byte("\x01vorbis\x00\x00\x00\x00\x01\x44\xac\x00\x00"), "\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\xb8\x01"...), oggFirst, 1, 0)
	head, seq = appendOggPages(head, []byte("\x03vorbis"), 0, 1, seq)
	head, _ = appendOggPages(head, book(1, 3).lengths(1, 2, 2).put(0, 4).b, 0, 1, seq)
	f.Add(head)
	f.Fuzz(func(t *testing.T, b []byte) {
		fixOggSums(b) // else no change would get past the checksums
		r, err := newReader(bytes.NewReader(b), int64(len(b)), "f")
		if err != nil {
			if r != nil {
				t.Fatal("a Reader and an error")
			}
			return
		}
		if r.Format().check() != nil || r.Frames() > int64(len(b))*maxFramesPerByte && r.Frames() < 1<<36 && len(b) > 4 && string(b[:4]) == "OggS" {
			t.Fatalf("%v, %d frames", r.Format(), r.Frames())
		}
		x := make([]float32, 4096*r.Format().Channels)
		for total := int64(0); ; {
			n, err := r.Read(x)
			for i, v := range x[:n*r.Format().Channels] {
				if v-v != 0 {
					t.Fatalf("sample %d is %v", i, v)
				}
			}
			if total += int64(n); r.Frames() >= 0 && total > r.Frames() {
				t.Fatalf("%d frames read, %d promised", total, r.Frames())
			}
			if err == io.EOF {
				if r.Frames() >= 0 && total != r.Frames() {
					t.Fatalf("the end after %d frames, %d promised", total, r.Frames())
				}
				return
			}
			if err != nil {
				return
			}
		}
	})
}

// fixOggSums puts right checksums on the Ogg pages of a file.
func fixOggSums(b []byte) {
	for len(b) >= oggHeadBytes && string(b[:4]) == "OggS" {
		n := oggHeadBytes + int(b[26])
		if n > len(b) {
			return
		}
		for _, l := range b[oggHeadBytes:n] {
			n += int(l)
		}
		if n > len(b) {
			return
		}
		clear(b[22:26])
		sum := oggSum(0, b[:n])
		b[22], b[23], b[24], b[25] = byte(sum), byte(sum>>8), byte(sum>>16), byte(sum>>24)
		b = b[n:]
	}
}

// The fuzz targets have seeds that reach the readers.
func TestSeedsReachTheReaders(t *testing.T) {
	for i, s := range wavSeeds(t) {
		r, err := NewWAVReader(bytes.NewReader(s), int64(len(s)), "seed")
		if err != nil || r.Frames() == 0 && i < 4 {
			t.Errorf("seed %d: %v", i, err)
		}
	}
}
