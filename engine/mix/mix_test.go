package mix_test

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cuechoir/engine/mix"
	"cuechoir/engine/mix/mixtest"
	"cuechoir/internal/fault"
)

func noise(seed uint64, n int) []float32 {
	r := rand.New(rand.NewPCG(seed, 2))
	out := make([]float32, n)
	for i := range out {
		out[i] = float32(r.Float64()*2-1) / 4
	}
	return out
}

func render(t testing.TB, strips []mix.Strip, o mix.Options) []float32 {
	t.Helper()
	return renderDesk(t, mix.Desk{Strips: strips}, o)
}

func renderDesk(t testing.TB, d mix.Desk, o mix.Options) []float32 {
	t.Helper()
	var out []float32
	if err := mix.Render(context.Background(), d, o, func(b []float32) error {
		out = append(out, b...)
		return nil
	}, nil); err != nil {
		t.Fatal(err)
	}
	return out
}

func hash(x []float32) [32]byte {
	h := sha256.New()
	_ = binary.Write(h, binary.LittleEndian, x)
	return [32]byte(h.Sum(nil))
}

// band is a mix with all that a strip can do.
func band() []mix.Strip {
	var s []mix.Strip
	for i := range 9 {
		voice := noise(uint64(i), 9000+1777*i)
		clear(voice[2000 : len(voice)-99]) // a filter's tail dies in there
		src := mix.FromSlice(voice)
		if i%2 == 0 {
			src, _ = mix.FadeEdges(src, 240)
		}
		s = append(s, mix.Strip{Name: string(rune('a' + i)), Source: src, Start: int64(i*1500 - 3001), GainDB: float64(-i), Pan: float64(i-4) / 4, Chain: mix.Chain{HighPassHz: float64(i%3) * 60}})
	}
	return s
}

func TestSameBitsForAnyBlockAndRun(t *testing.T) {
	const length = 20011
	want := render(t, band(), mix.Options{Length: length})
	if len(want) != 2*length {
		t.Fatalf("%d values, want %d", len(want), 2*length)
	}
	for _, block := range []int{1, 63, 479, 4096, 4096, 1 << 20} {
		got := render(t, band(), mix.Options{Length: length, Block: block})
		if hash(got) != hash(want) {
			t.Errorf("blocks of %d: other bits", block)
		}
	}
}

// The mix against the plain formula, sample by sample.
func TestPlaceGainAndPan(t *testing.T) {
	voice := noise(1, 1000)
	for _, c := range []struct {
		start  int64
		gainDB float64
		pan    float64
		l, r   float64 // factors, by hand
	}{
		{0, 0, 0, 0.7071067811865476, 0.7071067811865476},
		{-400, 6, -1, 1.9952623149688795, 0},
		{700, -20, 1, 0, 0.1},
		{-5000, 0, 0.5, 0.38268343236508984, 0.9238795325112867}, // cos, sin of 67.5 degrees
		{123, math.Inf(-1), 0, 0, 0},
		{5000, 0, 0, 1, 1}, // wholly after the end
	} {
		const length = 1200
		got := render(t, []mix.Strip{{Name: "v", Source: mix.FromSlice(voice), Start: c.start, GainDB: c.gainDB, Pan: c.pan}}, mix.Options{Length: length, Block: 63})
		for i := range length {
			x := 0.0
			if j := int64(i) - c.start; j >= 0 && j < int64(len(voice)) {
				x = float64(voice[j])
			}
			if math.Abs(float64(got[2*i])-c.l*x) > 1e-7 || math.Abs(float64(got[2*i+1])-c.r*x) > 1e-7 {
				t.Fatalf("start %d: sample %d is %g, %g, want %g, %g", c.start, i, got[2*i], got[2*i+1], c.l*x, c.r*x)
			}
		}
	}
}

