package job

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"cuechoir/engine/compass"
	"cuechoir/engine/part"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// sirenSound glides from G2 to F4 and back in eight seconds, with a second of
// room on either side.
func sirenSound() []float32 {
	const sr = 48000
	v := singer.Voice{Seed: 6, SampleRate: sr, NoiseDB: -62}
	return v.Sing([]singer.Note{{Start: sr, Length: 4 * sr, Key: 43, GlideCents: 2200, Vowel: "u"},
		{Start: 5 * sr, Length: 4 * sr, Key: 65, GlideCents: -2200, Vowel: "u"}}, 0, 10*sr)
}

// Recorded or read from a file, a siren gives the same range; the recording is
// not kept, and nothing is played.
func TestSungAndReadRange(t *testing.T) {
	tmp := t.TempDir()
	t.Setenv("TMPDIR", tmp)
	played := float32(0)
	dev := &device.Virtual{SampleRate: 48000, Microphone: sirenSound(), Listener: func(out []float32) {
		for _, v := range out {
			played = max(played, v, -v)
		}
	}}
	defer dev.Close()
	sung, err := SingRange(context.Background(), dev, 0, 10, nil)
	if err != nil {
		t.Fatal(err)
	}
	if left, _ := os.ReadDir(tmp); len(left) != 0 || played != 0 {
		t.Errorf("%d files are left, a peak of %v was played", len(left), played)
	}
	path := filepath.Join(t.TempDir(), "siren.wav")
	if err := audiotest.Write(path, 48000, 24, sirenSound()); err != nil {
		t.Fatal(err)
	}
	read, err := MeasureRange(context.Background(), path, "", nil)
	if err != nil || read.Range != sung.Range {
		t.Errorf("read %v, sung %v, %v", read.Range, sung.Range, err)
	}
	if want := (compass.Range{Low: 43 + compass.DrawInLow, High: 65 - compass.DrawInHigh}); read.Range != want {
		t.Errorf("%v, want %v", read.Range, want)
	}
	if _, err := SingRange(context.Background(), dev, 0, 0, nil); fault.KindOf(err) != fault.Usage {
		t.Error(err)
	}
	silent := &device.Virtual{SampleRate: 48000}
	defer silent.Close()
	if _, err := SingRange(context.Background(), silent, 0, 5, nil); fault.KindOf(err) != fault.NotMet {
		t.Errorf("silence: %v", err)
	}
	long := filepath.Join(t.TempDir(), "long.wav")
	if err := audiotest.Write(long, 8000, 16, make([]float32, 8000*(MostSirenSeconds+1))); err != nil {
		t.Fatal(err)
	}
	if _, err := MeasureRange(context.Background(), long, "", nil); fault.KindOf(err) != fault.OverLimit {
		t.Errorf("two minutes and more: %v", err)
	}
}

// Bars are those of the map, counted from bar 1 beat 1.
func TestCheckRangeNamesBars(t *testing.T) {
	f, _ := sungScore(t)
	quarter := func(q int64, key uint8) part.Note {
		return part.Note{Start: timecode.Int(q), Length: timecode.Int(1), Key: key}
	}
	withNotes(t, f, quarter(0, 60), quarter(3, 66), quarter(4, 67), quarter(6, 40))
	got, err := CheckRange(f, "alto", compass.Range{Low: 45, High: 64})
	if err != nil || len(got) != 1 {
		t.Fatal(got, err)
	}
	p := got[0]
	if p.Notes != 4 || p.Outside != 3 || p.Low != 40 || p.High != 67 || p.Fits || len(p.Leaves) != 3 ||
		p.Leaves[0].Bar != 1 || p.Leaves[1].Bar != 2 || p.Leaves[2].Semitones != -5 || p.Leaves[2].Octaves != 1 {
		t.Errorf("%+v", p)
	}
	if RangeVerdict(got, false) != nil || fault.KindOf(RangeVerdict(got, true)) != fault.NotMet {
		t.Error("the verdict is off")
	}
	if _, err := CheckRange(f, "", compass.Range{Low: 64, High: 45}); fault.KindOf(err) != fault.Usage {
		t.Error(err)
	}
}

// A bass part an octave too low for a singer is reached by the colours that
// lower the voice by one; the layer's own is told before all others.
func TestCheckRangeOffersColours(t *testing.T) {
	f, _ := sungScore(t)
	withNotes(t, f, part.Note{Start: timecode.Int(0), Length: timecode.Int(1), Key: 40}, part.Note{Start: timecode.Int(1), Length: timecode.Int(1), Key: 45})
	reach := func(r compass.Range) []ColourReach {
		t.Helper()
		got, err := CheckRange(f, "alto", r)
		if err != nil || len(got) != 1 {
			t.Fatal(got, err)
		}
		return got[0].Reach
	}
	low := compass.Range{Low: 50, High: 64}
	want := []ColourReach{{"low-brass", "pitch -12 st", 1}, {"bass", "pitch -12 st", 1}, {"", "pitch -12 st", 1}}
	if got := reach(low); !slices.Equal(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
	if got := reach(compass.Range{Low: 38, High: 50}); got != nil {
		t.Errorf("a part within the range is offered %+v", got)
	}
	if got := reach(compass.Range{Low: 53, High: 56}); len(got) != 0 {
		t.Errorf("a range too narrow for the part is offered %+v", got)
	}
	if got := reach(compass.Range{Low: 28, High: 34}); !slices.Equal(got, []ColourReach{{"", "pitch 12 st", -1}}) { // glass strikes in an octave of its own
		t.Errorf("an octave too high: %+v", got)
	}
	if got := reach(compass.Range{Low: 64, High: 76}); !slices.Equal(got, []ColourReach{{"", "pitch -24 st", 2}}) {
		t.Errorf("two octaves too low: %+v", got)
	}
	if _, err := SetColour(f, "alto", "lower", []string{"pitch -5 st", "pitch -7 st"}); err != nil {
		t.Fatal(err)
	}
	got, err := CheckRange(f, "alto", low)
	if err != nil || len(got[0].Reach) != 4 || got[0].Reach[0] != (ColourReach{OwnColour, "pitch -12 st", 1}) {
		t.Fatalf("%+v, %v", got, err)
	}
	if w := got[0].ColourWords(); w != "its own colour does that: sing it an octave up and let it be lowered" {
		t.Error(w)
	}
}
