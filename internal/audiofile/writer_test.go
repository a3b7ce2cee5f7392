package audiofile

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"math/bits"
	"os"
	"path/filepath"
	"slices"
	"testing"

	_ "cuechoir/internal/fixedseed"

	"pgregory.net/rapid"
)

// allFormats are the forms that the Writer writes.
var allFormats = []Format{
	{48000, 1, 16, false}, {48000, 1, 24, false}, {48000, 1, 32, false}, {48000, 1, 32, true},
	{44100, 2, 24, false}, {96000, 3, 16, false}, {44100, 2, 32, true},
}

// writeFile writes a file in blocks of the given frames and closes it.
func writeFile(t testing.TB, fm Format, o WriterOptions, x []float32, block int) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "x.wav")
	f, err := os.Create(path)
	must(t, err)
	defer f.Close()
	w, err := NewWriter(f, fm, o)
	must(t, err)
	for step := block * fm.Channels; len(x) > 0; x = x[min(step, len(x)):] {
		must(t, w.Write(x[:min(step, len(x))]))
	}
	must(t, w.Close())
	return path
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// readAllFrames reads a Reader to its end in blocks of odd size.
func readAllFrames(t testing.TB, r *Reader) []float32 {
	t.Helper()
	var out []float32
	buf := make([]float32, 479*r.Format().Channels)
	for {
		n, err := r.Read(buf)
		out = append(out, buf[:n*r.Format().Channels]...)
		if err == io.EOF {
			return out
		}
		must(t, err)
	}
}

// sine is a sine of an amplitude at a frequency, the same in each channel.
func sine(hz, amp float64, fm Format, frames int) []float32 {
	x := make([]float32, frames*fm.Channels)
	for i := range x {
		x[i] = float32(amp * math.Sin(2*math.Pi*hz*float64(i/fm.Channels)/float64(fm.SampleRate)))
	}
	return x
}

func TestIntegersThroughFloatAreExact(t *testing.T) {
	for _, bits := range []int{16, 24} {
		fm := Format{48000, 1, bits, false}
		step := 1
		if bits == 24 {
			step = 37 // odd, so that every low byte is met
		}
		full := 1 << (bits - 1)
		var want []byte
		for v := -full; v < full; v += step {
			for b := 0; b < bits; b += 8 {
				want = append(want, byte(v>>b))
			}
		}
		x := make([]float32, len(want)/fm.FrameBytes())
		decode(x, want, fm)
		got := make([]byte, len(want))
		encode(got, x, fm)
		if !bytes.Equal(got, want) {
			t.Errorf("%d-bit integers change on the way through float32", bits)
		}
		if x[0] != -1 {
			t.Errorf("%d-bit: the lowest integer is read as %v, want -1", bits, x[0])
		}
	}
}

// The rule is clamp(round-half-away(x·2^(bits-1))).
func TestQuantizeRule(t *testing.T) {
	inf := float32(math.Inf(1))
	for _, c := range []struct {
		x    float32
		full int64
		want int64
		bad  int
	}{
		{0, 1 << 23, 0, 0},
		{0.5 / (1 << 23), 1 << 23, 1, 0},
		{-0.5 / (1 << 23), 1 << 23, -1, 0},
		{0.4999999 / (1 << 23), 1 << 23, 0, 0},
		{1.5 / (1 << 15), 1 << 15, 2, 0},
		{-2.5 / (1 << 15), 1 << 15, -3, 0},
		{1, 1 << 23, 1<<23 - 1, 0},
		{-1, 1 << 23, -1 << 23, 0},
		{7, 1 << 15, 1<<15 - 1, 0},
		{-7, 1 << 31, -1 << 31, 0},
		{1, 1 << 31, 1<<31 - 1, 0},
		{math.SmallestNonzeroFloat32, 1 << 31, 0, 0},
		{inf, 1 << 23, 1<<23 - 1, 1},
		{-inf, 1 << 23, -1 << 23, 1},
		{float32(math.NaN()), 1 << 23, 0, 1},
	} {
		fm := Format{48000, 1, bits.Len64(uint64(c.full)), false}
		var b [4]byte
		bad := encode(b[:], []float32{c.x}, fm)
		got := int64(int32(binary.LittleEndian.Uint32(b[:])<<(32-fm.Bits))) >> (32 - fm.Bits)
		if got != c.want || bad != c.bad {
			t.Errorf("%v of %d bits is written as %d, %d not finite; want %d, %d", c.x, fm.Bits, got, bad, c.want, c.bad)
		}
	}
}

