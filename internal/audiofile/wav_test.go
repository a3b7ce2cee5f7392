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

	gowav "github.com/go-audio/wav"

	"cuechoir/internal/fault"
)

// pcmFmt is the body of a plain fmt chunk of integers.
func pcmFmt(channels, rate, bits int) []byte { return fmtBody(tagPCM, channels, rate, bits) }

func fmtBody(tag, channels, rate, bits int) []byte {
	le := binary.LittleEndian
	b := le.AppendUint16(nil, uint16(tag))
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*channels*bits/8))
	b = le.AppendUint16(b, uint16(channels*((bits+7)/8)))
	return le.AppendUint16(b, uint16(bits))
}

// extensible is the body of an extensible fmt chunk.
func extensible(sub, channels, rate, container, valid int) []byte {
	le := binary.LittleEndian
	b := fmtBody(tagExtensible, channels, rate, container)
	b = le.AppendUint16(b, 22)
	b = le.AppendUint16(b, uint16(valid))
	b = le.AppendUint32(b, 0)
	b = le.AppendUint16(b, uint16(sub))
	return append(b, guidTail...)
}

// wavBytes is a file up to its first sample, with whatever sizes.
func wavBytes(riff uint32, format []byte, data uint32) []byte {
	le := binary.LittleEndian
	b := le.AppendUint32([]byte("RIFF"), riff)
	b = appendChunk(append(b, "WAVE"...), "fmt ", format)
	return le.AppendUint32(append(b, "data"...), data)
}

// goAudioFrames reads a file by an independent reader to its end. That reader
// takes the pad byte of an odd data chunk for the start of one sample more.
func goAudioFrames(t testing.TB, path string) int64 {
	t.Helper()
	f, err := os.Open(path)
	must(t, err)
	defer f.Close()
	d := gowav.NewDecoder(f)
	buf, err := d.FullPCMBuffer()
	must(t, err)
	return int64(buf.NumFrames())
}

// The independent reader finds the integers that the rule gives.
func TestWrittenIntegersByAnotherReader(t *testing.T) {
	for _, fm := range allFormats {
		if fm.Float {
			continue
		}
		x := sine(997, 0.9, fm, 1002) // even: see goAudioFrames
		path := writeFile(t, fm, WriterOptions{Bext: &Bext{Description: "x"}, Cues: []Cue{{100, "second"}, {7, "first"}}}, x, 100)
		f, err := os.Open(path)
		must(t, err)
		d := gowav.NewDecoder(f)
		buf, err := d.FullPCMBuffer()
		must(t, err)
		if int(d.SampleRate) != fm.SampleRate || int(d.NumChans) != fm.Channels || int(d.BitDepth) != fm.Bits || len(buf.Data) != len(x) {
			t.Fatalf("%v: the other reader finds %d Hz, %d channels, %d bits, %d samples", fm, d.SampleRate, d.NumChans, d.BitDepth, len(buf.Data))
		}
		for i, v := range buf.Data {
			if want := int(math.Round(float64(x[i]) * math.Ldexp(1, fm.Bits-1))); v != want {
				t.Fatalf("%v: sample %d is %d, want %d", fm, i, v, want)
			}
		}
		d.ReadMetadata()
		if d.Metadata == nil || len(d.Metadata.CuePoints) != 2 || d.Metadata.CuePoints[0].Position != 100 || d.Metadata.CuePoints[1].SampleOffset != 7 {
			t.Errorf("%v: the other reader finds the cues %+v", fm, d.Metadata)
		}
		must(t, f.Close())
	}
}

