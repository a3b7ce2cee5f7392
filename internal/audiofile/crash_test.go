package audiofile

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"cuechoir/internal/fault"
)

// journal is a file that remembers each write, so that a test can have the
// machine stop after any of them, or in the middle of one.
type journal struct {
	at     int64
	writes []patch
}

func (j *journal) Write(p []byte) (int, error) {
	j.writes = append(j.writes, patch{j.at, bytes.Clone(p)})
	j.at += int64(len(p))
	return len(p), nil
}

func (j *journal) Seek(off int64, _ int) (int64, error) {
	j.at = off
	return off, nil
}

// after is the file when the first n writes were done, and a part of the next.
func (j *journal) after(n int, part int) []byte {
	var b []byte
	put := func(p patch) {
		if grow := int(p.at) + len(p.bytes) - len(b); grow > 0 {
			b = append(b, make([]byte, grow)...)
		}
		copy(b[p.at:], p.bytes)
	}
	for _, w := range j.writes[:n] {
		put(w)
	}
	if part > 0 {
		put(patch{j.writes[n].at, j.writes[n].bytes[:part]})
	}
	return b
}

// A process killed at any write, or half way through an append, loses nothing
// that Write has acknowledged; and Repair makes go of it what other readers
// agree with.
func TestKilledAtAnyWrite(t *testing.T) {
	for _, fm := range []Format{{48000, 1, 24, false}, {48000, 2, 16, false}, {48000, 1, 32, true}} {
		j := &journal{}
		w, err := NewWriter(j, fm, WriterOptions{Bext: &Bext{Description: "take"}, Cues: []Cue{{5, "a cue"}}})
		must(t, err)
		x := sine(440, 0.5, fm, 1000)
		acknowledged := map[int]int64{len(j.writes): 0} // frames by number of writes
		for i := range 9 {
			must(t, w.Write(x[i*101*fm.Channels:(i+1)*101*fm.Channels]))
			acknowledged[len(j.writes)] = w.Frames()
			if i%3 == 1 {
				must(t, w.Flush())
				acknowledged[len(j.writes)] = w.Frames()
			}
		}
		must(t, w.Close())

		frames := int64(0)
		for n := 1; n <= len(j.writes); n++ {
			if f, ok := acknowledged[n]; ok {
				frames = f
			}
			checkKilled(t, j.after(n, 0), fm, x, frames, frames)
			if n < len(j.writes) && j.writes[n].at > 0 { // an append; the header is one small write
				part := len(j.writes[n].bytes) / 2
				most := frames
				if f, ok := acknowledged[n+1]; ok {
					most = f
				}
				checkKilled(t, j.after(n, part), fm, x, frames, most)
			}
		}
	}
}

// checkKilled reads a killed file, has it repaired, and reads it again by our
// own reader and by an independent one.
func checkKilled(t *testing.T, b []byte, fm Format, x []float32, atLeast, atMost int64) {
	t.Helper()
	check := func(what string, r *Reader) {
		t.Helper()
		got := readAllFrames(t, r)
		if r.Frames() < atLeast || r.Frames() > atMost || int64(len(got)) != r.Frames()*int64(fm.Channels) {
			t.Fatalf("%s: %d frames, %d samples read; %d to %d frames were written", what, r.Frames(), len(got), atLeast, atMost)
		}
		for i := range got {
			if math.Abs(float64(got[i]-x[i])) > 1.0/(1<<15) {
				t.Fatalf("%s: sample %d is %v, and %v was written", what, i, got[i], x[i])
			}
		}
	}
	r, err := NewWAVReader(bytes.NewReader(b), int64(len(b)), "killed")
	must(t, err)
	check("killed", r)

	path := filepath.Join(t.TempDir(), "k.wav")
	must(t, os.WriteFile(path, b, 0o600))
	frames, err := Repair(path)
	must(t, err)
	if frames != r.Frames() {
		t.Fatalf("Repair gives %d frames, the reader found %d", frames, r.Frames())
	}
	mended, err := os.ReadFile(path)
	must(t, err)
	if r.Truncated() {
		checkSizes(t, mended, fm, frames)
	}
	r, err = Open(path)
	must(t, err)
	defer r.Close()
	if r.Truncated() {
		t.Fatalf("still truncated after Repair: %q", r.Notes())
	}
	check("repaired", r)
	if !fm.Float {
		if got, odd := goAudioFrames(t, path), frames*int64(fm.FrameBytes())%2; got < frames || got > frames+odd {
			t.Fatalf("after Repair go-audio reads %d frames, want %d", got, frames)
		}
	}
	again, err := Repair(path)
	must(t, err)
	if now, _ := os.ReadFile(path); again != frames || !bytes.Equal(now, mended) {
		t.Fatal("a second Repair changes the file")
	}
}

