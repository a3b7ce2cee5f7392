package loudness

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"cuechoir/internal/reftool"
)

// BS.1770 Annex 1: a 0 dBFS sine of 997 Hz in the left, centre or right
// channel alone reads -3.01 LKFS; mono is one channel.
func TestOneChannelReads(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000} {
		m := measure(t, Options{SampleRate: rate, Channels: 1}, synth(rate, 1, 997, []tone{t1(5, 0)}))
		if got := m.IntegratedLUFS(); math.Abs(got+3.01) > 0.01 {
			t.Errorf("%d Hz: 997 Hz at 0 dBFS in one channel = %.3f, want -3.01", rate, got)
		}
		dual := measure(t, Options{SampleRate: rate, Channels: 1, Weights: []float64{2}}, synth(rate, 1, 997, []tone{t1(5, 0)}))
		if got := dual.IntegratedLUFS() - m.IntegratedLUFS(); math.Abs(got-3.0103) > 1e-3 {
			t.Errorf("weight 2 lifts mono by %.4f LU, want 3.0103", got)
		}
	}
}

// The re-derivation, at 48 kHz, must give the standard's own table back.
func TestDerivedCoefficientsMatchTheStandard(t *testing.T) {
	shelf, hp := deriveK(48000)
	for _, c := range []struct{ got, want biquad }{{shelf, kShelf48}, {hp, kHighPass48}} {
		g := []float64{c.got.b0, c.got.b1, c.got.b2, c.got.a1, c.got.a2}
		w := []float64{c.want.b0, c.want.b1, c.want.b2, c.want.a1, c.want.a2}
		for i := range g {
			if math.Abs(g[i]-w[i]) > 1e-10 {
				t.Errorf("coefficient %d: derived %.14f, standard %.14f", i, g[i], w[i])
			}
		}
	}
}

// The relative gate lies 10 LU under the mean of what passes -70: blocks
// above it count whole, blocks below it not at all.
// Expected values by hand; the changeover spreads over a block or two.
func TestRelativeGate(t *testing.T) {
	for _, c := range []struct{ quiet, want float64 }{
		{-29, -23 + 10*math.Log10((1+math.Pow(10, -0.6))/2)},
		{-37, -23},
	} {
		m := measure(t, Options{SkipTruePeak: true}, synth(48000, 2, 1000, []tone{t1(60, -23), t1(60, c.quiet)}))
		if got := m.IntegratedLUFS(); math.Abs(got-c.want) > 0.03 {
			t.Errorf("half at -23, half at %g: %.3f LUFS, want %.3f", c.quiet, got, c.want)
		}
	}
	// between 8 and 10 LU under the mean of all
	m := measure(t, Options{SkipTruePeak: true}, synth(48000, 2, 1000, []tone{t1(90, -20), t1(30, -30.5)}))
	mean := (3 + math.Pow(10, -1.05)) / 4 // gate: -20 - 1.12 - 10 = -31.1
	if got, want := m.IntegratedLUFS(), -20+10*math.Log10(mean); math.Abs(got-want) > 0.03 {
		t.Errorf("quarter at -30.5: %.3f LUFS, want %.3f", got, want)
	}
}

func noise(seed uint64, n int) []float32 {
	r := rand.New(rand.NewPCG(seed, 1))
	out := make([]float32, n)
	level := 0.1
	for i := range out {
		if i%7000 == 0 {
			level = math.Pow(10, -3*r.Float64())
		}
		out[i] = float32(level * (2*r.Float64() - 1))
	}
	return out
}

// However a stream is cut into pushes, planar or interleaved, each reading is
// the same to the bit.
func TestCutOfPushesDoesNotMatter(t *testing.T) {
	for _, rate := range []int{44100, 48000, 22051} {
		signal := noise(3, 2*rate*4+26)
		want := measure(t, Options{SampleRate: rate}, signal).Result()
		for _, block := range []int{1, 63, 479, 4096} {
			m, _ := New(Options{SampleRate: rate})
			p, _ := New(Options{SampleRate: rate})
			for at := 0; at < len(signal); at += 2 * block {
				part := signal[at:min(at+2*block, len(signal))]
				l, r := make([]float32, len(part)/2), make([]float32, len(part)/2)
				for i := range l {
					l[i], r[i] = part[2*i], part[2*i+1]
				}
				if err := m.Push(part); err != nil {
					t.Fatal(err)
				}
				if err := p.PushPlanar([][]float32{l, r}); err != nil {
					t.Fatal(err)
				}
			}
			m.Finish()
			p.Finish()
			if got := m.Result(); got != want {
				t.Errorf("%d Hz, blocks of %d: %+v, want %+v", rate, block, got, want)
			}
			if got := p.Result(); got != want {
				t.Errorf("%d Hz, planar blocks of %d: %+v, want %+v", rate, block, got, want)
			}
		}
		m := measure(t, Options{SampleRate: rate}, noise(9, 2*rate))
		m.Reset()
		if err := m.Push(signal); err != nil {
			t.Fatal(err)
		}
		m.Finish()
		if got := m.Result(); got != want {
			t.Errorf("after Reset: %+v, want %+v", got, want)
		}
	}
}