// Cues and bext come back as given; cues in order of time.
func TestBextAndCuesRoundTrip(t *testing.T) {
	b := Bext{
		Description: "the mix", Originator: "cuechoir", OriginatorReference: "REF0001",
		Date: "2026-03-01", Time: "12:34:56", TimeReference: 1<<33 + 5,
		Loudness:      &Loudness{-2301, 812, -105, -1840, LoudnessUnset},
		CodingHistory: "A=PCM,F=48000,W=24,M=mono\r\n",
	}
	b.UMID[0], b.UMID[63] = 6, 0xff
	for _, frames := range []int{0, 1, 3} { // with and without a pad byte
		fm := Format{48000, 1, 24, false}
		path := writeFile(t, fm, WriterOptions{Bext: &b, Cues: []Cue{{100, "later"}, {2, "first, odd"}, {2, ""}}}, make([]float32, frames), 1)
		if b, err := os.ReadFile(path); err != nil || int(binary.LittleEndian.Uint32(b[4:]))+8 != len(b) {
			t.Errorf("RIFF states %d in a file of %d bytes (%v)", binary.LittleEndian.Uint32(b[4:]), len(b), err)
		}
		r, err := Open(path)
		must(t, err)
		got := *r.Bext()
		if *got.Loudness != *b.Loudness {
			t.Errorf("loudness %+v, want %+v", *got.Loudness, *b.Loudness)
		}
		got.Loudness = b.Loudness
		if got != b {
			t.Errorf("bext %+v, want %+v", got, b)
		}
		if want := "[{2 } {2 first, odd} {100 later}]"; fmt.Sprint(r.Cues()) != want {
			t.Errorf("cues %v, want %v", r.Cues(), want)
		}
		if r.Frames() != int64(frames) || len(r.Notes()) > 0 {
			t.Errorf("%d frames, notes %q", r.Frames(), r.Notes())
		}
		must(t, r.Close())
	}
}

// Each field stands where EBU Tech 3285 v2 has it, and what is not measured
// holds 0x7FFF.
func TestBextPlaces(t *testing.T) {
	body, err := (&Bext{
		Description: "DESC", Originator: "ORIG", OriginatorReference: "OREF", Date: "2026-03-01", Time: "12:34:56",
		TimeReference: 0x1122334455667788, CodingHistory: "HIST", UMID: [64]byte{0xAA},
		Loudness: &Loudness{Integrated: -2300, Range: 1, MaxTruePeak: 2, MaxMomentary: 3, MaxShortTerm: 4},
	}).body()
	must(t, err)
	for at, want := range map[int]string{
		0: "DESC\x00", 256: "ORIG\x00", 288: "OREF\x00", 320: "2026-03-01", 330: "12:34:56",
		338: "\x88\x77\x66\x55\x44\x33\x22\x11", 346: "\x02\x00", 348: "\xAA\x00",
		412: "\x04\xf7\x01\x00\x02\x00\x03\x00\x04\x00", 422: "\x00\x00", 602: "HIST",
	} {
		if got := string(body[at : at+len(want)]); got != want {
			t.Errorf("byte %d holds %q, want %q", at, got, want)
		}
	}
	if len(body) != 602+4 {
		t.Errorf("%d bytes, want 606", len(body))
	}
	unset, err := (&Bext{}).body()
	must(t, err)
	if got := string(unset[412:422]); got != strings.Repeat("\xff\x7f", 5) {
		t.Errorf("loudness not measured is %q", got)
	}
	if parseBext(unset).Loudness != nil {
		t.Error("loudness not measured is read as a figure")
	}
}

func TestBextRefusesWhatDoesNotFit(t *testing.T) {
	for name, b := range map[string]Bext{
		"long":   {Originator: strings.Repeat("x", 33)},
		"umlaut": {Description: "Chörl"},
		"date":   {Date: "2026-03-011"},
		"before": {TimeReference: -1},
		"binary": {CodingHistory: "a\x00b"},
	} {
		if _, err := NewWriter(&memFile{}, allFormats[0], WriterOptions{Bext: &b}); fault.KindOf(err) != fault.Usage {
			t.Errorf("%s: %v, want a Usage error", name, err)
		}
	}
	if got := BextText("Chörl\n\x00ends", 8); got != "Ch?rl??e" {
		t.Errorf("BextText gives %q", got)
	}
	for v, want := range map[float64]int16{-23: -2300, -23.004: -2300, 0.125: 13, 400: LoudnessUnset, math.Inf(-1): LoudnessUnset} {
		if got := Hundredths(v); got != want {
			t.Errorf("Hundredths(%v) = %d, want %d", v, got, want)
		}
	}
}