// checkSizes holds each size in a file without cues against its length.
func checkSizes(t *testing.T, b []byte, fm Format, frames int64) {
	t.Helper()
	le := binary.LittleEndian
	at := bytes.Index(b, []byte("data"))
	data := int(le.Uint32(b[at+4:]))
	if int(le.Uint32(b[4:]))+8 != len(b) || data != int(frames)*fm.FrameBytes() || at+8+data+data%2 != len(b) {
		t.Fatalf("RIFF states %d and data %d in a file of %d bytes with its data at %d", le.Uint32(b[4:]), data, len(b), at+8)
	}
	if fact := bytes.Index(b, []byte("fact")); fm.Float && int64(le.Uint32(b[fact+8:])) != frames {
		t.Fatalf("fact states %d frames, want %d", le.Uint32(b[fact+8:]), frames)
	}
}

// The states of a header that other programs leave behind (EBU texts say
// nothing of them; measured of common tools).
func TestHeadersLeftOpen(t *testing.T) {
	const frames = 500
	body := make([]byte, 2*frames+1) // and half a sample
	for _, c := range []struct {
		name      string
		riff      uint32
		data      uint32
		tail      string
		truncated bool
		want      int64
		lacks     bool
	}{
		{"zero sizes", 0, 0, "", true, frames, false},
		{"0xFFFFFFFF", unsized, unsized, "", true, frames, false},
		{"too large", 9036, 9000, "", true, frames, true},
		{"right", 36 + 2*frames, 2 * frames, "", false, frames, false},
		{"less than there is", 36 + frames, frames, "", false, frames / 2, false},
		{"zero, nothing behind", 36, 0, "none", false, 0, false},
		{"zero, then chunks", 36, 0, "LIST\x04\x00\x00\x00INFO", false, 0, false},
	} {
		b := wavBytes(c.riff, pcmFmt(1, 48000, 16), c.data)
		switch c.tail {
		case "":
			b = append(b, body...)
		case "none":
		default:
			b = append(b, c.tail...)
		}
		r, err := NewWAVReader(bytes.NewReader(b), int64(len(b)), "x")
		must(t, err)
		if r.Frames() != c.want || r.Truncated() != c.truncated || (r.lacks != "") != c.lacks {
			t.Errorf("%s: %d frames, truncated %v, lacks %q; want %d, %v", c.name, r.Frames(), r.Truncated(), r.lacks, c.want, c.truncated)
		}
		path := filepath.Join(t.TempDir(), "x.wav")
		must(t, os.WriteFile(path, b, 0o600))
		if x, _, err := ReadAll(path, 0); (fault.KindOf(err) == fault.Malformed) != c.lacks || err == nil && int64(len(x)) != c.want {
			t.Errorf("%s: ReadAll gives %d samples, %v", c.name, len(x), err)
		}
		if n, err := Repair(path); n != c.want || err != nil {
			t.Errorf("%s: Repair gives %d, %v", c.name, n, err)
		}
		if x, _, err := ReadAll(path, 0); err != nil || int64(len(x)) != c.want {
			t.Errorf("%s: after Repair ReadAll gives %d samples, %v", c.name, len(x), err)
		}
	}
}

// A full disk stops the recording with its own kind of error, and what was
// acknowledged stays.
func TestFullDisk(t *testing.T) {
	fm := Format{48000, 2, 24, false}
	m := &memFile{err: &os.PathError{Op: "write", Path: "x", Err: syscall.ENOSPC}}
	w, err := NewWriter(m, fm, WriterOptions{Name: "take.wav"})
	must(t, err)
	x := sine(440, 0.5, fm, 100)
	must(t, w.Write(x))
	m.max = len(m.b) + 100*fm.FrameBytes()/2 + 1 // half of the next block and a byte
	err = w.Write(x)
	if fault.KindOf(err) != fault.DiskFull {
		t.Fatalf("error %v, want DiskFull", err)
	}
	if w.Frames() != 150 {
		t.Errorf("%d frames are kept, want 150", w.Frames())
	}
	if again := w.Write(x); again != err {
		t.Errorf("a Write after the error gives %v", again)
	}
	must(t, w.Flush())
	must(t, w.Close())
	r, err := NewWAVReader(bytes.NewReader(m.b), int64(len(m.b)), "x")
	must(t, err)
	if r.Frames() != 150 || r.Truncated() || len(r.Notes()) > 0 || len(readAllFrames(t, r)) != 300 {
		t.Errorf("%d frames, truncated %v, notes %q", r.Frames(), r.Truncated(), r.Notes())
	}
}

func TestRepairRefuses(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x")
	for name, c := range map[string]struct {
		content string
		kind    fault.Kind
	}{
		"text":  {"hello, this is no WAV file", fault.Unsupported},
		"short": {"RIFF", fault.Malformed},
		"empty": {"", fault.Malformed},
	} {
		must(t, os.WriteFile(path, []byte(c.content), 0o600))
		if _, err := Repair(path); fault.KindOf(err) != c.kind {
			t.Errorf("%s: %v, want %v", name, err, c.kind)
		}
		if now, _ := os.ReadFile(path); string(now) != c.content {
			t.Errorf("%s: Repair has changed the file", name)
		}
	}
	if _, err := Repair(filepath.Join(dir, "none")); fault.KindOf(err) != fault.Missing {
		t.Errorf("no file: %v", err)
	}
	if _, err := Repair(dir); fault.KindOf(err) != fault.Unsupported {
		t.Errorf("a folder: %v", err)
	}
}