// The skipping, folded interpolator against the plain sum over every phase.
func TestInterpolatorAgainstPlainSum(t *testing.T) {
	phases := [][tpTaps]float64{tpPhase(0.25), tpPhase(0.5), tpPhase(0.75)}
	for seed := range uint64(40) {
		buf := make([]float64, tpHist+1000)
		for i, v := range noise(seed, len(buf)) {
			buf[i] = float64(v)
		}
		want := 0.0
		for n := 0; n+tpTaps <= len(buf); n++ {
			for _, h := range phases {
				y := 0.0
				for k := range h {
					y += h[k] * buf[n+k]
				}
				want = math.Max(want, math.Abs(y))
			}
		}
		if got := newInterpolator().peak(buf, 0); math.Abs(got-want) > 1e-12 {
			t.Fatalf("seed %d: peak %.15f, plain sum %.15f", seed, got, want)
		}
	}
}

// A crest that the last samples make after the end counts once Finish is told.
func TestFinishReadsTheTail(t *testing.T) {
	m, _ := New(Options{Channels: 1})
	if err := m.Push([]float32{0, 0, 0.9, 0.9}); err != nil {
		t.Fatal(err)
	}
	before := m.TruePeakDBTP()
	m.Finish()
	if after := m.TruePeakDBTP(); after < before+0.5 {
		t.Errorf("true peak %.3f before, %.3f after Finish: two samples of 0.9 crest about 1 dB higher between them", before, after)
	}
}

func TestSilenceAndShort(t *testing.T) {
	m := measure(t, Options{}, make([]float32, 2*48000*4))
	r := m.Result()
	for name, v := range map[string]float64{"I": r.IntegratedLUFS, "M": r.MaxMomentaryLUFS, "S": r.MaxShortTermLUFS, "TP": r.TruePeakDBTP, "peak": r.SamplePeakDBFS} {
		if !math.IsInf(v, -1) {
			t.Errorf("silence: %s = %g, want -Inf", name, v)
		}
	}
	if r.RangeLU != 0 || r.Frames != 48000*4 {
		t.Errorf("silence: range %g, frames %d", r.RangeLU, r.Frames)
	}
	if _, ok := m.GainForLUFS(-23); ok {
		t.Error("a gain was found that brings silence to -23 LUFS")
	}
	short := measure(t, Options{}, synth(48000, 2, 1000, []tone{t1(0.399, -20)}))
	if got := short.IntegratedLUFS(); !math.IsInf(got, -1) {
		t.Errorf("399 ms: integrated %g, want -Inf: no gating block is whole", got)
	}
}

