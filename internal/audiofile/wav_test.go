package audiofile

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
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

// Every value of 24 bits comes out as its 2^23rd part, at any place among eight.
func TestDecode24(t *testing.T) {
	var b []byte
	var want []float32
	for v := int32(-1 << 23); v < 1<<23; v += 4093 {
		b = append(b, byte(v), byte(v>>8), byte(v>>16))
		want = append(want, float32(v)/(1<<23))
	}
	for n := range 18 {
		for _, from := range []int{0, 1, 2, 3, len(want) - n} {
			x := make([]float32, n)
			decode24(x, b[3*from:3*(from+n)])
			for i := range x {
				if x[i] != want[from+i] {
					t.Fatalf("%d samples from %d: sample %d is %g, want %g", n, from, i, x[i], want[from+i])
				}
			}
		}
	}
	x := make([]float32, len(want))
	decode24(x, b)
	for i := range x {
		if x[i] != want[i] {
			t.Fatalf("sample %d is %g, want %g", i, x[i], want[i])
		}
	}
}
