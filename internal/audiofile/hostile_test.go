package audiofile

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"strings"
	"testing"

	"cuechoir/internal/fault"
)

// Forms that others write, with values known from the definition of each.
func TestFormsOfOthers(t *testing.T) {
	f64 := func(vs ...float64) (b []byte) {
		for _, v := range vs {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
		}
		return b
	}
	for _, c := range []struct {
		name   string
		format []byte
		data   []byte
		fm     Format
		want   string
	}{
		{"8-bit", pcmFmt(1, 8000, 8), []byte{0, 128, 192, 255}, Format{8000, 1, 8, false}, "[-1 0 0.5 0.9921875]"},
		{"16-bit", pcmFmt(1, 8000, 16), []byte{0, 0x80, 0, 0x40, 1, 0}, Format{8000, 1, 16, false}, "[-1 0.5 3.0517578e-05]"},
		{"20 bits in 24", pcmFmt(1, 8000, 20), []byte{0, 0, 0x40}, Format{8000, 1, 24, false}, "[0.5]"},
		{"32-bit", pcmFmt(1, 8000, 32), []byte{0, 0, 0, 0xc0}, Format{8000, 1, 32, false}, "[-0.5]"},
		{"64-bit float", fmtBody(tagFloat, 2, 8000, 64), f64(0.5, -2), Format{8000, 2, 64, true}, "[0.5 -2]"},
		{"64-bit float over float32", fmtBody(tagFloat, 1, 8000, 64), f64(1e300), Format{8000, 1, 64, true}, "[0]"},
		{"extensible integers", extensible(1, 2, 96000, 24, 20), []byte{0, 0, 0x40, 0, 0, 0x80}, Format{96000, 2, 24, false}, "[0.5 -1]"},
		{"extensible float", extensible(3, 1, 8000, 32, 32), []byte{0, 0, 0, 0x3f}, Format{8000, 1, 32, true}, "[0.5]"},
		{"fmt of 18 bytes", append(pcmFmt(1, 8000, 16), 0, 0), []byte{0, 0x40}, Format{8000, 1, 16, false}, "[0.5]"},
	} {
		b := append(wavBytes(0, c.format, uint32(len(c.data))), c.data...)
		r, err := NewWAVReader(bytes.NewReader(b), int64(len(b)), c.name)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if x := readAllFrames(t, r); r.Format() != c.fm || fmt.Sprint(x) != c.want {
			t.Errorf("%s: %v, %v; want %v, %s", c.name, r.Format(), x, c.fm, c.want)
		}
	}
}

