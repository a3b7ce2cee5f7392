package bench

import (
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"
)

// The measured load: so many layers, in buffers of so many frames.
const (
	strips = 256
	frames = 256
	step   = 16 // frames between two looks of the compressor
)

type biquad struct{ b0, b1, b2, a1, a2, s1, s2 float64 }

// strip is a layer's way to the headphones: gain, two filters of 64-bit state, a
// compressor of 2:1 whose gain is found each 16 frames, and pan.
type strip struct {
	gain, left, right   float32
	one, two            biquad
	env                 float64
	g                   float32
	up, down, threshold float64
}

func newStrip() strip {
	return strip{gain: 0.5, left: 0.6, right: 0.8, one: biquad{b0: 0.98, b1: -1.96, b2: 0.98, a1: -1.9596, a2: 0.9604},
		two: biquad{b0: 1.02, b1: -1.90, b2: 0.89, a1: -1.90, a2: 0.91}, g: 1, up: 0.02, down: 0.0005, threshold: 0.1}
}

// run adds x, whose length is a multiple of step, to left and right.
func (s *strip) run(x, left, right []float32) {
	left, right = left[:len(x)], right[:len(x)]
	for at := 0; at+step <= len(x); at += step {
		s.piece((*[step]float32)(x[at:]), (*[step]float32)(left[at:]), (*[step]float32)(right[at:]))
	}
}

// piece keeps what changes in plain local variables and reads the rest from the
// strip: there are registers for the first alone. The level follows the
// quicker of two speeds upwards and the slower downwards, which is the larger of
// the two answers: no branch, which noise would make the processor guess wrong,
// and for numbers above 0 the order of bits is that of floats.
func (s *strip) piece(x, left, right *[step]float32) {
	var y [step]float32
	one, two := &s.one, &s.two
	s1, s2, t1, t2, env := one.s1, one.s2, two.s1, two.s2, s.env
	up, down, keepUp, keepDown := s.up, s.down, 1-s.up, 1-s.down
	for i, v := range x {
		in := float64(v * s.gain)
		u := one.b0*in + s1
		s1 = one.b1*in - one.a1*u + s2
		s2 = one.b2*in - one.a2*u
		w := two.b0*u + t1
		t1 = two.b1*u - two.a1*w + t2
		t2 = two.b2*u - two.a2*w
		y[i] = float32(w)
		p := math.Float64frombits(math.Float64bits(w) &^ (1 << 63))
		env = math.Float64frombits(max(math.Float64bits(keepUp*env+up*p), math.Float64bits(keepDown*env+down*p)))
	}
	one.s1, one.s2, two.s1, two.s2, s.env = s1, s2, t1, t2, env
	want := float32(1)
	if s.env > s.threshold {
		want = float32(math.Sqrt(s.threshold / s.env))
	}
	slope, g, l, r := (want-s.g)/step, s.g, s.left, s.right
	for i, v := range y {
		g += slope
		left[i] += v * g * l
		right[i] += v * g * r
	}
	s.g = want
}

// goRounds runs all strips over the same noise as the C program, and gives
// nanoseconds a sample and the sum of all.
func goRounds(n int) (ns, sum float64) {
	x := make([]float32, strips*frames)
	seed := uint32(1)
	for i := range x {
		seed = seed*1664525 + 1013904223
		x[i] = float32(int32(seed>>8))/16777216 - 0.5
	}
	all := make([]strip, strips)
	for i := range all {
		all[i] = newStrip()
	}
	left, right := make([]float32, frames), make([]float32, frames)
	begin := time.Now()
	for range n {
		clear(left)
		clear(right)
		for k := range all {
			all[k].run(x[k*frames:(k+1)*frames], left, right)
		}
		for i := range left {
			sum += float64(left[i] + right[i])
		}
	}
	return float64(time.Since(begin).Nanoseconds()) / float64(n*strips*frames), sum
}

// buildC builds the C program, or skips.
func buildC(tb testing.TB) string {
	cc, err := exec.LookPath("cc")
	if err != nil {
		tb.Skip("LOUD SKIP: the loop is not compared with C here: there is no cc")
	}
	path := filepath.Join(tb.TempDir(), "strip")
	if out, err := exec.Command(cc, "-O3", "-o", path, filepath.Join("testdata", "strip.c"), "-lm").CombinedOutput(); err != nil {
		tb.Fatalf("cc: %v, %s", err, out)
	}
	return path
}

func cRounds(tb testing.TB, path string, n int) (ns, sum float64) {
	out, err := exec.Command(path, strconv.Itoa(n)).Output()
	if err == nil {
		_, err = fmt.Sscan(string(out), &ns, &sum)
	}
	if err != nil {
		tb.Fatalf("%v of %q", err, out)
	}
	return ns, sum
}

// The two programs compute the same: else their times say nothing.
func TestStripIsTheSameInC(t *testing.T) {
	path := buildC(t)
	_, a := goRounds(3)
	_, b := cRounds(t, path, 3)
	if a == 0 || math.Abs(a-b) > 1e-6*math.Abs(b) {
		t.Fatalf("Go makes %v, C %v", a, b)
	}
}

// BenchmarkStripAgainstC runs the two in turn and compares the fastest of each,
// which is what the machine's other work disturbs least.
func BenchmarkStripAgainstC(b *testing.B) {
	path := buildC(b)
	var ours, theirs []float64
	for b.Loop() {
		for range 5 {
			g, _ := goRounds(40)
			c, _ := cRounds(b, path, 40)
			ours, theirs = append(ours, g), append(theirs, c)
		}
	}
	g, c := slices.Min(ours), slices.Min(theirs)
	b.ReportMetric(g, "go-ns/sample")
	b.ReportMetric(c, "c-ns/sample")
	b.ReportMetric(g/c, "go/c")
	b.ReportMetric(0, "ns/op")
}
