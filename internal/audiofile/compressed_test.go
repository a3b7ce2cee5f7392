package audiofile

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/gopxl/beep/v2"

	"cuechoir/internal/fault"
)

// fixture is a file in testdata, what it holds and how near its sines are to
// those it was made from.
type fixture struct {
	file       string
	fm         Format
	frames     int64
	gain       float64 // of the encoder, at 1 % (LAME turns down to 0.95 itself)
	residualDB float64 // what is not the sine, at least so far below it
}

var fixtures = []fixture{
	{"sine.flac", Format{44100, 2, 24, false}, 22050, 1, 130},
	{"sine16.flac", Format{44100, 2, 16, false}, 22050, 1, 84},
	{"sine.mp3", Format{44100, 2, 16, false}, 22050, 0.95, 70},
	{"sine.ogg", Format{44100, 2, 32, true}, 22050, 1, 40},
	{"mono.ogg", Format{48000, 1, 32, true}, 19200, 1, 40},
}

// fitSine finds the sine of a frequency in one channel, over 0.2 s from
// 0.1 s on: its amplitude, how many samples late it is, and how far below it the
// rest lies, in dB.
func fitSine(x []float32, fm Format, channel int, hz float64) (amp, late, residualDB float64) {
	var sin, cos, power float64
	n := 0
	for i := fm.SampleRate / 10; i < fm.SampleRate/10*3; i++ { // whole periods of 5 Hz
		s, c := math.Sincos(2 * math.Pi * hz * float64(i) / float64(fm.SampleRate))
		v := float64(x[i*fm.Channels+channel])
		sin, cos, power = sin+v*s, cos+v*c, power+v*v
		n++
	}
	sin, cos, power = 2*sin/float64(n), 2*cos/float64(n), power/float64(n)
	fit := (sin*sin + cos*cos) / 2
	late = -math.Atan2(cos, sin) / (2 * math.Pi * hz) * float64(fm.SampleRate)
	return math.Sqrt(2 * fit), late, 10 * math.Log10(fit/max(power-fit, 1e-30))
}

// checkSines holds a fixture's sound against the formula: left 0.5 of 440 Hz,
// right 0.25 of 660 Hz, at the right sample.
func checkSines(t *testing.T, c fixture, x []float32) {
	t.Helper()
	for ch := range c.fm.Channels {
		hz, want := 440.0, 0.5
		if ch == 1 {
			hz, want = 660, 0.25
		}
		amp, late, residual := fitSine(x, c.fm, ch, hz)
		t.Logf("%s, channel %d: amplitude %.5f, %.4f samples late, residual %.1f dB below", c.file, ch, amp, late, residual)
		if math.Abs(amp/want/c.gain-1) > 0.01 || math.Abs(late) > 0.05 || residual < c.residualDB {
			t.Errorf("%s, channel %d: want amplitude %.3f, no delay, residual at least %.0f dB below", c.file, ch, want*c.gain, c.residualDB)
		}
	}
}

func TestCompressedAgainstTheFormula(t *testing.T) {
	for _, c := range fixtures {
		r, err := Open(filepath.Join("testdata", c.file))
		must(t, err)
		x := readAllFrames(t, r)
		if r.Format() != c.fm || r.Frames() != c.frames || int64(len(x)) != c.frames*int64(c.fm.Channels) || r.Truncated() || len(r.Notes()) > 0 {
			t.Errorf("%s: %v, %d frames promised, %d samples read, truncated %v, notes %q; want %v, %d frames",
				c.file, r.Format(), r.Frames(), len(x), r.Truncated(), r.Notes(), c.fm, c.frames)
		}
		checkSines(t, c, x)
		if err := r.SeekFrame(0); fault.KindOf(err) != fault.Unsupported {
			t.Errorf("%s: SeekFrame gives %v, want Unsupported", c.file, err)
		}
		must(t, r.Close())
	}
}

// Without an information frame the delay stays in, and a note says so.
func TestMP3WithoutInformationFrame(t *testing.T) {
	r, err := Open("testdata/mono-noinfo.mp3")
	must(t, err)
	defer r.Close()
	x := readAllFrames(t, r)
	if r.Format() != (Format{48000, 1, 16, false}) || r.Frames() != int64(len(x)) || len(x)%1152 != 0 || len(r.Notes()) != 1 {
		t.Fatalf("%v, %d frames promised, %d read, notes %q", r.Format(), r.Frames(), len(x), r.Notes())
	}
	// 576 of the encoder and 529 of the decoder (LAME's technical FAQ).
	checkSines(t, fixture{"mono-noinfo.mp3", r.Format(), 0, 0.95, 70}, x[1105:])
}

