package dsp

import (
	"math"
	"math/cmplx"
	"slices"
	"testing"

	"cuechoir/internal/fault"
)

type designed struct {
	c   Coefficients
	err error
}

func design(c Coefficients, err error) designed { return designed{c, err} }

func (d designed) must(t testing.TB) Coefficients {
	t.Helper()
	if d.err != nil {
		t.Fatal(d.err)
	}
	return d.c
}

// The revised low-frequency B-curve of ITU-R BS.1770-4, Table 2: a high-pass
// at 38.135470876 Hz with Q 0.5003270373 (values found by several public
// implementations) has exactly the published feedback coefficients.
func TestHighpassIsThatOfBS1770(t *testing.T) {
	c := design(Highpass(38.13547087602444, 0.5003270373238773, 48000)).must(t)
	if math.Abs(c.A1+1.99004745483398) > 1e-12 || math.Abs(c.A2-0.99007225036621) > 1e-12 {
		t.Errorf("a1 %.14f, a2 %.14f; published -1.99004745483398, 0.99007225036621", c.A1, c.A2)
	}
}

// The cookbook's analogue prototypes H(s), s in units of the named frequency,
// with the axis bent as the bilinear transform does: s = j·tan(w/2)/tan(w0/2).
func TestCookbookIsItsPrototypes(t *testing.T) {
	const rate, hz, q, gain = 44100.0, 2200.0, 0.9, 8.0
	a := math.Pow(10, gain/40)
	root := math.Sqrt(a)
	// Each is (n2·s² + n1·s + n0)/(d2·s² + d1·s + d0).
	for _, c := range []struct {
		name                   string
		d                      designed
		n2, n1, n0, d2, d1, d0 float64
	}{
		{"low-pass", design(Lowpass(hz, q, rate)), 0, 0, 1, 1, 1 / q, 1},
		{"high-pass", design(Highpass(hz, q, rate)), 1, 0, 0, 1, 1 / q, 1},
		{"band-pass", design(Bandpass(hz, q, rate)), 0, 1 / q, 0, 1, 1 / q, 1},
		{"notch", design(Notch(hz, q, rate)), 1, 0, 1, 1, 1 / q, 1},
		{"peak", design(Peaking(hz, q, gain, rate)), 1, a / q, 1, 1, 1 / (a * q), 1},
		{"low shelf", design(LowShelf(hz, q, gain, rate)), a, a * root / q, a * a, a, root / q, 1},
		{"high shelf", design(HighShelf(hz, q, gain, rate)), a * a, a * root / q, a, 1, root / q, a},
	} {
		for _, f := range []float64{20, 500, 2000, hz, 2500, 7000, 15000, 21000} {
			s := complex(0, math.Tan(math.Pi*f/rate)/math.Tan(math.Pi*hz/rate))
			r := func(x float64) complex128 { return complex(x, 0) }
			want := (r(c.n2)*s*s + r(c.n1)*s + r(c.n0)) / (r(c.d2)*s*s + r(c.d1)*s + r(c.d0))
			if got := c.d.must(t).Response(f, rate); cmplx.Abs(got-want) > 1e-9*(1+cmplx.Abs(want)) {
				t.Errorf("%s at %.0f Hz: %v, want %v", c.name, f, got, want)
			}
		}
	}
}

