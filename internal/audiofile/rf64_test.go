package audiofile

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"

	"cuechoir/internal/fault"
	"cuechoir/internal/reftool"
)

// giant is a file of many GiB that is not there: a header, then 16-bit
// samples that count up.
type giant struct {
	head []byte
	size int64
}

func (g giant) ReadAt(p []byte, at int64) (int, error) {
	for i := range p {
		pos := at + int64(i)
		switch {
		case pos >= g.size:
			return i, io.EOF
		case pos < int64(len(g.head)):
			p[i] = g.head[pos]
		default:
			n := (pos - int64(len(g.head))) / 2 % 32768
			p[i] = byte(n >> (8 * (pos - int64(len(g.head))) % 16))
		}
	}
	return len(p), nil
}

func newGiant(id string, frames int64, dataField uint32, ds64Data uint64, missing int64) giant {
	le := binary.LittleEndian
	ds64 := le.AppendUint64(nil, uint64(frames*2+1000))
	ds64 = le.AppendUint64(ds64, ds64Data)
	ds64 = le.AppendUint64(ds64, uint64(frames))
	ds64 = le.AppendUint32(ds64, 0)
	b := append([]byte(id), "\xff\xff\xff\xffWAVE"...)
	b = appendChunk(b, "ds64", ds64)
	b = appendChunk(b, "fmt ", pcmFmt(1, 48000, 16))
	b = le.AppendUint32(append(b, "data"...), dataField)
	return giant{b, int64(len(b)) + frames*2 - missing}
}

// RF64 and BW64 past 4 GiB, with the sizes in ds64 (EBU Tech 3306).
func TestReadPast4GiB(t *testing.T) {
	const frames = 5 << 30
	for _, c := range []struct {
		name      string
		g         giant
		frames    int64
		truncated bool
	}{
		{"RF64", newGiant("RF64", frames, unsized, frames*2, 0), frames, false},
		{"BW64", newGiant("BW64", frames, unsized, frames*2, 0), frames, false},
		{"cut off", newGiant("RF64", frames, unsized, frames*2, 3), frames - 2, true},
		{"ds64 left at zero", newGiant("RF64", frames, unsized, 0, 0), frames, true},
		{"ds64 of 2^64-1", newGiant("RF64", frames, unsized, math.MaxUint64, 0), frames, true},
		{"a data size of 32 bits", newGiant("RF64", frames, 2000, frames*2, 0), 1000, false},
	} {
		r, err := NewWAVReader(c.g, c.g.size, c.name)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if r.Frames() != c.frames || r.Truncated() != c.truncated {
			t.Errorf("%s: %d frames, truncated %v; want %d, %v", c.name, r.Frames(), r.Truncated(), c.frames, c.truncated)
		}
		at := c.frames - 3
		must(t, r.SeekFrame(at))
		x := make([]float32, 5)
		if n, err := r.Read(x); n != 3 || err != nil || x[0] != float32(at%32768)/32768 || x[2] != float32((at+2)%32768)/32768 {
			t.Errorf("%s: from frame %d: %d frames, %v, %v", c.name, at, n, x, err)
		}
	}
}

// A file of less than 4 GiB stays RIFF, one byte more makes it RF64; small
// bounds stand in for 4 GiB.
func TestWriterBecomesRF64AtTheBound(t *testing.T) {
	fm := Format{48000, 1, 16, false}
	x := sine(440, 0.5, fm, 100)
	for _, over := range []int64{0, 1} {
		var m memFile
		w, err := NewWriter(&m, fm, WriterOptions{})
		must(t, err)
		w.riffMax = w.head.dataStart() - 8 + 200 - over
		must(t, w.Write(x))
		must(t, w.Flush())
		flushed := bytes.Clone(m.b)
		must(t, w.Close())
		want := []string{"RIFF", "RF64"}[over]
		for _, b := range [][]byte{flushed, m.b} {
			r, err := NewWAVReader(bytes.NewReader(b), int64(len(b)), "x")
			must(t, err)
			if string(b[:4]) != want || r.Frames() != 100 || len(readAllFrames(t, r)) != 100 {
				t.Errorf("%d over: %q, %d frames; want %q, 100", over, b[:4], r.Frames(), want)
			}
		}
		if over == 1 {
			le := binary.LittleEndian
			riff, data, count := le.Uint64(m.b[20:]), le.Uint64(m.b[28:]), le.Uint64(m.b[36:])
			if string(m.b[12:16]) != "ds64" || riff != uint64(len(m.b)-8) || data != 200 || count != 100 || le.Uint32(m.b[4:]) != unsized {
				t.Errorf("ds64 holds %d, %d, %d for a file of %d bytes", riff, data, count, len(m.b))
			}
		}
	}
}