// A file cut anywhere is told as cut: by an error, or by Truncated with no
// more sound than the whole file has.
func TestCompressedCutAnywhere(t *testing.T) {
	path := filepath.Join(t.TempDir(), "cut")
	for _, c := range fixtures {
		whole := read(t, c.file)
		step := max(1, len(whole)/60)
		for n := 0; n < len(whole); n += step {
			truncated, frames, err := drain(whole[:n])
			if err == nil && !truncated {
				t.Errorf("%s cut to %d of %d bytes is read without a word", c.file, n, len(whole))
			}
			if frames > c.frames {
				t.Errorf("%s cut to %d bytes gives %d frames, the whole has %d", c.file, n, frames, c.frames)
			}
			if n%(7*step) == 0 {
				must(t, os.WriteFile(path, whole[:n], 0o600))
				if x, _, err := ReadAll(path, 0); err == nil || x != nil {
					t.Errorf("%s cut to %d bytes: ReadAll gives %d samples and %v", c.file, n, len(x), err)
				}
			}
		}
	}
}

func read(t testing.TB, file string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", file))
	must(t, err)
	return b
}

// drain reads a file in memory to its end.
func drain(b []byte) (truncated bool, frames int64, err error) {
	r, err := newReader(bytes.NewReader(b), int64(len(b)), "f")
	if err != nil {
		return false, 0, err
	}
	buf := make([]float32, 4096*MaxChannels)
	for {
		n, err := r.Read(buf)
		frames += int64(n)
		if err == io.EOF {
			return r.Truncated(), frames, nil
		}
		if err != nil {
			return r.Truncated(), frames, err
		}
	}
}

// A bit turned in a FLAC or Ogg file never goes by in silence: both carry
// checksums. (An MP3 need not have any.)
func TestTurnedBitsAreTold(t *testing.T) {
	const framesStart = 8400 // behind the metadata of sine16.flac, roughly
	for _, file := range []string{"sine16.flac", "sine.ogg"} {
		whole := read(t, file)
		for at := 1; at < len(whole); at += max(1, len(whole)/200) {
			if file == "sine16.flac" && at < framesStart && at >= 4+4+18 {
				continue // the decoder leaves the MD5 sum, and comments have no checksum
			}
			b := bytes.Clone(whole)
			b[at] ^= 0x10
			if _, _, err := drain(b); err == nil {
				t.Errorf("%s: a bit turned in byte %d goes by", file, at)
			}
		}
	}
}

// A file that fuzzing found: a residue that ends before it begins had the
// decoder ask for half a GiB.
func TestResidueThatEndsBeforeItBegins(t *testing.T) {
	b := read(t, "residue-overflow.ogg")
	var err error
	if got := allocated(func() { _, _, err = drain(b) }); fault.KindOf(err) != fault.Malformed || got > 3<<20 {
		t.Errorf("%v, %d bytes allocated", err, got)
	}
}

// An Ogg file whose last page is not marked as the last, and an MP3 file
// without a stated length that ends within a frame, are told as cut.
func TestCutWhereNothingIsCounted(t *testing.T) {
	ogg := read(t, "mono.ogg")
	ogg[bytes.LastIndex(ogg, []byte("OggS"))+5] &^= oggLast
	fixOggSums(ogg)
	mp3 := read(t, "mono-noinfo.mp3")
	for name, b := range map[string][]byte{"Ogg": ogg, "MP3": mp3[:len(mp3)-10]} {
		path := filepath.Join(t.TempDir(), "cut")
		must(t, os.WriteFile(path, b, 0o600))
		r, err := Open(path)
		must(t, err)
		if !r.Truncated() || len(readAllFrames(t, r)) == 0 {
			t.Errorf("%s: truncated %v, notes %q", name, r.Truncated(), r.Notes())
		}
		must(t, r.Close())
		if _, _, err := ReadAll(path, 0); fault.KindOf(err) != fault.Malformed {
			t.Errorf("%s: ReadAll gives %v, want Malformed", name, err)
		}
	}
}

// Forms that the decoders would take for something else are refused.
func TestCompressedFormsNotRead(t *testing.T) {
	flac, ogg, mp3 := read(t, "sine16.flac"), read(t, "mono.ogg"), read(t, "mono-noinfo.mp3")
	change := func(b []byte, at int, v byte) []byte {
		b = bytes.Clone(b)
		b[at] = v
		fixOggSums(b)
		return b
	}
	h, _ := parseMP3Header(mp3)
	slow := bytes.Clone(mp3) // the second frame on claims 44.1 kHz
	for at := h.bytes; at < len(slow); at += h.bytes {
		slow[at+2] &^= 0x0c // all frames have one size
	}
	old := bytes.Clone(mp3) // two frames of MPEG-2.5
	old[1] &= 0xe7
	h, _ = parseMP3Header(old)
	copy(old[h.bytes:], old[:4])
	for name, c := range map[string]struct {
		b    []byte
		kind fault.Kind
	}{
		"FLAC of 3 channels":    {change(flac, 20, flac[20]&0xf1|2<<1), fault.Unsupported},
		"FLAC of 32 bits":       {change(change(flac, 20, flac[20]|1), 21, flac[21]|0xf0), fault.Unsupported},
		"FLAC of rate 0":        {change(change(change(flac, 18, 0), 19, 0), 20, flac[20]&15), fault.Malformed},
		"Vorbis of 3 channels":  {change(ogg, 28+11, 3), fault.Unsupported},
		"Vorbis of blocks 2^15": {change(ogg, 28+28, 0xf8), fault.Malformed},
		"MP3 of two rates":      {slow, fault.Unsupported},
		"MPEG-2.5":              {old, fault.Unsupported},
	} {
		if _, err := newReader(bytes.NewReader(c.b), int64(len(c.b)), "f"); fault.KindOf(err) != c.kind {
			t.Errorf("%s: %v, want %v", name, err, c.kind)
		}
	}
}

