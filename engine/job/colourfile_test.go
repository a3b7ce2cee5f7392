package job

import (
	"context"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// A coloured stem keeps its length, its place and the balance of its channels,
// and its true peak stays under the ceiling.
func TestColouredFileKeepsLengthPlaceAndBalance(t *testing.T) {
	dir := t.TempDir()
	in, out := filepath.Join(dir, "in.wav"), filepath.Join(dir, "out.wav")
	const frames = 96_001
	x := make([]float32, 2*frames)
	for i := range frames {
		v := math.Sin(2 * math.Pi * 400 * float64(i) / 48000)
		x[2*i], x[2*i+1] = float32(0.9*v), float32(0.3*v)
	}
	b := &audiofile.Bext{Description: "stem", TimeReference: 172_800_000, Loudness: &audiofile.Loudness{}}
	if err := writeWAV(in, audiofile.Format{SampleRate: 48000, Channels: 2, Bits: 24}, b, func(w *audiofile.Writer) error { return w.Write(x) }); err != nil {
		t.Fatal(err)
	}
	res, err := ColourFile(context.Background(), []string{"optical 40 %", "gain 6 dB"}, in, out)
	if err != nil {
		t.Fatal(err)
	}
	y, fm, err := audiofile.ReadAll(out, 0)
	if err != nil {
		t.Fatal(err)
	}
	r, err := audiofile.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if len(y) != 2*frames || fm.Channels != 2 || r.Bext() == nil || r.Bext().TimeReference != 172_800_000 || r.Bext().Loudness != nil {
		t.Fatalf("%d samples, %+v, %+v", len(y), fm, r.Bext())
	}
	left, right, peak := 0.0, 0.0, 0.0
	for i := range frames {
		l, r := float64(y[2*i]), float64(y[2*i+1])
		left, right, peak = left+l*l, right+r*r, max(peak, math.Abs(l), math.Abs(r))
	}
	if balance := 10 * math.Log10(left/right); math.Abs(balance-20*math.Log10(3)) > 0.3 {
		t.Errorf("the channels are %.2f dB apart, %.2f before", balance, 20*math.Log10(3))
	}
	if got := res.LUFS - res.WasLUFS; math.Abs(got-6+res.DownDB) > 0.01 || res.DownDB < 1 {
		t.Errorf("6 dB louder is %+.2f LU, %.2f dB were taken for the true peak", got, res.DownDB)
	}
	if heard, err := measured(y, fm); err != nil || math.Abs(heard.IntegratedLUFS-res.LUFS) > 0.05 {
		t.Errorf("it is said to be at %.2f LUFS and is at %.2f (%v)", res.LUFS, heard.IntegratedLUFS, err)
	}
	if res.TruePeakDBTP > -1+1e-9 || peak > math.Pow(10, -1.0/20)+1e-4 {
		t.Errorf("a true peak of %.2f dBTP, a sample of %.3f", res.TruePeakDBTP, peak)
	}
}

// The mix in the old optical sound: as long, as loud, the same on every run,
// without what lies above its band; measured as it is bounced.
func TestBounceInAColour(t *testing.T) {
	f, _ := sungScore(t)
	plain, err := Bounce(t.Context(), f, BounceOptions{})
	if err != nil {
		t.Fatal(err)
	}
	before, _, err := audiofile.ReadAll(plain.Mix.Path, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	lines := []string{"optical 60 % seed 1"}
	s, err := SetMaster(f, MasterWish{Colour: &lines})
	if err != nil || !slices.Equal(mustLoad(t, f).Desk.Colour, lines) {
		t.Fatalf("%v, %v", s.Desk.Colour, err)
	}
	var bits [2][]float32
	for i := range bits {
		res, err := Bounce(t.Context(), f, BounceOptions{Stems: i == 1})
		if err != nil {
			t.Fatal(err)
		}
		if bits[i], _, err = audiofile.ReadAll(res.Mix.Path, 1<<20); err != nil || int64(len(bits[i])) != 2*s.Length() {
			t.Fatalf("%d numbers, %v", len(bits[i]), err)
		}
		if d := res.Mix.Loudness.IntegratedLUFS - plain.Mix.Loudness.IntegratedLUFS; math.Abs(d) > 0.05 {
			t.Errorf("the colour changes the loudness by %.2f LU", d)
		}
		if told := strings.Join(res.Notes, ""); strings.Contains(told, "before the master") != (i == 1) {
			t.Errorf("stems %v: told %q", i == 1, told)
		}
		m, err := MeasureMix(t.Context(), f, nil)
		if err != nil || math.Abs(m.Loudness.IntegratedLUFS+res.GainDB-res.Mix.Loudness.IntegratedLUFS) > 0.05 {
			t.Errorf("measured as %.2f, bounced as %.2f, %v", m.Loudness.IntegratedLUFS, res.Mix.Loudness.IntegratedLUFS, err)
		}
	}
	if !slices.Equal(bits[0], bits[1]) {
		t.Error("two runs differ")
	}
	a, b := differences(before), differences(bits[0])
	if b > a/4 { // white noise above 8 kHz is most of its differences; the Academy curve takes 18 dB there
		t.Errorf("the highest sounds went from %g to %g", a, b)
	}
	none := []string{}
	if _, err := SetMaster(f, MasterWish{Colour: &none}); err != nil {
		t.Fatal(err)
	}
	if again, err := Bounce(t.Context(), f, BounceOptions{}); err != nil || again.Mix.Loudness != plain.Mix.Loudness {
		t.Errorf("taken off: %v, %v", again.Mix.Loudness, err)
	}
	odd := []string{"shine 4 dB"}
	if _, err := SetMaster(f, MasterWish{Colour: &odd}); fault.KindOf(err) != fault.Malformed {
		t.Errorf("a line that is none: %v", err)
	}
}

// differences is the rms of a channel's second differences: of its highest sounds.
func differences(x []float32) float64 {
	sum := 0.0
	for i := 4; i < len(x); i += 2 {
		d := float64(x[i]) - 2*float64(x[i-2]) + float64(x[i-4])
		sum += d * d
	}
	return math.Sqrt(sum / float64(len(x)/2))
}