// Constant power: cos^2 + sin^2 = 1 all the way.
func TestPanLaw(t *testing.T) {
	for p := -1.0; p <= 1; p += 1.0 / 64 {
		l, r := mix.PanGains(p)
		if math.Abs(l*l+r*r-1) > 1e-15 {
			t.Errorf("pan %g: power %g", p, l*l+r*r)
		}
		r2, l2 := mix.PanGains(-p)
		if math.Abs(l-l2) > 1e-15 || math.Abs(r-r2) > 1e-15 {
			t.Errorf("pan %g does not mirror", p)
		}
	}
	if l, _ := mix.PanGains(0); math.Abs(20*math.Log10(l)+3.0103) > 1e-4 {
		t.Errorf("centre is %g dB, want -3.01", 20*math.Log10(l))
	}
}

// The master gain scales and nothing else; a voice and its negative cancel.
func TestNull(t *testing.T) {
	voice := noise(4, 3000)
	neg := make([]float32, len(voice))
	for i, v := range voice {
		neg[i] = -v
	}
	out := render(t, []mix.Strip{
		{Source: mix.FromSlice(voice), Start: 11, Pan: 0.3, Chain: mix.Chain{HighPassHz: 80}},
		{Source: mix.FromSlice(neg), Start: 11, Pan: 0.3, Chain: mix.Chain{HighPassHz: 80}},
	}, mix.Options{Length: 4000, MasterGainDB: 12})
	for i, v := range out {
		if v != 0 {
			t.Fatalf("value %d is %g, want 0", i, v)
		}
	}
}

// Butterworth: -3.01 dB at the corner, -12.3 dB an octave below (analogue),
// close to 0 dB a decade above.
func TestHighPass(t *testing.T) {
	for _, c := range []struct{ hz, wantDB, tol float64 }{{100, -3.0103, 0.01}, {50, -12.30, 0.05}, {1000, 0, 0.01}} {
		const n = 48000
		x := make([]float32, 2*n)
		for i := range x {
			x[i] = float32(0.5 * math.Sin(2*math.Pi*c.hz*float64(i)/48000))
		}
		out := render(t, []mix.Strip{{Source: mix.FromSlice(x), Pan: -1, Chain: mix.Chain{HighPassHz: 100}}}, mix.Options{Length: 2 * n})
		sum := 0.0
		for i := n; i < 2*n; i++ {
			sum += float64(out[2*i]) * float64(out[2*i])
		}
		if got := 10 * math.Log10(sum/n/0.125); math.Abs(got-c.wantDB) > c.tol {
			t.Errorf("%g Hz through a high-pass of 100 Hz: %.3f dB, want %.3f", c.hz, got, c.wantDB)
		}
	}
}

// broken gives good samples, then something that breaks the contract.
type broken struct {
	good int
	n    func(asked int) int
	err  error
	fill float32
}

func (b *broken) Read(dst []float32) (int, error) {
	if b.good > 0 {
		n := min(b.good, len(dst))
		b.good -= n
		if n == len(dst) {
			return n, nil
		}
	}
	for i := range dst {
		dst[i] = b.fill
	}
	return b.n(len(dst)), b.err
}

func TestAFailingLayerFailsTheMix(t *testing.T) {
	whole := func(n int) int { return n }
	half := func(n int) int { return n / 2 }
	none := func(int) int { return 0 }
	for name, src := range map[string]mix.Source{
		"error":           &broken{1000, none, errors.New("the disk is gone"), 0},
		"error with data": &broken{1000, whole, errors.New("the disk is gone"), 0},
		"cut off":         &broken{1000, half, io.ErrUnexpectedEOF, 0},
		"short":           &broken{1000, half, nil, 0},
		"too much":        &broken{1000, func(n int) int { return n + 1 }, nil, 0},
		"negative":        &broken{1000, func(int) int { return -1 }, nil, 0},
		"NaN":             &broken{1000, whole, nil, float32(math.NaN())},
		"infinite":        &broken{1000, whole, nil, float32(math.Inf(-1))},
	} {
		for _, start := range []int64{0, -50000} {
			strips := []mix.Strip{{Name: "ok", Source: mix.FromSlice(noise(1, 99))}, {Name: "low brass", Source: src, Start: start}}
			err := mix.Render(context.Background(), mix.Desk{Strips: strips}, mix.Options{Length: 60000, Block: 512}, func([]float32) error { return nil }, nil)
			if err == nil || !strings.Contains(err.Error(), `"low brass"`) {
				t.Errorf("%s, start %d: error %v, want one that names the layer", name, start, err)
			}
		}
	}
	err := mix.Render(context.Background(), mix.Desk{Strips: []mix.Strip{{Name: "x", Source: &broken{0, none, fault.New(fault.Missing, "take 3 is not there"), 0}}}}, mix.Options{Length: 10}, func([]float32) error { return nil }, nil)
	if fault.KindOf(err) != fault.Missing {
		t.Errorf("the kind of the cause is lost: %v", err)
	}
}

