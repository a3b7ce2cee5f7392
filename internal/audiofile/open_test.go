package audiofile

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/internal/fault"
)

// What is no sound file is named for what it looks like.
func TestOpenTellsWhatItIsNot(t *testing.T) {
	dir := t.TempDir()
	long := func(s string) string { return s + strings.Repeat("\x00\x01\x02\x03", 500) }
	for _, c := range []struct {
		name, content string
		kind          fault.Kind
		word          string
	}{
		{"empty.wav", "", fault.Malformed, "empty"},
		{"text.wav", "Kyrie eleison, für alle\n", fault.Unsupported, "text"},
		{"one byte", "x", fault.Unsupported, "text"},
		{"movie.mp4", long("\x00\x00\x00\x20ftypisom"), fault.Unsupported, "MP4"},
		{"movie.mkv", long("\x1a\x45\xdf\xa3"), fault.Unsupported, "Matroska"},
		{"movie.avi", long("RIFF\x00\x00\x00\x00AVI "), fault.Unsupported, "AVI"},
		{"a.aiff", long("FORM\x00\x00\x00\x00AIFF"), fault.Unsupported, "AIFF"},
		{"a.mid", long("MThd"), fault.Unsupported, "MIDI"},
		{"a.jpg", long("\xff\xd8\xff\xe0"), fault.Unsupported, "picture"},
		{"noise", long("\x00\x9c\x81\x02"), fault.Unsupported, "not known"},
		{"flac.wav", "fLaC", fault.Malformed, "FLAC"},
		{"ogg.wav", "OggS\x00", fault.Malformed, "Ogg"},
		{"mp3.wav", "ID3\x04\x00\x00\x00\x00\x00\x00\xff\xfb\x90\x44", fault.Unsupported, "not known"},
	} {
		path := filepath.Join(dir, c.name)
		must(t, os.WriteFile(path, []byte(c.content), 0o600))
		r, err := Open(path)
		if r != nil || fault.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.word) || !strings.HasPrefix(err.Error(), path) {
			t.Errorf("%s: %v (%v); want %v and the word %q", c.name, err, fault.KindOf(err), c.kind, c.word)
		}
	}
	if _, err := Open(filepath.Join(dir, "none.wav")); fault.KindOf(err) != fault.Missing {
		t.Errorf("no file: %v", err)
	}
	if _, err := Open(dir); fault.KindOf(err) != fault.Unsupported || !strings.Contains(err.Error(), "folder") {
		t.Errorf("a folder: %v", err)
	}
	if _, err := os.Stat(os.DevNull); err == nil {
		if _, err := Open(os.DevNull); fault.KindOf(err) != fault.Unsupported {
			t.Errorf("a device: %v", err)
		}
	}
}

func TestOpenRefusesLargeCompressedFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.flac")
	must(t, os.WriteFile(path, read(t, "sine16.flac"), 0o600))
	must(t, os.Truncate(path, MaxCompressedBytes+1))
	if _, err := Open(path); fault.KindOf(err) != fault.OverLimit {
		t.Errorf("%v, want OverLimit", err)
	}
}

func TestReadMono(t *testing.T) {
	fm := Format{44100, 2, 24, false}
	x := sine(1000, 0.5, fm, 44100)
	for i := 1; i < len(x); i += 2 {
		x[i] = x[i] / 2 // the mean is 0.375
	}
	path := writeFile(t, fm, WriterOptions{}, x, 44100)
	for _, rate := range []int{0, 44100, 48000, 22050} {
		y, got, err := ReadMono(path, rate, 0)
		must(t, err)
		if rate == 0 {
			rate = 44100
		}
		if got != fm || len(y) != rate {
			t.Fatalf("at %d Hz: %v, %d samples", rate, got, len(y))
		}
		amp, late, residual := fitSine(y, Format{SampleRate: rate, Channels: 1}, 0, 1000)
		t.Logf("at %d Hz: amplitude %.6f, %.6f samples late, residual %.1f dB below", rate, amp, late, residual)
		if math.Abs(amp-0.375) > 1e-6 || math.Abs(late) > 1e-5 || residual < 125 {
			t.Errorf("at %d Hz: amplitude %v, %v samples late, residual %.1f dB below", rate, amp, late, residual)
		}
	}
	if _, _, err := ReadMono(path, 500, 0); fault.KindOf(err) != fault.Usage {
		t.Errorf("at 500 Hz: %v", err)
	}
	for _, limit := range []int64{1, 44099} {
		var y []float32
		var err error
		used := allocated(func() { y, _, err = ReadMono(path, 0, limit) })
		if fault.KindOf(err) != fault.OverLimit || y != nil || used > 100_000 {
			t.Errorf("limit %d: %d samples, %v, %d bytes allocated", limit, len(y), err, used)
		}
	}
	if y, _, err := ReadMono(path, 0, 44100); err != nil || len(y) != 44100 {
		t.Errorf("limit 44100: %d samples, %v", len(y), err)
	}
	if y, _, err := ReadMono("testdata/sine.ogg", 48000, 22049); fault.KindOf(err) != fault.OverLimit {
		t.Errorf("a compressed file: %d samples, %v", len(y), err)
	}
	if y, _, err := ReadMono("testdata/sine.ogg", 48000, 22050); err != nil || len(y) != 24000 {
		t.Errorf("a compressed file: %d samples, %v", len(y), err)
	}
}
