package singer

import (
	"math"
	"math/cmplx"
	"testing"
)

// Nothing that is not a harmonic of C6 is louder than -80 dB against the whole:
// the source does not alias.
func TestNoAliasing(t *testing.T) {
	for _, sr := range []int{16000, 44100, 48000} {
		v := Voice{SampleRate: sr}
		const size = 1 << 16
		notes := []Note{{Length: 100000, Key: 84, Vowel: "i"}}
		x := v.Sing(notes, 20000, size)
		spec := spectrum(x)
		f0 := v.F0(notes, 30000)
		all, other := 0.0, 0.0
		for k := 1; k < size/2; k++ {
			p := real(spec[k])*real(spec[k]) + imag(spec[k])*imag(spec[k])
			all += p
			bins := float64(k)
			h := math.Round(bins * float64(sr) / size / f0)
			if h < 1 || math.Abs(bins-h*f0*size/float64(sr)) > 8 { // the window's main lobe is 4 each side
				other += p
			}
		}
		if db := 10 * math.Log10(other/all); db > -80 { // asked: -50
			t.Errorf("%d Hz: %.1f dB outside the harmonics of C6, want under -80", sr, db)
		} else {
			t.Logf("%d Hz: %.1f dB outside the harmonics of C6", sr, db)
		}
	}
}

// spectrum is the transform under a four-term Blackman-Harris window (Harris 1978).
func spectrum(x []float32) []complex128 {
	y := make([]complex128, len(x))
	for i, s := range x {
		a := 2 * math.Pi * float64(i) / float64(len(x))
		w := 0.35875 - 0.48829*math.Cos(a) + 0.14128*math.Cos(2*a) - 0.01168*math.Cos(3*a)
		y[i] = complex(float64(s)*w, 0)
	}
	inverseFFT(y) // of a real signal: the conjugate of the forward one
	return y
}

// The fast transform equals the plain sum.
func TestInverseFFT(t *testing.T) {
	const n = 64
	x, want := make([]complex128, n), make([]complex128, n)
	for i := range x {
		x[i] = complex((noise{1}).at(int64(i)), (noise{2}).at(int64(i)))
	}
	for i := range want {
		for k, c := range x {
			want[i] += c * cmplx.Exp(complex(0, 2*math.Pi*float64(i*k)/n))
		}
	}
	inverseFFT(x)
	for i := range x {
		if cmplx.Abs(x[i]-want[i]) > 1e-12*n {
			t.Fatalf("bin %d: %v, want %v", i, x[i], want[i])
		}
	}
}

// The series sums to the derivative of Rosenberg's pulse C, away from its jump.
func TestPulseIsRosenbergs(t *testing.T) {
	tab := newTable(tableSize/8, 0)
	for i := range 100 {
		phase := (float64(i) + 0.5) / 100
		at := phase - 1 + openRise + openFall // time in the pulse
		if at < 0 {
			at++
		}
		want := 0.0
		switch {
		case at < openRise:
			want = 0.5 * math.Pi / openRise * math.Sin(math.Pi*at/openRise)
		case at < openRise+openFall:
			want = -math.Pi / (2 * openFall) * math.Sin(math.Pi*(at-openRise)/(2*openFall))
		}
		if phase < 0.02 || phase > 0.98 {
			continue // Gibbs
		}
		if got := tab.at(phase); math.Abs(got-want) > 0.25 {
			t.Errorf("phase %.3f: %.3f, want %.3f", phase, got, want)
		}
	}
}

