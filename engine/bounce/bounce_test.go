package bounce

import (
	"context"
	"crypto/sha256"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"cuechoir/engine/loudness"
	"cuechoir/engine/mix"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/reftool"

	"github.com/go-audio/wav"
)

var created = time.Date(2024, 2, 29, 23, 59, 58, 0, time.UTC)

// tones is a voice of a few partials, loud enough to need a ceiling when
// several sound together.
func tones(hz, amp float64, n int) []float32 {
	out := make([]float32, n)
	for i := range out {
		t := float64(i) / 48000
		out[i] = float32(amp * (math.Sin(2*math.Pi*hz*t) + 0.4*math.Sin(2*math.Pi*2.01*hz*t+1)) * (0.6 + 0.4*math.Sin(2*math.Pi*0.7*t)))
	}
	return out
}

// choir is six layers in three groups and a muted one.
func choir(n int, amp float64) Opener {
	voices := make([][]float32, 6)
	for i := range voices {
		voices[i] = tones(110*float64(i+1), amp, n)
	}
	return func() (mix.Desk, error) {
		var s []mix.Strip
		for i, v := range voices {
			s = append(s, mix.Strip{Name: fmt.Sprint("v", i), Source: mix.FromSlice(v), Start: int64(i*311 - 500), Pan: float64(i-3) / 3, GainDB: -1.5 * float64(i), Chain: mix.Chain{HighPassHz: 30}, Group: []string{"brass", "choir", ""}[i%3]})
		}
		return mix.Desk{Strips: append(s, mix.Strip{Name: "off", Mute: true, Group: "nobody"})}, nil
	}
}

func run(t testing.TB, open Opener, o Options) Result {
	t.Helper()
	res, err := Bounce(context.Background(), open, o)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func fileHash(t testing.TB, path string) [32]byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return sha256.Sum256(b)
}

func toolSays(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).Output()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return strings.TrimSpace(string(out))
}

// The stem has exactly the reference's samples, as outside tools count them.
func TestExactLengthByOutsideTools(t *testing.T) {
	soxi, ffprobe := reftool.Need(t, "soxi"), reftool.Need(t, "ffprobe")
	dir := t.TempDir()
	for _, rate := range []timecode.Rate{timecode.Rate23976, timecode.Rate24, timecode.Rate25, timecode.Rate2997, timecode.Rate2997DF, timecode.Rate30} {
		for i, frames := range []int64{1, 53, 101} {
			length := rate.SampleOf(frames, 48000)
			path := filepath.Join(dir, fmt.Sprintf("%d-%d-%t-%d.wav", rate.Num, rate.Den, rate.Drop, frames))
			run(t, choir(9000, 0.1), Options{Path: path, Length: length, Bits: []int{16, 32, 24}[i], TimeReference: rate.SampleOf(3600*rate.Nominal(), 48000), Created: created})
			if got := toolSays(t, soxi, "-s", path); got != strconv.FormatInt(length, 10) {
				t.Errorf("%s, %d frames: soxi counts %s samples, want %d", rate, frames, got, length)
			}
			if got := toolSays(t, ffprobe, "-v", "error", "-show_entries", "stream=duration_ts", "-of", "csv=p=0", path); strings.Trim(got, ",") != strconv.FormatInt(length, 10) {
				t.Errorf("%s, %d frames: ffprobe counts %s samples, want %d", rate, frames, got, length)
			}
		}
	}
	// One hour of time code at 24000/1001 is 3603.6 s: 172972800 samples.
	path := filepath.Join(dir, "24000-1001-false-53.wav")
	tags := toolSays(t, ffprobe, "-v", "error", "-show_entries", "format_tags", "-of", "flat", path)
	for _, want := range []string{`time_reference="172972800"`, `encoded_by="cuechoir"`, `date="2024-02-29"`, `creation_time="23:59:58"`, `coding_history="A=PCM,F=48000,W=32,M=stereo,T=cuechoir`} {
		if !strings.Contains(tags, want) {
			t.Errorf("ffprobe does not see %s in\n%s", want, tags)
		}
	}
}

func TestSameBitsOnEveryRunAndBlock(t *testing.T) {
	dir := t.TempDir()
	target := -20.0
	for _, bits := range []int{16, 24, 32} {
		var want [32]byte
		for i, block := range []int{4096, 4096, 1, 63, 479} {
			path := filepath.Join(dir, "x.wav")
			run(t, choir(30000, 0.3), Options{Path: path, Length: 24001, Bits: bits, Block: block, Created: created, TargetLUFS: &target})
			if got := fileHash(t, path); i == 0 {
				want = got
			} else if got != want {
				t.Errorf("%d bits, blocks of %d: another file", bits, block)
			}
		}
	}
}