func TestMutedLayersAreNotRead(t *testing.T) {
	out := render(t, []mix.Strip{{Name: "m", Mute: true}, {Name: "n", Mute: true, Source: &broken{0, func(int) int { return 0 }, errors.New("x"), 0}}}, mix.Options{Length: 100})
	if len(out) != 200 {
		t.Errorf("%d values", len(out))
	}
}

func TestRefusals(t *testing.T) {
	src := func() mix.Source { return mix.FromSlice(nil) }
	nan := math.NaN()
	for _, s := range []mix.Strip{
		{Source: src(), GainDB: nan}, {Source: src(), GainDB: math.Inf(1)}, {Source: src(), GainDB: 61}, {Source: src(), Pan: 1.01}, {Source: src(), Pan: nan},
		{Source: src(), Chain: mix.Chain{HighPassHz: -1}}, {Source: src(), Chain: mix.Chain{HighPassHz: 24000}}, {Source: src(), Chain: mix.Chain{HighPassHz: nan}}, {Source: src(), Start: math.MinInt64}, {},
	} {
		if err := mix.Render(context.Background(), mix.Desk{Strips: []mix.Strip{s}}, mix.Options{Length: 1}, nil, nil); fault.KindOf(err) != fault.Usage {
			t.Errorf("strip %+v: %v", s, err)
		}
	}
	for _, o := range []mix.Options{{}, {Length: -1}, {Length: 1 << 60}, {Length: 1, Block: -1}, {Length: 1, Block: 1 << 21}, {Length: 1, SampleRate: 1}, {Length: 1, MasterGainDB: nan}} {
		if err := mix.Render(context.Background(), mix.Desk{}, o, nil, nil); fault.KindOf(err) != fault.Usage {
			t.Errorf("options %+v: %v", o, err)
		}
	}
	loud := []float32{math.MaxFloat32}
	if err := mix.Render(context.Background(), mix.Desk{Strips: []mix.Strip{{Source: mix.FromSlice(loud), GainDB: 60}}}, mix.Options{Length: 1}, func([]float32) error { return nil }, nil); fault.KindOf(err) != fault.OverLimit {
		t.Errorf("a sum past float32: %v", err)
	}
}

func TestStopAndSinkErrors(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	blocks := 0
	err := mix.Render(ctx, mix.Desk{Strips: band()}, mix.Options{Length: 100000}, func([]float32) error {
		if blocks++; blocks == 2 {
			stop()
		}
		return nil
	}, nil)
	if fault.KindOf(err) != fault.Interrupted || !errors.Is(err, context.Canceled) || blocks != 2 {
		t.Errorf("after %d blocks: %v", blocks, err)
	}
	full := errors.New("full")
	if err := mix.Render(context.Background(), mix.Desk{Strips: band()}, mix.Options{Length: 100}, func([]float32) error { return full }, nil); !errors.Is(err, full) {
		t.Errorf("the sink's error became %v", err)
	}
}

