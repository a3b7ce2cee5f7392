package pitch

import (
	"encoding/csv"
	"encoding/xml"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"cuechoir/internal/reftool"
	"cuechoir/internal/singer"

	"github.com/go-audio/wav"
)

// readWAV reads mono 16-bit sound with an independent reader.
func readWAV(t *testing.T, path string) ([]float32, int) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b, err := wav.NewDecoder(f).FullPCMBuffer()
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, len(b.Data))
	for i, v := range b.Data {
		x[i] = float32(v) / 32768
	}
	return x, b.Format.SampleRate
}

// The festival singer is not ours; its notes are known in Hz (testdata/SOURCES.md).
func TestSegmentFestival(t *testing.T) {
	for _, name := range []string{"scale", "arpeggio"} {
		raw, err := os.ReadFile("testdata/" + name + ".xml")
		if err != nil {
			t.Fatal(err)
		}
		var score struct {
			Pitch []struct {
				Freq float64 `xml:"FREQ,attr"`
			} `xml:"PITCH"`
		}
		if err := xml.Unmarshal(raw, &score); err != nil || len(score.Pitch) == 0 {
			t.Fatal("no notes in the score", err)
		}
		x, sr := readWAV(t, "testdata/fest_"+name+".wav")
		frames, err := Track(x, sr, Options{})
		if err != nil {
			t.Fatal(err)
		}
		notes := Segment(x, frames, sr, SegmentOptions{})
		for _, n := range notes {
			t.Logf("%s: %.3f-%.3f s %.1f cents err %.1f conf %.2f level %.0f vib %.1f/%.0f", name, float64(n.Onset)/float64(sr), float64(n.Offset)/float64(sr),
				n.CentreCents, n.ErrorCents, n.Confidence, n.LevelDB, n.VibratoHz, n.VibratoCents)
		}
		if len(notes) != len(score.Pitch) {
			t.Errorf("%s: %d notes, the score has %d", name, len(notes), len(score.Pitch))
			continue
		}
		for i, n := range notes {
			off := n.CentreCents - Cents(score.Pitch[i].Freq)
			t.Logf("%s note %d: %+.2f cents", name, i, off)
			if math.Abs(off) > 3 {
				t.Errorf("%s note %d: %+.2f cents off %.2f Hz", name, i, off, score.Pitch[i].Freq)
			}
		}
	}
}

// Real singers, hand-made f0 rows: shown, and held only against octave errors.
func TestTrackChoir(t *testing.T) {
	files, _ := filepath.Glob("testdata/DCS_*.wav")
	if len(files) != 4 {
		t.Fatalf("%d choir files in testdata, want 4", len(files))
	}
	for _, path := range files {
		x, sr := readWAV(t, path)
		frames, err := Track(x, sr, Options{HopSamples: 32})
		if err != nil {
			t.Fatal(err)
		}
		f, err := os.Open(strings.TrimSuffix(path, "wav") + "csv")
		if err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(f).ReadAll()
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows {
			s, _ := strconv.ParseFloat(r[0], 64)
			hz, _ := strconv.ParseFloat(r[1], 64)
			got := frames[int(math.Round(s*float64(sr)/32))]
			off := 1200 * math.Log2(got.Hz/hz)
			t.Logf("%s %.3f s: %.2f Hz by hand, %.2f here, %+.1f cents, voiced %v", filepath.Base(path), s, hz, got.Hz, off, got.Voiced)
			if !(math.Abs(off) < 50) {
				t.Errorf("%s %.3f s: %+.1f cents", filepath.Base(path), s, off)
			}
		}
	}
}

// aubiopitch (yinfft) is an independent tracker; we must not do worse.
func TestTrackAgainstAubio(t *testing.T) {
	tool := reftool.Need(t, "aubiopitch")
	const sr = 44100
	v := singer.Voice{Seed: 1, SampleRate: sr, Breath: 0.05, JitterCents: 3, NoiseDB: -50}
	notes := compass(sr, "")[:12]
	x := v.Sing(notes, 0, 11*sr)
	path := filepath.Join(t.TempDir(), "sung.wav")
	if err := writeWAV(path, x, sr); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(tool, "-i", path, "-p", "yinfft", "-B", "2048", "-H", "220", "-r", strconv.Itoa(sr)).Output()
	if err != nil {
		t.Fatal(err)
	}
	var theirs []Frame
	for line := range strings.Lines(string(out)) {
		p := strings.Fields(line)
		if len(p) < 2 {
			continue
		}
		s, _ := strconv.ParseFloat(p[0], 64)
		hz, _ := strconv.ParseFloat(p[1], 64)
		// its time stamps are of the newest hop; the window's middle lies 1024-220 back
		theirs = append(theirs, Frame{Sample: int64(math.Round(s*sr)) - 804, Hz: hz, Voiced: hz > 0})
	}
	ours, err := Track(x, sr, Options{})
	if err != nil {
		t.Fatal(err)
	}
	a, b := grade(ours, v, notes), grade(theirs, v, notes)
	t.Logf("here:  within 50/25/10 %.4f %.4f %.4f, octaves %g, false %.4f", a.in50, a.in25, a.in10, a.octave, a.falseVoice)
	t.Logf("aubio: within 50/25/10 %.4f %.4f %.4f, octaves %g, false %.4f", b.in50, b.in25, b.in10, b.octave, b.falseVoice)
	if !(a.in50 >= b.in50 && a.in10 >= b.in10) {
		t.Error("the tracker does worse than aubio's")
	}
}

func writeWAV(path string, x []float32, sr int) error {
	b := make([]byte, 44, 44+2*len(x))
	copy(b, "RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00")
	put := func(at int, v uint32) {
		b[at], b[at+1], b[at+2], b[at+3] = byte(v), byte(v>>8), byte(v>>16), byte(v>>24)
	}
	put(4, uint32(36+2*len(x)))
	put(24, uint32(sr))
	put(28, uint32(2*sr))
	put(32, 2|16<<16)
	copy(b[36:], "data")
	put(40, uint32(2*len(x)))
	for _, s := range x {
		v := int16(max(-1, min(1, s)) * 32767)
		b = append(b, byte(v), byte(uint16(v)>>8))
	}
	return os.WriteFile(path, b, 0o644)
}