// What the file holds, by an independent reader, is the mix times the gain
// that the result tells, rounded; and the loudness told is the file's.
func TestFileHoldsTheMix(t *testing.T) {
	path := filepath.Join(t.TempDir(), "mix.wav")
	const length = 96000
	open := choir(length, 0.5)
	res := run(t, open, Options{Path: path, Length: length})
	if res.TrimDB >= 0 || res.GainDB != res.TrimDB {
		t.Fatalf("gain %g, trim %g: the sum is above the ceiling, a trim is due", res.GainDB, res.TrimDB)
	}
	strips, _ := open()
	var want []float32
	if err := mix.Render(context.Background(), strips, mix.Options{Length: length}, func(b []float32) error { want = append(want, b...); return nil }, nil); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	dec := wav.NewDecoder(f)
	got, err := dec.FullPCMBuffer()
	if err != nil {
		t.Fatal(err)
	}
	if got.Format.NumChannels != 2 || got.Format.SampleRate != 48000 || dec.BitDepth != 24 || len(got.Data) != len(want) {
		t.Fatalf("%d channels, %d Hz, %d bits, %d values", got.Format.NumChannels, got.Format.SampleRate, dec.BitDepth, len(got.Data))
	}
	worst := 0.0
	for i, v := range got.Data {
		worst = math.Max(worst, math.Abs(float64(v)/(1<<23)-float64(want[i])*math.Pow(10, res.GainDB/20)))
	}
	t.Logf("largest difference %.2f dBFS; trim %.4f dB, true peak %.6f dBTP", 20*math.Log10(worst), res.TrimDB, res.Mix.Loudness.TruePeakDBTP)
	if worst > 0.51/(1<<23)+1e-7 {
		t.Errorf("the file is up to %g off the mix", worst)
	}
	checkLoudness(t, res.Mix)
	if tp := res.Mix.Loudness.TruePeakDBTP; tp > -1 || tp < -1.001 {
		t.Errorf("true peak %.6f dBTP, want just under -1: the trim is exactly what is needed", tp)
	}
}

// checkLoudness measures the file anew and compares it with what was told.
func checkLoudness(t *testing.T, f File) {
	t.Helper()
	x, fm, err := audiofile.ReadAll(f.Path, 0)
	if err != nil {
		t.Fatal(err)
	}
	m, err := loudness.New(loudness.Options{SampleRate: fm.SampleRate, Channels: fm.Channels})
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Push(x); err != nil {
		t.Fatal(err)
	}
	m.Finish()
	if got := m.Result(); got != f.Loudness {
		t.Errorf("%s measures %+v, told %+v", f.Path, got, f.Loudness)
	}
}

// A voice that is cut off by the end crests after its last sample: that is
// true peak too, and the ceiling holds for it.
func TestTheEndCountsAsTruePeak(t *testing.T) {
	res := run(t, func() (mix.Desk, error) {
		return mix.Desk{Strips: []mix.Strip{{Source: mix.FromSlice([]float32{0.95, 0.95}), Pan: -1, Start: 98}}}, nil
	}, Options{Path: filepath.Join(t.TempDir(), "e.wav"), Length: 100})
	if l := res.Mix.Loudness; l.TruePeakDBTP < l.SamplePeakDBFS+0.5 || res.TrimDB > -0.9 {
		t.Errorf("true peak %.3f, sample peak %.3f, trim %.3f", l.TruePeakDBTP, l.SamplePeakDBFS, res.TrimDB)
	}
	checkLoudness(t, res.Mix)
}

func TestQuietMixIsLeftAlone(t *testing.T) {
	res := run(t, choir(48000, 0.01), Options{Path: filepath.Join(t.TempDir(), "q.wav"), Length: 48000})
	if res.TrimDB != 0 || res.GainDB != 0 || res.TargetMissLU != 0 {
		t.Errorf("gain %g, trim %g", res.GainDB, res.TrimDB)
	}
}

func TestTargetLoudness(t *testing.T) {
	dir := t.TempDir()
	for _, bits := range []int{16, 24, 32} {
		for _, c := range []struct {
			target  float64
			reached bool
		}{{-23, true}, {-50, true}, {0, false}} {
			path := filepath.Join(dir, "t.wav")
			res := run(t, choir(48000*4, 0.05), Options{Path: path, Length: 48000 * 4, TargetLUFS: &c.target, Bits: bits, CeilingDBTP: -2})
			t.Logf("%d bits, target %.0f: %.4f LUFS, %.5f dBTP, gain %.3f, trim %.3f", bits, c.target, res.Mix.Loudness.IntegratedLUFS, res.Mix.Loudness.TruePeakDBTP, res.GainDB, res.TrimDB)
			if got := math.Abs(res.TargetMissLU) < 0.01; got != c.reached {
				t.Errorf("%d bits: target %g: off by %.4f LU", bits, c.target, res.TargetMissLU)
			}
			if c.reached != (res.TrimDB == 0) || res.Mix.Loudness.TruePeakDBTP > -2 {
				t.Errorf("%d bits: target %g: trim %g, true peak %.6f", bits, c.target, res.TrimDB, res.Mix.Loudness.TruePeakDBTP)
			}
			checkLoudness(t, res.Mix)
			checkBext(t, path, res)
		}
	}
}