// Hostile and broken headers: the kind, and a word of the place.
func TestHostileHeaders(t *testing.T) {
	data := func(b []byte) []byte { return append(b, 0, 0x40, 0, 0x40) }
	good := data(wavBytes(40, pcmFmt(1, 48000, 16), 4))
	with := func(at int, v ...byte) []byte {
		b := bytes.Clone(good)
		copy(b[at:], v)
		return b
	}
	loop := append([]byte("RIFF\xff\xff\xff\xffWAVE"), bytes.Repeat([]byte("abcd\x00\x00\x00\x00"), maxChunks+1)...)
	for _, c := range []struct {
		name  string
		b     []byte
		kind  fault.Kind
		place string
	}{
		{"cut in the name", good[:7], fault.Malformed, "byte 0"},
		{"no chunks", good[:12], fault.Malformed, "byte 12"},
		{"a false fmt size", with(16, 0xf0, 0xff, 0xff, 0xff), fault.Malformed, "byte 20"},
		{"a small fmt", append(appendChunk([]byte("RIFF\x00\x00\x00\x00WAVE"), "fmt ", make([]byte, 14)), "data\x00\x00\x00\x00"...), fault.Malformed, "byte 20"},
		{"zero channels", with(22, 0, 0), fault.Malformed, "byte 20"},
		{"65 channels", with(22, 65, 0), fault.Malformed, "byte 20"},
		{"rate 0", with(24, 0, 0, 0, 0), fault.Malformed, "byte 20"},
		{"rate 2^32-1", with(24, 0xff, 0xff, 0xff, 0xff), fault.Malformed, "byte 20"},
		{"align 0", with(32, 0, 0), fault.Malformed, "byte 32"},
		{"align 3", with(32, 3, 0), fault.Malformed, "byte 32"},
		{"0 bits", with(34, 0, 0), fault.Unsupported, "byte 34"},
		{"40 bits", with(34, 40, 0), fault.Unsupported, "byte 34"},
		{"65535 bits", with(34, 0xff, 0xff), fault.Unsupported, "byte 34"},
		{"16-bit float", with(20, 3, 0), fault.Unsupported, "byte 34"},
		{"a-law", with(20, 6, 0), fault.Unsupported, "byte 20"},
		{"MP3 inside", with(20, 0x55, 0), fault.Unsupported, "byte 20"},
		{"extensible too small", with(20, 0xfe, 0xff), fault.Malformed, "byte 20"},
		{"another GUID", data(wavBytes(0, append(extensible(1, 1, 48000, 16, 16)[:39], 9), 4)), fault.Unsupported, "byte 44"},
		{"data before fmt", append([]byte("RIFF\x00\x00\x00\x00WAVEdata\x04\x00\x00\x00abcd"), good[12:]...), fault.Malformed, "byte 20"},
		{"two fmt", append(bytes.Clone(good[:36]), good[12:]...), fault.Malformed, "byte 44"},
		{"two data", append(bytes.Clone(good), good[36:]...), fault.Malformed, "byte 56"},
		{"no data", good[:36], fault.Malformed, "byte 36"},
		{"a chunk of noise", with(12, 0, 1, 2, 3), fault.Malformed, "byte 12"},
		{"chunks without end", loop, fault.OverLimit, fmt.Sprint("byte ", 12+8*maxChunks)},
		{"a wave list", append(appendChunk(bytes.Clone(good[:36]), "LIST", []byte("wavlxxxx")), good[36:]...), fault.Unsupported, "byte 44"},
		{"ds64 too small", append([]byte("RF64\xff\xff\xff\xffWAVEds64\x08\x00\x00\x0012345678"), good[12:]...), fault.Malformed, "byte 20"},
		{"another RIFF", append([]byte("RIFF\x00\x00\x00\x00WEBP"), good[12:]...), fault.Unsupported, "byte 0"},
	} {
		_, err := NewWAVReader(bytes.NewReader(c.b), int64(len(c.b)), "f.wav")
		if fault.KindOf(err) != c.kind || !strings.HasPrefix(fmt.Sprint(err), "f.wav, "+c.place+": ") {
			t.Errorf("%s: %v (%v); want %v at %s", c.name, err, fault.KindOf(err), c.kind, c.place)
		}
	}
}

// Odd things that harm nothing are passed over, most with a note.
func TestOddChunks(t *testing.T) {
	pcm := pcmFmt(1, 48000, 16)
	riff := func(chunks ...[]byte) []byte {
		return append([]byte("RIFF\x00\x00\x00\x00WAVE"), bytes.Join(chunks, nil)...)
	}
	ck := func(id string, body string) []byte { return appendChunk(nil, id, []byte(body)) }
	raw := func(s string) []byte { return []byte(s) }
	sound := ck("data", "\x00\x40\x00\x40")
	for _, c := range []struct {
		name  string
		b     []byte
		notes int
	}{
		{"plain", riff(ck("fmt ", string(pcm)), sound), 0},
		{"an odd chunk with its pad", riff(ck("odd ", "abc"), ck("fmt ", string(pcm)), sound), 0},
		{"an odd chunk without its pad", riff(raw("odd \x03\x00\x00\x00\x01\x02\x03"), ck("fmt ", string(pcm)), sound), 1},
		{"odd sizes twice without pads", riff(raw("odd \x03\x00\x00\x00\x01\x02\x03"), raw("odd \x05\x00\x00\x00\x01\x02\x03\x04\x05"), ck("fmt ", string(pcm)), sound), 2},
		{"a tail that is no chunk", riff(ck("fmt ", string(pcm)), sound, make([]byte, 40)), 1},
		{"a few bytes behind", riff(ck("fmt ", string(pcm)), sound, make([]byte, 5)), 0},
		{"a last chunk cut off", riff(ck("fmt ", string(pcm)), sound, raw("LIST\xff\x00\x00\x00INFO")), 1},
		{"a small bext", riff(ck("bext", "abcd"), ck("fmt ", string(pcm)), sound), 1},
		{"a large cue count", riff(ck("fmt ", string(pcm)), sound, ck("cue ", "\xff\xff\xff\xff")), 0},
		{"a broken label", riff(ck("fmt ", string(pcm)), sound, ck("LIST", "adtllabl\xff\xff\xff\xff\x01")), 0},
	} {
		r, err := NewWAVReader(bytes.NewReader(c.b), int64(len(c.b)), "x")
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if x := readAllFrames(t, r); fmt.Sprint(x) != "[0.5 0.5]" || len(r.Notes()) != c.notes || r.Truncated() || len(r.Cues()) > 0 {
			t.Errorf("%s: %v, notes %q, cues %v", c.name, x, r.Notes(), r.Cues())
		}
	}
}

