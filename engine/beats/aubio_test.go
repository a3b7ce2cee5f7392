package beats

import (
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"cuechoir/internal/dsp"
	"cuechoir/internal/reftool"
)

// aubio is the beat tracker of Debian's aubio-tools, an independent one; ""
// when it is absent.
func aubio(t *testing.T) string {
	t.Helper()
	return reftool.Find(t, "aubiotrack")
}

// aubioBeats runs it at 48 kHz with its own default sizes.
func aubioBeats(t *testing.T, tool string, x []float32) []float64 {
	t.Helper()
	y, err := dsp.Resample(x, synthRate, 48000)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "piece.wav")
	if err := os.WriteFile(path, wav16(y, 48000), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(tool, "-i", path, "-r", "48000").Output()
	if err != nil {
		t.Fatal(err)
	}
	var beats []float64
	for line := range strings.Lines(string(out)) {
		s, err := strconv.ParseFloat(strings.TrimSpace(line), 64)
		if err != nil {
			t.Fatalf("aubiotrack prints %q", line)
		}
		beats = append(beats, s)
	}
	return beats
}

// wav16 is a mono 16-bit WAV file.
func wav16(x []float32, rate int) []byte {
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00")
	le := binary.LittleEndian
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(2*rate))
	b = le.AppendUint32(b, 2|16<<16)
	b = append(b, "data"...)
	b = le.AppendUint32(b, uint32(2*len(x)))
	le.PutUint32(b[4:], uint32(36+2*len(x)))
	for _, s := range x {
		b = le.AppendUint16(b, uint16(int16(max(-1, min(1, s))*32767)))
	}
	return b
}