// What the cookbook promises of each filter at the places that define it.
func TestCookbookAtItsOwnPoints(t *testing.T) {
	const rate = 48000.0
	for _, c := range []struct {
		name string
		d    designed
		want map[float64]float64 // Hz: dB
	}{
		{"low-pass", design(Lowpass(1000, math.Sqrt2/2, rate)), map[float64]float64{0: 0, 1000: -3.0103}},
		{"low-pass, Q 2", design(Lowpass(1000, 2, rate)), map[float64]float64{0: 0, 1000: 6.0206}},
		{"high-pass", design(Highpass(1000, math.Sqrt2/2, rate)), map[float64]float64{1000: -3.0103, 24000: 0}},
		{"band-pass", design(Bandpass(1000, 5, rate)), map[float64]float64{1000: 0}},
		{"notch", design(Notch(1000, 5, rate)), map[float64]float64{0: 0, 24000: 0}},
		{"peak", design(Peaking(3000, 1.4, 7.5, rate)), map[float64]float64{0: 0, 3000: 7.5, 24000: 0}},
		{"dip", design(Peaking(3000, 1.4, -12, rate)), map[float64]float64{0: 0, 3000: -12, 24000: 0}},
		{"low shelf", design(LowShelf(200, 0.7, 6, rate)), map[float64]float64{0: 6, 200: 3, 24000: 0}},
		{"high shelf", design(HighShelf(8000, 0.7, -9, rate)), map[float64]float64{0: 0, 8000: -4.5, 24000: -9}},
	} {
		for hz, want := range c.want {
			if got := c.d.must(t).GainDB(hz, rate); math.Abs(got-want) > 1e-4 {
				t.Errorf("%s at %.0f Hz: %.5f dB, want %.5f", c.name, hz, got, want)
			}
		}
	}
	if g := design(Notch(1000, 5, rate)).must(t).GainDB(1000, rate); g > -200 {
		t.Errorf("the notch leaves %.1f dB of its frequency", g)
	}
	// Band-pass: the -3 dB points lie hz/q apart (analogue; narrow enough here).
	bp := design(Bandpass(1000, 10, rate)).must(t)
	low, high := 1000*(math.Sqrt(1+1/400.0)-1/20.0), 1000*(math.Sqrt(1+1/400.0)+1/20.0)
	for _, hz := range []float64{low, high} {
		if g := bp.GainDB(hz, rate); math.Abs(g+3.01) > 0.05 {
			t.Errorf("band-pass at %.1f Hz: %.3f dB, want -3.01", hz, g)
		}
	}
}

// The Butterworth magnitude with the frequency axis bent by the bilinear
// transform: |H|^2 = 1/(1 + (tan(pi f/fs)/tan(pi fc/fs))^(2N)).
func TestButterworthIsTheFormula(t *testing.T) {
	const rate, fc = 48000.0, 1500.0
	for order := 1; order <= MaxButterworthOrder; order++ {
		low, err := ButterworthLowpass(order, fc, rate)
		if err != nil {
			t.Fatal(err)
		}
		high, err := ButterworthHighpass(order, fc, rate)
		if err != nil {
			t.Fatal(err)
		}
		for _, hz := range []float64{200, 1000, fc, 2000, 6000} {
			ratio := math.Tan(math.Pi*hz/rate) / math.Tan(math.Pi*fc/rate)
			for _, c := range []struct {
				name  string
				chain []Coefficients
				want  float64
			}{
				{"low", low, -10 * math.Log10(1+math.Pow(ratio, float64(2*order)))},
				{"high", high, -10 * math.Log10(1+math.Pow(ratio, float64(-2*order)))},
			} {
				got := 0.0
				for _, s := range c.chain {
					got += s.GainDB(hz, rate)
				}
				if math.Abs(got-c.want) > 1e-7*(1+math.Abs(c.want)) {
					t.Errorf("%s-pass of order %d at %.0f Hz: %.9f dB, want %.9f", c.name, order, hz, got, c.want)
				}
			}
		}
	}
}

// The old mono optical curve by two second-order filters: figures computed
// outside of this program, one decimal.
func TestOpticalCurve(t *testing.T) {
	low := design(Lowpass(2950, math.Sqrt2/2, 48000)).must(t)
	high := design(Highpass(56.6, math.Sqrt2/2, 48000)).must(t)
	for hz, want := range map[float64]float64{1600: -0.35, 5000: -10.0, 8000: -18.9, 40: -7.0, 100: -0.4} {
		if got := low.GainDB(hz, 48000) + high.GainDB(hz, 48000); math.Abs(got-want) > 0.06 {
			t.Errorf("%.0f Hz: %.2f dB, want %.2f", hz, got, want)
		}
	}
}

