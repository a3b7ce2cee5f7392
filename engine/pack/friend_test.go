package pack

import (
	"math"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"testing"

	"cuechoir/engine/tempo"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/dsp"
	"cuechoir/internal/reftool"
	"cuechoir/internal/singer"
)

// testRate is low to keep the tests short; the score's rates are tried beside it.
const (
	testRate = 24000
	testBeat = testRate * 5 / 8 // 96 BPM
)

// song is a steady map of 40 s at 96 BPM with a count-in of four and a part.
func song(t testing.TB) (Sent, []singer.Note) {
	t.Helper()
	s := Sent{Layout: Layout{SampleRate: testRate, From: -4 * testBeat, To: 64 * testBeat}}
	for _, accent := range []bool{false, true} {
		x, err := tempo.RenderClick([]tempo.Click{{Accent: accent}}, 0, ShapeRate/20, ShapeRate, tempo.ClickOptions{})
		if err != nil {
			t.Fatal(err)
		}
		shape := make([]float64, len(x))
		for i, v := range x {
			shape[i] = float64(v)
		}
		s.Shapes = append(s.Shapes, shape)
	}
	for b := int64(-4); b < 64; b++ {
		c := Click{Sample: testBeat * b}
		if (b+4)%4 == 0 {
			c.Shape = 1
		}
		s.Clicks = append(s.Clicks, c)
	}
	keys := []int{57, 60, 62, 59, 64, 57, 55, 60, 65, 62, 60, 57, 59, 62, 64, 60, 67, 65, 62, 57, 60, 59, 55, 57}
	r := rand.New(rand.NewPCG(5, 6))
	var sung []singer.Note
	at := int64(8 * testBeat)
	for i := range keys {
		long := int64(1+r.IntN(3)) * testBeat
		s.Notes = append(s.Notes, Note{Sample: at, Key: keys[i]})
		sung = append(sung, singer.Note{Start: at, Length: long - testBeat/8, Key: float64(keys[i]), Vowel: "a", VibratoHz: 5, VibratoCents: 20})
		at += long
	}
	return s, sung
}

// friend is how a recording comes about.
type friend struct {
	before         float64 // seconds that it runs before the sound begins; below 0: started late
	ppm            float64
	head, tail     bool
	chirpDB, voice float64 // of the chirp's peak; of the voice against its own
	bleedDB        float64 // of the click's accent; below -200: none
	noiseDB        float64 // RMS in the whole band
	endEarly       float64 // seconds cut from the end
	seed           uint64  // of voice and noise
}

func usual() friend {
	return friend{before: 3.217, head: true, tail: true, chirpDB: -35, bleedDB: -300, noiseDB: -75}
}

// record plays the friend. The truth is the recording's sample on which the
// timeline's 0 falls, and the pace. Sound between samples is read by a cubic,
// which is not what the program uses.
func (f friend) record(t testing.TB, s Sent, sung []singer.Note) (rec []float32, origin, pace float64) {
	t.Helper()
	l := s.Layout
	from, to := l.Start()-testRate, l.Stop()+testRate
	x := singer.Voice{Seed: 3 + f.seed, SampleRate: testRate, Breath: 0.1}.Sing(sung, from, to-from)
	voice, chirps, noise := float32(dsp.DBToAmplitude(f.voice)), float32(dsp.DBToAmplitude(f.chirpDB-ChirpDB)), dsp.DBToAmplitude(f.noiseDB)
	for i := range x {
		x[i] *= voice
	}
	marks := make([]float32, len(x))
	NewMarks(l).Add(marks, from)
	for i, v := range marks {
		if isHead := from+int64(i) < l.From; isHead && f.head || !isHead && f.tail {
			x[i] += v * chirps
		}
	}
	if f.bleedDB > -200 {
		var cs []tempo.Click
		for _, c := range s.Clicks {
			cs = append(cs, tempo.Click{Sample: c.Sample, Accent: c.Shape == 1})
		}
		b, err := tempo.RenderClick(cs, from, to, testRate, tempo.ClickOptions{LevelDB: f.bleedDB + 30})
		if err != nil {
			t.Fatal(err)
		}
		const under = 0.0316 // 30 dB
		for i, v := range b {
			x[i] += v * under
		}
	}
	pace = 1 + f.ppm*1e-6
	origin = f.before*testRate - pace*float64(l.Start())
	n := int(origin + pace*float64(l.Stop()) - f.endEarly*testRate)
	rec = make([]float32, n)
	r := rand.New(rand.NewPCG(1+f.seed, 2))
	for k := range rec {
		rec[k] = cubic(x, (float64(k)-origin)/pace-float64(from)) + float32(noise*r.NormFloat64())
	}
	return rec, origin, pace
}

// cubic is Lagrange's interpolation over four samples.
func cubic(x []float32, p float64) float32 {
	i := int(math.Floor(p))
	if i < 1 || i+2 >= len(x) {
		return 0
	}
	d := p - float64(i)
	a, b, c, e := float64(x[i-1]), float64(x[i]), float64(x[i+1]), float64(x[i+2])
	return float32(-a*d*(d-1)*(d-2)/6 + b*(d+1)*(d-1)*(d-2)/2 - c*(d+1)*d*(d-2)/2 + e*(d+1)*d*(d-1)/6)
}

// errorMs is the largest distance of an alignment from the truth over the
// music, in ms.
func errorMs(a Alignment, l Layout, origin, pace float64) float64 {
	worst := 0.0
	for _, at := range []int64{l.From, 0, (l.From + l.To) / 2, l.To} {
		worst = max(worst, math.Abs(a.Origin+a.Pace*float64(at)-origin-pace*float64(at)))
	}
	return 1000 * worst / float64(l.SampleRate)
}

// changes of a recording by the way.

func clipped(x []float32) []float32 {
	top := dsp.Peak(x) / 4
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = max(-top, min(top, v))
	}
	return out
}

// telephone is 8 kHz and 300 to 3400 Hz, by filters that turn phases.
func telephone(t testing.TB, x []float32) []float32 {
	t.Helper()
	hp, err := dsp.ButterworthHighpass(4, 300, testRate)
	if err != nil {
		t.Fatal(err)
	}
	lp, err := dsp.ButterworthLowpass(6, 3400, testRate)
	if err != nil {
		t.Fatal(err)
	}
	y := append([]float32(nil), x...)
	for _, c := range append(hp, lp...) {
		(&dsp.Biquad{Coefficients: c}).Process(y)
	}
	return rated(t, y, 8000)
}

// rated goes to another rate and back.
func rated(t testing.TB, x []float32, rate int) []float32 {
	t.Helper()
	y, err := dsp.Resample(x, testRate, rate)
	if err == nil {
		y, err = dsp.Resample(y, rate, testRate)
	}
	if err != nil {
		t.Fatal(err)
	}
	return y
}

// coded goes through ffmpeg's coder and the program's own reader.
func coded(t testing.TB, x []float32, ext string, args ...string) []float32 {
	t.Helper()
	ffmpeg := reftool.Need(t, "ffmpeg")
	dir := t.TempDir()
	in, out := filepath.Join(dir, "in.wav"), filepath.Join(dir, "out."+ext)
	if err := audiotest.Write(in, testRate, 16, x); err != nil {
		t.Fatal(err)
	}
	if text, err := exec.Command(ffmpeg, append(append([]string{"-v", "error", "-y", "-i", in}, args...), out)...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	y, _, err := audiofile.ReadMono(out, testRate, 0)
	if err != nil {
		t.Fatal(err)
	}
	return y
}