// Linear prediction of a low sung vowel finds the formants of the table.
func TestFormantPeaks(t *testing.T) {
	const sr = 10000 // Hz: four to five formants
	// Peterson & Barney 1952, table II, men (from memory).
	published := map[string][3]float64{"a": {730, 1090, 2440}, "i": {270, 2290, 3010}, "ae": {660, 1720, 2410},
		"er": {490, 1350, 1690}, "uh": {640, 1190, 2390}}
	for vowel, table := range published {
		v := Voice{Seed: 4, SampleRate: sr}
		notes := []Note{{Length: 2 * sr, Key: 33, Vowel: vowel}} // A1: close harmonics
		x := v.Sing(notes, sr/2, sr)
		want, ok := v.Formants(vowel, 55)
		if !ok {
			t.Fatalf("no vowel %s", vowel)
		}
		if [3]float64(want[:3]) != table {
			t.Errorf("%s: formants %.0f, published %.0f", vowel, want[:3], table)
		}
		peaks := predictedPeaks(x, sr, 12)
		for i, hz := range want[:3] {
			near := math.Inf(1)
			for _, p := range peaks {
				if math.Abs(p-hz) < math.Abs(near-hz) {
					near = p
				}
			}
			if math.Abs(near-hz) > 0.1*hz+20 {
				t.Errorf("%s: formant %d at %.0f Hz, want %.0f (peaks %.0f)", vowel, i+1, near, hz, peaks)
			}
		}
	}
	if _, ok := (Voice{}).Formants("no such vowel", 100); ok {
		t.Error("a vowel that is not there has formants")
	}
}

// predictedPeaks are the maxima of the all-pole envelope (autocorrelation
// method, Levinson-Durbin; Makhoul 1975) after pre-emphasis.
func predictedPeaks(x []float32, sr float64, order int) []float64 {
	y := make([]float64, len(x))
	for i := 1; i < len(x); i++ {
		w := 0.54 - 0.46*math.Cos(2*math.Pi*float64(i)/float64(len(x)))
		y[i] = w * (float64(x[i]) - 0.97*float64(x[i-1]))
	}
	r := make([]float64, order+1)
	for lag := range r {
		for i := lag; i < len(y); i++ {
			r[lag] += y[i] * y[i-lag]
		}
	}
	a, e := make([]float64, order+1), r[0]
	a[0] = 1
	for i := 1; i <= order; i++ {
		k := r[i]
		for j := 1; j < i; j++ {
			k += a[j] * r[i-j]
		}
		k /= -e
		next := append([]float64(nil), a...)
		for j := 1; j <= i; j++ {
			next[j] = a[j] + k*a[i-j]
		}
		a, e = next, e*(1-k*k)
	}
	gain := func(hz float64) float64 {
		s := complex(0, 0)
		for j, c := range a {
			s += complex(c, 0) * cmplx.Exp(complex(0, -2*math.Pi*hz*float64(j)/sr))
		}
		return 1 / cmplx.Abs(s)
	}
	var peaks []float64
	for hz := 100.0; hz < sr/2-100; hz += 5 {
		if g := gain(hz); g > gain(hz-5) && g >= gain(hz+5) {
			peaks = append(peaks, hz)
		}
	}
	return peaks
}

// A soft source falls by SoftDB more an octave, and the vowel is as loud.
func TestSoftSource(t *testing.T) {
	level := func(soft float64) (partials [3]float64, rms float64) {
		v := Voice{SampleRate: rate, SoftDB: soft}
		const size = 1 << 15
		notes := []Note{{Length: 100000, Key: 60, Vowel: "a"}}
		x := v.Sing(notes, 20000, size)
		spec := spectrum(x)
		for i := range partials {
			bin := v.F0(notes, 30000) * math.Exp2(float64(i)) * size / rate
			for k := int(bin) - 6; k < int(bin)+7; k++ {
				partials[i] += real(spec[k])*real(spec[k]) + imag(spec[k])*imag(spec[k])
			}
			partials[i] = 10 * math.Log10(partials[i])
		}
		for _, y := range x {
			rms += float64(y) * float64(y)
		}
		return partials, 10 * math.Log10(rms/size)
	}
	modal, loud := level(0)
	soft, softLoud := level(9)
	for i := 1; i < 3; i++ { // the second and the fourth partial, against the first
		fell := (modal[i] - modal[0]) - (soft[i] - soft[0])
		if math.Abs(fell-9*float64(i)) > 0.2 {
			t.Errorf("partial %g is %.2f dB weaker, want %d", math.Exp2(float64(i)), fell, 9*i)
		}
	}
	if math.Abs(loud-softLoud) > 0.1 || math.Abs(loud-NominalDBFS) > 0.5 {
		t.Errorf("%.2f dBFS, soft %.2f", loud, softLoud)
	}
}