// Any samples in any blocks come back within half a step of the format.
func TestRoundTripProperty(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		fm := rapid.SampledFrom(allFormats).Draw(rt, "format")
		frames := rapid.IntRange(0, 700).Draw(rt, "frames")
		x := make([]float32, frames*fm.Channels)
		for i := range x {
			x[i] = rapid.Float32Range(-1.2, 1.2).Draw(rt, "x")
		}
		var m memFile
		w, err := NewWriter(&m, fm, WriterOptions{Name: "m"})
		must(t, err)
		for rest := x; len(rest) > 0; {
			n := min(len(rest), fm.Channels*rapid.IntRange(1, 300).Draw(rt, "block"))
			must(t, w.Write(rest[:n]))
			rest = rest[n:]
			if rapid.Bool().Draw(rt, "flush") {
				must(t, w.Flush())
			}
		}
		must(t, w.Close())
		r, err := NewWAVReader(bytes.NewReader(m.b), int64(len(m.b)), "m")
		must(t, err)
		if r.Format() != fm || r.Frames() != int64(frames) || r.Truncated() || len(r.Notes()) > 0 {
			rt.Fatalf("got %v, %d frames, truncated %v, notes %v; want %v, %d", r.Format(), r.Frames(), r.Truncated(), r.Notes(), fm, frames)
		}
		checkSizes(t, m.b, fm, int64(frames))
		got := readAllFrames(t, r)
		full := math.Ldexp(1, fm.Bits-1)
		for i, v := range x {
			want, tol := float64(v), 0.0
			if !fm.Float {
				want = max(-1, min(want, (full-1)/full))
				tol = 0.5/full + math.Ldexp(1, -24)
			}
			if math.Abs(float64(got[i])-want) > tol {
				rt.Fatalf("sample %d: %v became %v", i, v, got[i])
			}
		}
	})
}

// memFile is a file in memory.
type memFile struct {
	b   []byte
	at  int64
	max int // when not 0: the file is full at this size
	err error
}

func (m *memFile) Write(p []byte) (int, error) {
	n := len(p)
	if m.max > 0 {
		n = max(0, min(n, m.max-int(m.at)))
	}
	if grow := int(m.at) + n - len(m.b); grow > 0 {
		m.b = append(m.b, make([]byte, grow)...)
	}
	copy(m.b[m.at:], p[:n])
	m.at += int64(n)
	if n < len(p) {
		return n, m.err
	}
	return n, nil
}

func (m *memFile) Seek(off int64, whence int) (int64, error) {
	if whence != io.SeekStart {
		panic("only from the start")
	}
	m.at = off
	return off, nil
}

func (m *memFile) Truncate(n int64) error {
	m.b = m.b[:n]
	return nil
}

// What is known only at the end goes into the header at the end, and the sound
// stays as it is.
func TestBextAtTheEnd(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.wav")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	first := &Bext{Description: "begun", CodingHistory: "A=PCM"}
	w, err := NewWriter(f, Format{SampleRate: 48000, Channels: 1, Bits: 24}, WriterOptions{Bext: first})
	if err != nil {
		t.Fatal(err)
	}
	sound := []float32{0.5, -0.25, 0.125}
	if err := w.Write(sound); err != nil {
		t.Fatal(err)
	}
	if err := w.SetBext(&Bext{CodingHistory: "another length"}); err == nil {
		t.Error("a longer bext was taken: it would lie over the sound")
	}
	if err := w.SetBext(&Bext{Description: "done", CodingHistory: "A=PCM", Loudness: &Loudness{Integrated: -2300}}); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	x, _, err := ReadAll(path, 0)
	if err != nil || !slices.Equal(x, sound) {
		t.Errorf("the sound is %v, %v", x, err)
	}
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if b := r.Bext(); b == nil || b.Description != "done" || b.Loudness == nil || b.Loudness.Integrated != -2300 {
		t.Errorf("bext %+v", b)
	}
}