// The gain found must bring the real signal, measured anew, to the target;
// also where the absolute gate bites.
func TestGainForLUFS(t *testing.T) {
	signal := synth(48000, 2, 1000, []tone{t1(4, -50), t1(4, -62), t1(4, -68.5)})
	for _, target := range []float64{-14, -23, -60} {
		m := measure(t, Options{}, signal)
		gain, ok := m.GainForLUFS(target)
		if !ok {
			t.Fatal("no gain found")
		}
		g := float32(math.Pow(10, gain/20))
		louder := make([]float32, len(signal))
		for i, v := range signal {
			louder[i] = g * v
		}
		got := measure(t, Options{}, louder).IntegratedLUFS()
		t.Logf("target %.0f: gain %.4f dB, measured %.5f", target, gain, got)
		if math.Abs(got-target) > 0.001 {
			t.Errorf("target %.1f: gain %.3f dB gives %.4f LUFS", target, gain, got)
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, o := range []Options{{SampleRate: 1}, {SampleRate: 1 << 30}, {Channels: -1}, {Channels: 1000}, {Channels: 3}, {Channels: 2, Weights: []float64{1}}, {Channels: 1, Weights: []float64{math.NaN()}}} {
		if _, err := New(o); err == nil {
			t.Errorf("New(%+v) gave no error", o)
		}
	}
	m, _ := New(Options{})
	if m.Push(make([]float32, 3)) == nil {
		t.Error("half a frame was taken")
	}
	if m.PushPlanar([][]float32{{1}, {1, 2}}) == nil || m.PushPlanar([][]float32{{1}}) == nil {
		t.Error("uneven planes were taken")
	}
	for _, bad := range []float32{float32(math.NaN()), float32(math.Inf(1)), float32(math.Inf(-1))} {
		m.Reset()
		if m.Push([]float32{0, 0, 0, bad}) == nil {
			t.Errorf("%g was taken as a sample", bad)
		}
	}
}

func TestNoAllocation(t *testing.T) {
	m, _ := New(Options{})
	block := noise(1, 2*4800)
	if n := testing.AllocsPerRun(100, func() {
		if err := m.Push(block); err != nil {
			t.Fatal(err)
		}
		_, _, _ = m.IntegratedLUFS(), m.RangeLU(), m.TruePeakDBTP()
	}); n != 0 {
		t.Errorf("%g allocations a push, want none", n)
	}
}

// An independent meter (ffmpeg's ebur128 filter) must agree.
func TestAgainstFFmpeg(t *testing.T) {
	ffmpeg := reftool.Need(t, "ffmpeg")
	for _, c := range []struct {
		name           string
		rate, channels int
		signal         []float32
	}{
		{"noise of changing level", 48000, 2, noise(5, 2*48000*20)},
		{"noise of changing level, mono", 48000, 1, noise(6, 48000*20)},
		{"noise of changing level, 44.1 kHz", 44100, 2, noise(7, 2*44100*20)},
		{"tones", 48000, 2, synth(48000, 2, 440, []tone{t1(8, -20), {5, []float64{-9, -30}}, t1(7, -33)})},
	} {
		path := filepath.Join(t.TempDir(), "x.f32")
		var raw bytes.Buffer
		if err := binary.Write(&raw, binary.LittleEndian, c.signal); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, raw.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(ffmpeg, "-nostdin", "-hide_banner", "-f", "f32le", "-ar", fmt.Sprint(c.rate), "-ac", fmt.Sprint(c.channels),
			"-i", path, "-filter_complex", "ebur128=peak=true+sample", "-f", "null", "-").CombinedOutput()
		if err != nil {
			t.Fatalf("ffmpeg: %v\n%s", err, out)
		}
		out = out[bytes.LastIndex(out, []byte("Summary:")):]
		find := func(pattern string) float64 {
			hit := regexp.MustCompile(pattern).FindSubmatch(out)
			if hit == nil {
				t.Fatalf("no %q in\n%s", pattern, out)
			}
			v, _ := strconv.ParseFloat(string(hit[1]), 64)
			return v
		}
		r := measure(t, Options{SampleRate: c.rate, Channels: c.channels}, c.signal).Result()
		for _, q := range []struct {
			name      string
			ours, his float64
			tol       float64 // ffmpeg prints one decimal
		}{
			{"integrated", r.IntegratedLUFS, find(`I:\s+(-?[\d.]+) LUFS`), 0.11},
			{"range", r.RangeLU, find(`LRA:\s+(-?[\d.]+) LU`), 0.3},
			{"true peak", r.TruePeakDBTP, find(`True peak:\s+Peak:\s+(-?[\d.]+) dBFS`), 0.3},
			{"sample peak", r.SamplePeakDBFS, find(`Sample peak:\s+Peak:\s+(-?[\d.]+) dBFS`), 0.06},
		} {
			t.Logf("%-34s %-12s ours %8.3f, ffmpeg %6.1f", c.name, q.name, q.ours, q.his)
			if math.Abs(q.ours-q.his) > q.tol {
				t.Errorf("%s: %s %.3f, ffmpeg %.1f", c.name, q.name, q.ours, q.his)
			}
		}
	}
}

func benchmark(b *testing.B, o Options) {
	const seconds = 10
	m, err := New(o)
	if err != nil {
		b.Fatal(err)
	}
	signal := noise(1, o.Channels*48000*seconds)
	b.ResetTimer()
	for range b.N {
		m.Reset()
		if err := m.Push(signal); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "x-realtime")
}

func BenchmarkStereo(b *testing.B)           { benchmark(b, Options{Channels: 2}) }
func BenchmarkStereoNoTruePeak(b *testing.B) { benchmark(b, Options{Channels: 2, SkipTruePeak: true}) }
func BenchmarkMono(b *testing.B)             { benchmark(b, Options{Channels: 1}) }