// What Process does to an impulse has the spectrum that Response promises.
func TestProcessIsTheResponse(t *testing.T) {
	const n = 8192
	c := design(Peaking(2500, 1, 9, 48000)).must(t)
	b64, b32 := Biquad{Coefficients: c}, Biquad{Coefficients: c}
	x := make([]float64, n)
	x[0] = 1
	y := make([]float32, n)
	y[0] = 1
	for at, size := 0, 1; at < n; at, size = at+size, size*2+1 { // blocks of odd sizes
		end := min(n, at+size)
		b64.Process64(x[at:end])
		b32.Process(y[at:end])
	}
	for i := range x {
		if math.Abs(x[i]-float64(y[i])) > 1e-7 {
			t.Fatalf("sample %d: %v by 64 bits, %v by 32", i, x[i], y[i])
		}
	}
	f := plan(t, n)
	s := make([]complex128, f.Bins())
	f.Forward(s, x)
	for k, got := range s {
		if want := c.Response(float64(k)*48000/n, 48000); cmplx.Abs(got-want) > 1e-10 {
			t.Fatalf("bin %d: %v, want %v", k, got, want)
		}
	}
	b64.Reset()
	zero := []float64{0, 0}
	if b64.Process64(zero); !slices.Equal(zero, []float64{0, 0}) {
		t.Errorf("after Reset a filter rings: %v", zero)
	}
}

// A NaN harms its own block only, and a long silence ends in true zeros.
func TestBiquadRecovers(t *testing.T) {
	b := Biquad{Coefficients: design(Lowpass(100, 0.7, 48000)).must(t)}
	b.Process([]float32{float32(math.NaN()), 1})
	x := []float32{0.5, 0.5}
	if b.Process(x); x[0] != x[0] || x[1] == 0 {
		t.Errorf("after a NaN: %v", x)
	}
	silence := make([]float32, 480)
	for range 300 {
		clear(silence)
		b.Process(silence)
	}
	if b.s1 != 0 || b.s2 != 0 {
		t.Errorf("after three seconds of silence the state is %g, %g", b.s1, b.s2)
	}
}

func TestFiltersRefuseWhatCannotWork(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, p := range [][3]float64{
		{0, 1, 48000}, {24000, 1, 48000}, {-5, 1, 48000}, {nan, 1, 48000}, {inf, 1, inf},
		{100, 0, 48000}, {100, nan, 48000}, {100, -1, 48000}, {100, 1, 0}, {100, 1, nan},
	} {
		for name, f := range map[string]func(hz, q, rate float64) (Coefficients, error){
			"Lowpass": Lowpass, "Highpass": Highpass, "Bandpass": Bandpass, "Notch": Notch,
		} {
			if _, err := f(p[0], p[1], p[2]); fault.KindOf(err) != fault.Usage {
				t.Errorf("%s(%v): error %v, want a Usage error", name, p, err)
			}
		}
	}
	for _, gain := range []float64{61, -61, nan, inf} {
		if _, err := Peaking(100, 1, gain, 48000); fault.KindOf(err) != fault.Usage {
			t.Errorf("Peaking by %v dB: error %v", gain, err)
		}
	}
	for _, order := range []int{0, -1, MaxButterworthOrder + 1} {
		if _, err := ButterworthLowpass(order, 100, 48000); fault.KindOf(err) != fault.Usage {
			t.Errorf("order %d: error %v", order, err)
		}
	}
	if _, err := ButterworthHighpass(1, 30000, 48000); fault.KindOf(err) != fault.Usage {
		t.Errorf("order 1 above half the rate: error %v", err)
	}
}

func BenchmarkBiquad(b *testing.B) {
	c, err := Peaking(2500, 1, 9, 48000)
	if err != nil {
		b.Fatal(err)
	}
	f := Biquad{Coefficients: c}
	x := make([]float32, 4096)
	b.SetBytes(4 * 4096)
	for b.Loop() {
		f.Process(x)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4096, "ns/sample")
}