// The header is written before the sound, from the first pass: it tells the
// loudness to 0.02, dither included.
func checkBext(t *testing.T, path string, res Result) {
	t.Helper()
	r, err := audiofile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	b := r.Bext()
	if b == nil || b.Loudness == nil {
		t.Fatal("no loudness in bext")
	}
	for _, c := range []struct {
		name string
		got  int16
		want float64
	}{{"integrated", b.Loudness.Integrated, res.Mix.Loudness.IntegratedLUFS}, {"true peak", b.Loudness.MaxTruePeak, res.Mix.Loudness.TruePeakDBTP}, {"short-term", b.Loudness.MaxShortTerm, res.Mix.Loudness.MaxShortTermLUFS}, {"range", b.Loudness.Range, res.Mix.Loudness.RangeLU}} {
		if math.Abs(float64(c.got)/100-c.want) > 0.02 {
			t.Errorf("bext %s %d, measured %.4f", c.name, c.got, c.want)
		}
	}
}

// The stems sum to the mix to better than -120 dBFS.
func TestStemsSumToTheMix(t *testing.T) {
	for _, bits := range []int{24, 32} {
		dir := t.TempDir()
		res := run(t, choir(48000, 0.3), Options{Path: filepath.Join(dir, "score.wav"), Length: 50001, Bits: bits, Stems: true, Created: created})
		if len(res.Stems) != 3 {
			t.Fatalf("%d stems, want 3: a group that is muted makes none", len(res.Stems))
		}
		sum, _, err := audiofile.ReadAll(res.Mix.Path, 0)
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range []string{"score_brass.wav", "score_choir.wav", "score_ungrouped.wav"} {
			if filepath.Base(res.Stems[i].Path) != want {
				t.Errorf("stem %d is %s, want %s", i, res.Stems[i].Path, want)
			}
			checkLoudness(t, res.Stems[i])
			x, _, err := audiofile.ReadAll(res.Stems[i].Path, 0)
			if err != nil {
				t.Fatal(err)
			}
			if len(x) != len(sum) || math.IsInf(res.Stems[i].Loudness.SamplePeakDBFS, -1) {
				t.Fatalf("stem %d: %d values, peak %g", i, len(x), res.Stems[i].Loudness.SamplePeakDBFS)
			}
			for k := range x {
				sum[k] -= x[k]
			}
		}
		worst := 0.0
		for _, v := range sum {
			worst = math.Max(worst, math.Abs(float64(v)))
		}
		t.Logf("%d bits: mix minus stems peaks at %.1f dBFS", bits, 20*math.Log10(worst))
		if 20*math.Log10(worst) > -120 {
			t.Errorf("%d bits: the stems miss the mix by %.1f dBFS", bits, 20*math.Log10(worst))
		}
		left(t, dir, 4)
	}
}

// left checks how many files a folder holds.
func left(t *testing.T, dir string, want int) {
	t.Helper()
	es, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(es) != want {
		var names []string
		for _, e := range es {
			names = append(names, e.Name())
		}
		t.Errorf("the folder holds %v, want %d files", names, want)
	}
}

// TPDF dither: the error's mean is 0 whatever the level between two steps,
// and its power 1/4 step squared (Lipshitz et al., 1992).
func TestDitherIsTriangular(t *testing.T) {
	for _, between := range []float64{0, 0.25, 0.5, 0.9} {
		q := newQuantizer(16, 1)
		const n = 200000
		x := make([]float32, n)
		level := (100 + between) / (1 << 15)
		for i := range x {
			x[i] = float32(level)
		}
		q.quantize(x)
		mean, power := 0.0, 0.0
		for _, v := range x {
			e := (float64(v) - level) * (1 << 15)
			if math.Abs(e) > 1.5 {
				t.Fatalf("an error of %g steps", e)
			}
			mean += e / n
			power += e * e / n
		}
		if math.Abs(mean) > 0.005 || math.Abs(power-0.25) > 0.005 {
			t.Errorf("%.2f between steps: mean error %.4f, power %.4f, want 0 and 0.25", between, mean, power)
		}
	}
}

func BenchmarkBounce32Layers(b *testing.B) {
	const length = 48000 * 10
	v := tones(220, 0.05, length)
	open := func() (mix.Desk, error) {
		var s []mix.Strip
		for i := range 32 {
			s = append(s, mix.Strip{Source: mix.FromSlice(v), Pan: float64(i)/16 - 1, Chain: mix.Chain{HighPassHz: 80}})
		}
		return mix.Desk{Strips: s}, nil
	}
	path := filepath.Join(b.TempDir(), "x.wav")
	for range b.N {
		run(b, open, Options{Path: path, Length: length})
	}
	b.ReportMetric(10*float64(b.N)/b.Elapsed().Seconds(), "x-realtime")
}

// Silence has neither a loudness nor a range of it: bext says that they are not
// set (EBU Tech 3285 v2).
func TestSilenceHasNoLoudnessSet(t *testing.T) {
	res := run(t, choir(48000, 0), Options{Path: filepath.Join(t.TempDir(), "x.wav"), Length: 48000})
	r, err := audiofile.Open(res.Mix.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if l := r.Bext().Loudness; l != nil { // nil is all of it not set
		t.Errorf("%+v", l)
	}
}