// sparseTake writes a take of past 4 GiB with a hole in the middle, closed or
// killed, and gives its frames.
func sparseTake(t *testing.T, path string, finish bool) int64 {
	t.Helper()
	f, err := os.Create(path)
	must(t, err)
	defer f.Close()
	fm := Format{48000, 1, 24, false}
	w, err := NewWriter(f, fm, WriterOptions{})
	must(t, err)
	w.dataBytes = 3 * 1500_000_000 // as if written
	must(t, w.seek(w.head.dataStart()+w.dataBytes))
	must(t, w.Write([]float32{0.5, -0.25, 0.125}))
	if finish {
		must(t, w.SetCues([]Cue{{1_500_000_001, "late"}}))
		must(t, w.Close())
	}
	return w.Frames()
}

// A take of past 4 GiB, closed and killed, read by our reader and by ffprobe.
func TestTakePast4GiB(t *testing.T) {
	for _, finish := range []bool{true, false} {
		path := filepath.Join(t.TempDir(), "big.wav")
		frames := sparseTake(t, path, finish)
		if !finish {
			for range 2 { // again, and nothing changes
				n, err := Repair(path)
				must(t, err)
				if n != frames {
					t.Fatalf("Repair gives %d frames, want %d", n, frames)
				}
			}
		}
		r, err := Open(path)
		must(t, err)
		if r.Frames() != frames || r.Truncated() || (len(r.Cues()) == 1) != finish {
			t.Errorf("closed %v: %d frames, truncated %v, cues %v; want %d", finish, r.Frames(), r.Truncated(), r.Cues(), frames)
		}
		must(t, r.SeekFrame(frames-3))
		x := make([]float32, 3)
		if n, err := r.Read(x); n != 3 || err != nil || x[0] != 0.5 || x[1] != -0.25 || x[2] != 0.125 {
			t.Errorf("closed %v: the last frames are %v (%d, %v)", finish, x, n, err)
		}
		must(t, r.Close())
		if reftool.Find(t, "ffprobe") != "" {
			if got := ffprobe(t, path)["duration_ts"]; got != "1500000003" {
				t.Errorf("closed %v: ffprobe finds %s frames, want %d", finish, got, frames)
			}
		}
		if _, _, err := ReadAll(path, 0); fault.KindOf(err) != fault.OverLimit {
			t.Errorf("ReadAll: %v, want OverLimit", err)
		}
	}
}

// Without room for ds64 a file past 4 GiB cannot be mended, and is left alone.
func TestRepairWithoutRoomFor64Bits(t *testing.T) {
	path := filepath.Join(t.TempDir(), "big.wav")
	head := wavBytes(unsized, pcmFmt(1, 48000, 16), unsized)
	must(t, os.WriteFile(path, head, 0o600))
	must(t, os.Truncate(path, 5<<30))
	if _, err := Repair(path); fault.KindOf(err) != fault.Unsupported {
		t.Errorf("%v, want Unsupported", err)
	}
	if st, err := os.Stat(path); err != nil || st.Size() != 5<<30 {
		t.Errorf("the file was changed: %v, %v", st.Size(), err)
	}
}