// Tags before, between and behind do not harm.
func TestTagsAround(t *testing.T) {
	id3 := append([]byte("ID3\x04\x00\x00\x00\x00\x01\x00"), make([]byte, 128)...)
	id3v1 := append([]byte("TAG"), make([]byte, 125)...)
	for file, frames := range map[string]int64{"sine.mp3": 22050, "sine16.flac": 22050} {
		b := append(append(bytes.Clone(id3), read(t, file)...), id3v1...)
		r, err := newReader(bytes.NewReader(b), int64(len(b)), file)
		must(t, err)
		if x := readAllFrames(t, r); int64(len(x)) != 2*frames || r.Truncated() {
			t.Errorf("%s with tags: %d samples, truncated %v", file, len(x), r.Truncated())
		}
	}
	// Something else between two MP3 frames is passed over with a note.
	whole := read(t, "sine.mp3")
	w := &window{r: bytes.NewReader(whole), size: int64(len(whole))}
	at := findMP3(w, id3End(w, 0))
	for range 9 {
		h, ok := parseMP3Header(whole[at:])
		if !ok {
			t.Fatalf("no frame at byte %d", at)
		}
		at += int64(h.bytes)
	}
	b := append(append(bytes.Clone(whole[:at]), "something else, thirty-one bytes"...), whole[at:]...)
	r, err := newReader(bytes.NewReader(b), int64(len(b)), "x")
	must(t, err)
	if x := readAllFrames(t, r); len(x) != 2*22050 || len(r.Notes()) != 1 {
		t.Errorf("MP3 with something in between: %d samples, notes %q", len(x), r.Notes())
	}
}

// streamer is a decoder that misbehaves.
type streamer func(b [][2]float64) (int, bool)

func (s streamer) Stream(b [][2]float64) (int, bool) { return s(b) }
func (s streamer) Err() error                        { return nil }

type broken struct{ streamer }

func (broken) Err() error { return errors.New("worn out") }

// What a decoder may do wrong becomes a Malformed error, never a panic, a hang
// or a shorter file.
func TestDecodersBehindGuards(t *testing.T) {
	one := func(b [][2]float64) (int, bool) { return len(b), true }
	for name, c := range map[string]beep.Streamer{
		"panic":        streamer(func([][2]float64) (int, bool) { panic("no") }),
		"nil":          streamer(func([][2]float64) (int, bool) { var p *int; return *p, true }),
		"idle":         streamer(func([][2]float64) (int, bool) { return 0, true }),
		"too much":     streamer(func(b [][2]float64) (int, bool) { return len(b) + 1, true }),
		"negative":     streamer(func([][2]float64) (int, bool) { return -1, true }),
		"ends early":   streamer(func([][2]float64) (int, bool) { return 0, false }),
		"tells errors": broken{one},
	} {
		r := &Reader{name: "f", fm: Format{48000, 2, 16, false}, frames: 5000}
		must(t, newDecoder(r, "test", 100, func() (beep.Streamer, error) { return c, nil }))
		n, err := r.Read(make([]float32, 10000))
		if n != 0 || fault.KindOf(err) != fault.Malformed {
			t.Errorf("%s: %d frames, %v", name, n, err)
		}
		if _, again := r.Read(make([]float32, 10000)); again == nil || again == io.EOF {
			t.Errorf("%s: read again, the error is gone (%v)", name, again)
		}
	}
	err := newDecoder(&Reader{name: "f"}, "test", 0, func() (beep.Streamer, error) { panic("no") })
	if fault.KindOf(err) != fault.Malformed {
		t.Errorf("a panic at the start: %v", err)
	}
}

// A decoder that gives values that are not finite: they are 0, and told.
func TestDecodedValuesAreFinite(t *testing.T) {
	r := &Reader{name: "f", fm: Format{48000, 1, 32, true}, frames: 3}
	must(t, newDecoder(r, "test", 0, func() (beep.Streamer, error) {
		return streamer(func(b [][2]float64) (int, bool) {
			for i := range b {
				b[i] = [2]float64{math.Inf(1), 0}
			}
			return len(b), true
		}), nil
	}))
	x := []float32{7, 7, 7, 7}
	n, err := r.Read(x)
	if n != 3 || err != nil || x[0] != 0 || x[2] != 0 || x[3] != 7 || len(r.Notes()) != 1 {
		t.Errorf("%d frames, %v, values %v, notes %q", n, err, x, r.Notes())
	}
}
