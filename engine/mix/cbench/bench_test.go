//go:build unix

package cbench

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"

	"cuechoir/engine/bounce"
	"cuechoir/engine/loudness"
	"cuechoir/engine/mix"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/reftool"
)

const (
	rate    = 48000
	seconds = 150
	layers  = 32
	files   = 8 // each is read by four layers
	runs    = 3
)

// voices writes the layers' files, mono of 24 bits: phrases of a few partials
// with silence between, the same on each run. The head is 44 bytes, for the C
// program.
func voices(tb testing.TB, secs int) []string {
	tb.Helper()
	dir := tb.TempDir()
	var names []string
	for k := range files {
		n := secs * rate
		b := make([]byte, 44+3*n)
		copy(b, "RIFF")
		binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-8))
		copy(b[8:], "WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00")
		binary.LittleEndian.PutUint32(b[24:], rate)
		binary.LittleEndian.PutUint32(b[28:], 3*rate)
		copy(b[32:], "\x03\x00\x18\x00data")
		binary.LittleEndian.PutUint32(b[40:], uint32(3*n))
		step := 2 * math.Pi * 110 * float64(k+1) / rate
		s, c := math.Sincos(step)
		x, y := 0.0, 0.3
		for i := range n {
			x, y = x*c+y*s, y*c-x*s
			v := 0.0
			if phase := (i + k*9000) % (4 * rate); phase < 3*rate {
				v = x*(0.6+0.4*math.Sin(float64(phase)/rate*math.Pi/3)) + 2*x*y
			}
			q := int32(math.Round(v * (1 << 23) * 0.5))
			b[44+3*i], b[45+3*i], b[46+3*i] = byte(q), byte(q>>8), byte(q>>16)
		}
		name := filepath.Join(dir, fmt.Sprintf("%d.wav", k))
		if err := os.WriteFile(name, b, 0o644); err != nil {
			tb.Fatal(err)
		}
		names = append(names, name)
	}
	var all []string
	for i := range layers {
		all = append(all, names[i%files])
	}
	return all
}

// fileSource plays a file.
type fileSource struct {
	*audiofile.Reader
}

func (s fileSource) Read(dst []float32) (int, error) {
	for n := 0; ; {
		k, err := s.Reader.Read(dst[n:])
		if n += k; err != nil || n == len(dst) {
			return n, err
		}
	}
}

// strips opens the layers, each panned and set.
func strips(tb testing.TB, names []string, set func(s *mix.Strip)) []mix.Strip {
	tb.Helper()
	var out []mix.Strip
	for k, name := range names {
		r, err := audiofile.Open(name)
		if err != nil {
			tb.Fatal(err)
		}
		s := mix.Strip{Name: fmt.Sprint(k), Source: fileSource{r}, GainDB: -12, Pan: float64(k)/float64(len(names)-1)*2 - 1}
		if set != nil {
			set(&s)
		}
		out = append(out, s)
	}
	return out
}

// ownCPU is the CPU time of this process.
func ownCPU(tb testing.TB) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		tb.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// least is the CPU time of the quickest of a few runs.
func least(f func() time.Duration) float64 {
	best := f()
	for range runs - 1 {
		best = min(best, f())
	}
	return best.Seconds()
}

// ours measures work of this process.
func ours(tb testing.TB, f func()) float64 {
	return least(func() time.Duration {
		runtime.GC()
		begin := ownCPU(tb)
		f()
		return ownCPU(tb) - begin
	})
}

// theirs measures a program.
func theirs(tb testing.TB, name string, args ...string) float64 {
	return least(func() time.Duration {
		c := exec.Command(name, args...)
		if out, err := c.CombinedOutput(); err != nil {
			tb.Fatalf("%s: %v, %s", name, err, out)
		}
		return c.ProcessState.UserTime() + c.ProcessState.SystemTime()
	})
}

// buildC builds a C program; without cc, or without its library, there is
// nothing to compare with.
func buildC(tb testing.TB, name string, flags ...string) string {
	tb.Helper()
	cc := reftool.Need(tb, "cc")
	path := filepath.Join(tb.TempDir(), name)
	args := append([]string{"-O3", "-o", path, filepath.Join("testdata", name+".c")}, flags...)
	if out, err := exec.Command(cc, args...).CombinedOutput(); err != nil {
		if reftool.Required() {
			tb.Fatalf("cc: %v, %s", err, out)
		}
		tb.Skipf("LOUD SKIP: %s is not built here, so nothing was compared with it: %v, %s", name, err, out)
	}
	return path
}