func TestWriterRefusesWhatIsNotWritten(t *testing.T) {
	for _, fm := range []Format{{}, {48000, 0, 24, false}, {48000, 1, 8, false}, {48000, 1, 24, true}, {48000, 1, 64, true}, {999, 1, 16, false}, {768001, 1, 16, false}, {48000, 65, 16, false}} {
		if _, err := NewWriter(&memFile{}, fm, WriterOptions{}); fault.KindOf(err) != fault.Usage {
			t.Errorf("%v: %v, want a Usage error", fm, err)
		}
	}
	for _, cues := range [][]Cue{{{-1, ""}}, {{1 << 32, ""}}, {{0, "a\x00b"}}, {{0, strings.Repeat("x", 2000)}}, make([]Cue, maxCues+1)} {
		if _, err := NewWriter(&memFile{}, allFormats[0], WriterOptions{Cues: cues}); fault.KindOf(err) != fault.Usage {
			t.Errorf("%d cues: %v, want a Usage error", len(cues), err)
		}
	}
	w, err := NewWriter(&memFile{}, Format{48000, 2, 24, false}, WriterOptions{})
	must(t, err)
	if err := w.Write(make([]float32, 3)); fault.KindOf(err) != fault.Usage {
		t.Errorf("half a frame: %v", err)
	}
	must(t, w.Write(make([]float32, 4)))
	must(t, w.Close())
	if err := w.Write(make([]float32, 4)); fault.KindOf(err) != fault.Usage {
		t.Errorf("after Close: %v", err)
	}
	must(t, w.Close())
}

// One write of the file for each Write, and no allocation once the buffer has
// its size.
func TestWriteIsOneWriteWithoutAllocation(t *testing.T) {
	c := &countingFile{}
	w, err := NewWriter(c, Format{48000, 1, 24, false}, WriterOptions{})
	must(t, err)
	x := make([]float32, 256)
	must(t, w.Write(x))
	before := c.writes
	if n := testing.AllocsPerRun(100, func() {
		if w.Write(x) != nil || w.Flush() != nil {
			t.Fatal("a write failed")
		}
	}); n != 0 {
		t.Errorf("%v allocations a Write and Flush, want none", n)
	}
	// AllocsPerRun runs once more to warm up; Flush is one write too.
	if got := c.writes - before; got != 2*101 {
		t.Errorf("%d writes for 101 Writes and Flushes, want 202", got)
	}
}

type countingFile struct{ writes int }

func (c *countingFile) Write(p []byte) (int, error)        { c.writes++; return len(p), nil }
func (c *countingFile) Seek(o int64, _ int) (int64, error) { return o, nil }

func TestNotFiniteIsCountedAndRead(t *testing.T) {
	nan, inf := float32(math.NaN()), float32(math.Inf(1))
	for _, fm := range []Format{{48000, 1, 24, false}, {48000, 1, 32, true}} {
		var m memFile
		w, err := NewWriter(&m, fm, WriterOptions{})
		must(t, err)
		must(t, w.Write([]float32{0.25, nan, inf, -inf}))
		must(t, w.Close())
		if w.NotFinite() != 3 {
			t.Errorf("%v: %d not finite, want 3", fm, w.NotFinite())
		}
		r, err := NewWAVReader(bytes.NewReader(m.b), int64(len(m.b)), "x")
		must(t, err)
		if x := readAllFrames(t, r); x[0] != 0.25 || x[1] != 0 || x[2] < 0.9999 || x[3] != -1 {
			t.Errorf("%v: read as %v", fm, x)
		}
	}
	le := binary.LittleEndian
	b := wavBytes(0, fmtBody(tagFloat, 2, 48000, 32), 24)
	for _, v := range []float32{1, 2, 3, nan, -inf, 6} {
		b = le.AppendUint32(b, math.Float32bits(v))
	}
	r, err := NewWAVReader(bytes.NewReader(b), int64(len(b)), "x")
	must(t, err)
	if x := readAllFrames(t, r); fmt.Sprint(x) != "[1 2 3 0 0 6]" || len(r.Notes()) != 1 || !strings.Contains(r.Notes()[0], "frame 1 ") {
		t.Errorf("read as %v, notes %q", x, r.Notes())
	}
}

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
