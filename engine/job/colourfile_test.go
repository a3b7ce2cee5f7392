package job

import (
	"context"
	"math"
	"path/filepath"
	"testing"

	"cuechoir/internal/audiofile"
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