// A small hostile file costs little memory, whatever it claims.
func TestHostileFilesCostLittle(t *testing.T) {
	b := wavBytes(unsized, pcmFmt(1, 48000, 16), 12)
	b = append(b, make([]byte, 12)...) // 56 bytes in all
	for at := 12; at < 44; at++ {
		for _, v := range []byte{0, 1, 0x7f, 0xff} {
			for width := 1; width <= 4; width *= 2 {
				h := bytes.Clone(b)
				for i := range width {
					h[min(at+i, 55)] = v
				}
				if got := allocated(func() { drain(h) }); got > 1<<20+1<<19 { // drain's own buffer is 1 MiB
					t.Fatalf("bytes %d to %d set to %#x: %d bytes allocated", at, at+width-1, v, got)
				}
			}
		}
	}
}

// allocated measures the memory that f asks for.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

func TestSeekFrame(t *testing.T) {
	fm := Format{48000, 2, 24, false}
	x := sine(440, 0.5, fm, 3000)
	r, err := Open(writeFile(t, fm, WriterOptions{}, x, 3000))
	must(t, err)
	defer r.Close()
	all := readAllFrames(t, r)
	buf := make([]float32, 20)
	for _, at := range []int64{2999, 0, 1234, 2990} {
		must(t, r.SeekFrame(at))
		n, err := r.Read(buf)
		must(t, err)
		if want := min(10, int(3000-at)); n != want {
			t.Fatalf("from frame %d: %d frames, want %d", at, n, want)
		}
		for i := range 2 * n {
			if buf[i] != all[int(at)*2+i] {
				t.Fatalf("from frame %d: sample %d differs", at, i)
			}
		}
	}
	must(t, r.SeekFrame(3000))
	if n, err := r.Read(buf); n != 0 || err != io.EOF {
		t.Errorf("at the end: %d, %v", n, err)
	}
	for _, at := range []int64{-1, 3001} {
		if err := r.SeekFrame(at); fault.KindOf(err) != fault.Usage {
			t.Errorf("SeekFrame(%d): %v", at, err)
		}
	}
	if _, err := r.Read(buf[:1]); fault.KindOf(err) != fault.Usage {
		t.Errorf("a buffer of half a frame: %v", err)
	}
}

// A file that shrinks while it is read is an error, not silence.
func TestFileThatShrinks(t *testing.T) {
	fm := Format{48000, 1, 16, false}
	path := writeFile(t, fm, WriterOptions{}, sine(440, 0.5, fm, 1000), 1000)
	r, err := Open(path)
	must(t, err)
	defer r.Close()
	must(t, os.Truncate(path, 500))
	if n, err := r.Read(make([]float32, 1000)); fault.KindOf(err) != fault.Malformed {
		t.Errorf("%d frames, %v; want Malformed", n, err)
	}
}