// write renders a desk to a stereo file of 24 bits.
func write(tb testing.TB, path string, d mix.Desk, length int64) {
	tb.Helper()
	f, err := os.Create(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	w, err := audiofile.NewWriter(f, audiofile.Format{SampleRate: rate, Channels: 2, Bits: 24}, audiofile.WriterOptions{})
	if err == nil {
		err = mix.Render(context.Background(), d, mix.Options{Length: length}, w.Write, nil)
	}
	if err == nil {
		err = w.Close()
	}
	for _, s := range d.Strips {
		s.Source.(fileSource).Close()
	}
	if err != nil {
		tb.Fatal(err)
	}
}

// compared is the work of the C program's chain: two bells, compressor, pan, a
// send to a room of eight lines.
func compared(tb testing.TB, names []string) mix.Desk {
	return mix.Desk{Strips: strips(tb, names, func(s *mix.Strip) {
		s.Chain.EQ.LowMid = mix.Band{Hz: 400, GainDB: 3, Q: 1}
		s.Chain.EQ.HighMid = mix.Band{Hz: 2500, GainDB: -4, Q: 1}
		s.Chain.Compressor = mix.Compressor{ThresholdDB: -24, Ratio: 3, KneeDB: 6}
		s.Sends = []mix.Send{{To: mix.ToRoom, DB: -12}}
	})}
}

// The C program does the same work: its file and ours differ by -120 dBFS at
// most. Else their times say nothing.
func TestTheSameWorkInC(t *testing.T) {
	prog := buildC(t, "mix", "-lm")
	names := voices(t, 5)
	for _, kind := range []string{"plain", "chain"} {
		d := mix.Desk{Strips: strips(t, names, nil)}
		if kind == "chain" {
			d = compared(t, names)
		}
		a, b := filepath.Join(t.TempDir(), "a.wav"), filepath.Join(t.TempDir(), "b.wav")
		write(t, a, d, 5*rate)
		if out, err := exec.Command(prog, append([]string{kind, b}, names...)...).CombinedOutput(); err != nil {
			t.Fatalf("%v, %s", err, out)
		}
		x, _, err := audiofile.ReadAll(a, 0)
		if err != nil {
			t.Fatal(err)
		}
		y, _, err := audiofile.ReadAll(b, 0)
		if err != nil || len(x) != len(y) {
			t.Fatalf("%d and %d values, %v", len(x), len(y), err)
		}
		worst, loudest := 0.0, 0.0
		for i := range x {
			worst, loudest = max(worst, math.Abs(float64(x[i]-y[i]))), max(loudest, math.Abs(float64(x[i])))
		}
		t.Logf("%s: peak %.1f dBFS, difference %.1f dBFS", kind, 20*math.Log10(loudest), 20*math.Log10(worst))
		if loudest < 0.05 || worst > 1e-6 {
			t.Errorf("%s: the two differ by %g at a peak of %g", kind, worst, loudest)
		}
	}
}

// BenchmarkPlainSum: 32 layers with gain and pan to a stereo file. Wanted: at most
// half of sox -m, and 1.3 times the C loop.
func BenchmarkPlainSum(b *testing.B) {
	prog, sox := buildC(b, "mix", "-lm"), reftool.Find(b, "sox")
	names, out := voices(b, seconds), filepath.Join(b.TempDir(), "out.wav")
	for b.Loop() {
		c := theirs(b, prog, append([]string{"plain", out}, names...)...)
		g := ours(b, func() { write(b, out, mix.Desk{Strips: strips(b, names, nil)}, seconds*rate) })
		b.ReportMetric(g, "go-s")
		b.ReportMetric(c, "c-s")
		b.ReportMetric(g/c, "go/c")
		if sox != "" {
			s := theirs(b, sox, append(append([]string{"-m"}, names...), "-c", "2", "-b", "24", out)...)
			b.ReportMetric(s, "sox-s")
			b.ReportMetric(g/s, "go/sox")
		}
	}
}

// BenchmarkChainAgainstC. Wanted: 1.3 times the C loop at most.
func BenchmarkChainAgainstC(b *testing.B) {
	prog := buildC(b, "mix", "-lm")
	names, out := voices(b, seconds), filepath.Join(b.TempDir(), "out.wav")
	for b.Loop() {
		c := theirs(b, prog, append([]string{"chain", out}, names...)...)
		g := ours(b, func() { write(b, out, compared(b, names), seconds*rate) })
		b.ReportMetric(g, "go-s")
		b.ReportMetric(c, "c-s")
		b.ReportMetric(g/c, "go/c")
	}
}

// everything is the whole chain on each layer.
func everything(tb testing.TB, names []string) mix.Desk {
	return mix.Desk{Strips: strips(tb, names, func(s *mix.Strip) {
		s.Chain = mix.Chain{HighPassHz: 80,
			EQ:      mix.EQ{Low: mix.Band{GainDB: -2}, LowMid: mix.Band{GainDB: 3}, HighMid: mix.Band{GainDB: -4}, High: mix.Band{GainDB: 2}},
			DeEsser: mix.DeEsser{ThresholdDB: -40}, Compressor: mix.Compressor{ThresholdDB: -24, Ratio: 3, KneeDB: 6}}
		s.Sends = []mix.Send{{To: mix.ToRoom, DB: -12}, {To: mix.ToEcho, DB: -18}}
	})}
}

// BenchmarkBounceEverything: high-pass, four bands, compressor, de-ess, two sends,
// room, echo, limiter, loudness brought to a target, the file written. Wanted: 60
// x real time on two cores, 1.8 times what one core does.
func BenchmarkBounceEverything(b *testing.B) {
	names, out := voices(b, seconds), filepath.Join(b.TempDir(), "out.wav")
	target := -16.0
	for b.Loop() {
		var took [3]float64
		for _, cores := range []int{1, 2} {
			before := runtime.GOMAXPROCS(cores)
			took[cores] = math.Inf(1)
			cpu := math.Inf(1)
			for range runs {
				begin, used := time.Now(), ownCPU(b)
				_, err := bounce.Bounce(context.Background(), func() (mix.Desk, error) { return everything(b, names), nil },
					bounce.Options{Path: out, Length: seconds * rate, TargetLUFS: &target, Limit: true})
				if err != nil {
					b.Fatal(err)
				}
				took[cores] = min(took[cores], time.Since(begin).Seconds())
				cpu = min(cpu, (ownCPU(b) - used).Seconds())
			}
			runtime.GOMAXPROCS(before)
			b.ReportMetric(cpu, fmt.Sprintf("cpu-s-%d-core", cores))
			b.ReportMetric(seconds/took[cores], fmt.Sprintf("x-realtime-%d-core", cores))
		}
		b.ReportMetric(took[1]/took[2], "2-cores/1")
	}
}

// BenchmarkLoudness: integrated loudness, range and true peak of a stereo file.
// Wanted: no more CPU than libebur128.
func BenchmarkLoudness(b *testing.B) {
	prog := buildC(b, "ebur", "-lebur128")
	var x []float32
	err := mix.Render(context.Background(), mix.Desk{Strips: strips(b, voices(b, seconds), nil)}, mix.Options{Length: seconds * rate},
		func(block []float32) error { x = append(x, block...); return nil }, nil)
	if err != nil {
		b.Fatal(err)
	}
	raw := make([]byte, 4*len(x))
	for i, v := range x {
		binary.LittleEndian.PutUint32(raw[4*i:], math.Float32bits(v))
	}
	path := filepath.Join(b.TempDir(), "x.f32")
	if err := os.WriteFile(path, raw, 0o644); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		var r loudness.Result
		g := ours(b, func() { r = measured(b, x) })
		best, other := math.Inf(1), [4]float64{}
		for range runs {
			out, err := exec.Command(prog, path).Output()
			if err == nil {
				_, err = fmt.Sscan(string(out), &other[0], &other[1], &other[2], &other[3])
			}
			if err != nil {
				b.Fatalf("%v of %q", err, out)
			}
			best = min(best, other[0])
		}
		b.ReportMetric(g, "go-s")
		b.ReportMetric(best, "libebur128-s")
		b.ReportMetric(g/best, "go/libebur128")
		b.ReportMetric(math.Abs(r.IntegratedLUFS-other[1]), "integrated-differs-LU")
		b.ReportMetric(math.Abs(r.RangeLU-other[2]), "range-differs-LU")
		b.ReportMetric(math.Abs(r.TruePeakDBTP-20*math.Log10(other[3])), "true-peak-differs-dB")
	}
}