func TestProgressReachesTheEnd(t *testing.T) {
	last, calls := int64(0), 0
	_ = mix.Render(context.Background(), mix.Desk{Strips: band()}, mix.Options{Length: 10000, Block: 1000}, func([]float32) error { return nil }, func(done, total int64) {
		if calls++; total != 10000 || done <= last {
			t.Errorf("progress %d of %d after %d", done, total, last)
		}
		last = done
	})
	if last != 10000 || calls != 10 {
		t.Errorf("progress ended at %d after %d calls", last, calls)
	}
}

func TestSourcesKeepTheContract(t *testing.T) {
	voice := noise(8, 4096*2)
	mixtest.CheckSource(t, func() (mix.Source, error) { return mix.FromSlice(voice), nil }, voice)
	mixtest.CheckSource(t, func() (mix.Source, error) { return mix.FromSlice(nil), nil }, []float32{})
	for _, n := range []int{0, 1, 5, 240, 239, 241, 480, 5000} {
		ones := make([]float32, n)
		for i := range ones {
			ones[i] = 1
		}
		for _, fade := range []int{0, 1, 240} {
			want := make([]float32, n)
			for i := range want {
				g := 1.0
				if i < fade {
					g = math.Sin(math.Pi / 2 * (float64(i) + 0.5) / float64(fade))
				}
				if left := n - i; left <= fade {
					g *= math.Sin(math.Pi / 2 * (float64(left) - 0.5) / float64(fade))
				}
				want[i] = float32(g)
			}
			mixtest.CheckSource(t, func() (mix.Source, error) { return mix.FadeEdges(mix.FromSlice(ones), fade) }, want)
		}
	}
	if _, err := mix.FadeEdges(mix.FromSlice(nil), -1); err == nil {
		t.Error("a fade of -1 samples was taken")
	}
	bad, _ := mix.FadeEdges(&broken{10, func(n int) int { return n / 2 }, nil, 0}, 4)
	if _, err := bad.Read(make([]float32, 100)); err == nil || err == io.EOF {
		t.Errorf("a short read below a fade: %v", err)
	}
}

// recorder counts what CheckSource complains of.
type recorder struct{ complaints int }

func (r *recorder) Helper()               {}
func (r *recorder) Errorf(string, ...any) { r.complaints++ }
func (r *recorder) Fatalf(string, ...any) { r.complaints++; panic(r) }

// The checker itself must see a broken source.
func TestCheckSourceSees(t *testing.T) {
	for name, src := range map[string]func() mix.Source{
		"short":           func() mix.Source { return &broken{10, func(n int) int { return n / 2 }, nil, 0} },
		"never at end":    func() mix.Source { return &broken{10, func(n int) int { return n - n/2 }, io.EOF, 0} },
		"NaN":             func() mix.Source { return &broken{0, func(n int) int { return n }, io.EOF, float32(math.NaN())} },
		"other per block": func() mix.Source { return &broken{0, func(n int) int { return 1 }, io.EOF, 0.5} },
	} {
		r := &recorder{}
		func() {
			defer func() { _ = recover() }()
			mixtest.CheckSource(r, func() (mix.Source, error) { return src(), nil }, nil)
		}()
		if r.complaints == 0 {
			t.Errorf("%s: the checker saw nothing", name)
		}
	}
}

func benchRender(b *testing.B, layers int, hp float64) {
	const length = 48000 * 10
	voice := noise(1, length)
	b.ResetTimer()
	for range b.N {
		var s []mix.Strip
		for i := range layers {
			s = append(s, mix.Strip{Source: mix.FromSlice(voice), Pan: float64(i%3) - 1, Chain: mix.Chain{HighPassHz: hp}})
		}
		if err := mix.Render(context.Background(), mix.Desk{Strips: s}, mix.Options{Length: length}, func([]float32) error { return nil }, nil); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(10*float64(b.N)/b.Elapsed().Seconds(), "x-realtime")
}

func Benchmark32Layers(b *testing.B)         { benchRender(b, 32, 0) }
func Benchmark32LayersHighPass(b *testing.B) { benchRender(b, 32, 80) }
func Benchmark256Layers(b *testing.B)        { benchRender(b, 256, 0) }