func measured(tb testing.TB, x []float32) loudness.Result {
	m, err := loudness.New(loudness.Options{SampleRate: rate, Channels: 2})
	if err != nil {
		tb.Fatal(err)
	}
	for at := 0; at < len(x); at += 8192 {
		if err := m.Push(x[at:min(at+8192, len(x))]); err != nil {
			tb.Fatal(err)
		}
	}
	m.Finish()
	return m.Result()
}

// BenchmarkDyingAway: a whole chain in silence after a sound takes no longer than
// in sound: nothing falls into subnormal numbers.
func BenchmarkDyingAway(b *testing.B) {
	const n = 20 * rate
	for _, kind := range []string{"sound", "silence"} {
		b.Run(kind, func(b *testing.B) {
			x := make([]float32, n)
			for i := range x {
				if kind == "sound" || i < 100 {
					x[i] = float32(0.2 * math.Sin(float64(i)/13))
				}
			}
			for b.Loop() {
				d := mix.Desk{Strips: []mix.Strip{{Source: mix.FromSlice(x), Chain: mix.Chain{HighPassHz: 40, EQ: mix.EQ{Low: mix.Band{GainDB: 6}, LowMid: mix.Band{GainDB: 12, Q: 20}},
					Compressor: mix.Compressor{ThresholdDB: -30, Ratio: 4}, DeEsser: mix.DeEsser{ThresholdDB: -40}}, Sends: []mix.Send{{To: mix.ToRoom, DB: 0}, {To: mix.ToEcho, DB: 0}}}}}
				if err := mix.Render(context.Background(), d, mix.Options{Length: n, Cores: 1}, func([]float32) error { return nil }, nil); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/sample")
		})
	}
}
