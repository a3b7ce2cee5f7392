package voice

import (
	"math"
	"math/cmplx"
	"slices"
	"testing"

	"cuechoir/engine/pitch"
	"cuechoir/internal/dsp"
	"cuechoir/internal/singer"
)

// What the tests measure by: none of it is used by the code it judges.

// lpcFormants are the resonances of x, Hz, rising: linear prediction by the
// autocorrelation method at 10 kHz (Markel & Gray 1976), order 12, on frames
// of 50 ms, averaged over the frames' autocorrelations; the roots' angles with
// bandwidths under 600 Hz.
func lpcFormants(t testing.TB, x []float32, sr int) []float64 {
	t.Helper()
	const low, order = 10000, 12
	y, err := dsp.Resample(x, sr, low)
	if err != nil {
		t.Fatal(err)
	}
	var r [order + 1]float64
	const size = low / 20
	w := dsp.Hann(size)
	frame := make([]float64, size)
	for from := 1; from+size <= len(y); from += size / 2 {
		for i := range frame {
			frame[i] = w[i] * (float64(y[from+i]) - 0.97*float64(y[from+i-1]))
		}
		for k := range r {
			for i := k; i < size; i++ {
				r[k] += frame[i] * frame[i-k]
			}
		}
	}
	a := [order + 1]float64{1} // Levinson and Durbin
	e := r[0] * (1 + 1e-9)
	for i := 1; i <= order; i++ {
		k := r[i]
		for j := 1; j < i; j++ {
			k += a[j] * r[i-j]
		}
		k /= -e
		b := a
		for j := 1; j < i; j++ {
			a[j] = b[j] + k*b[i-j]
		}
		a[i] = k
		e *= 1 - k*k
	}
	var out []float64
	for _, z := range roots(a[:]) {
		hz := cmplx.Phase(z) * low / (2 * math.Pi)
		width := -math.Log(cmplx.Abs(z)) * low / math.Pi
		if hz > 90 && hz < low/2-200 && width < 600 {
			out = append(out, hz)
		}
	}
	for i := range out { // few: by insertion
		for j := i; j > 0 && out[j] < out[j-1]; j-- {
			out[j], out[j-1] = out[j-1], out[j]
		}
	}
	return out
}

// roots of a monic polynomial, all at once (Durand 1960, Kerner 1966).
func roots(a []float64) []complex128 {
	n := len(a) - 1
	z := make([]complex128, n)
	for i := range z {
		z[i] = cmplx.Pow(complex(0.4, 0.9), complex(float64(i), 0))
	}
	for range 500 {
		for i := range z {
			p, q := complex(1, 0), complex(1, 0)
			for k := 1; k <= n; k++ {
				p = p*z[i] + complex(a[k], 0)
			}
			for j := range z {
				if j != i {
					q *= z[i] - z[j]
				}
			}
			z[i] -= p / q
		}
	}
	return z
}

// nearestTo is the value nearest to hz.
func nearestTo(v []float64, hz float64) float64 {
	best := math.NaN()
	for _, f := range v {
		if !(math.Abs(f-hz) >= math.Abs(best-hz)) {
			best = f
		}
	}
	return best
}

// bandDB are the levels of a frame of 2048 samples in bands 600 Hz wide (Hann),
// 200 Hz apart, 200 Hz to 7 kHz, dB: wider than the partials of any note
// judged by them lie apart, so they show the formants alone. x has 48 kHz.
func bandDB(t testing.TB, x []float32, from int) []float64 {
	power := spectrum(t, x, from)
	const bin = rate / 2048.0
	var out []float64
	for hz := 200.0; hz < 7000; hz += 200 {
		sum := 1e-12
		for k := max(1, int((hz-600)/bin)); k <= int((hz+600)/bin); k++ {
			d := (float64(k)*bin - hz) / 600
			if math.Abs(d) < 1 {
				sum += power[k] * (0.5 + 0.5*math.Cos(math.Pi*d))
			}
		}
		out = append(out, 10*math.Log10(sum))
	}
	return floored(out)
}

// floored lifts what is deeper than 60 dB under the peak.
func floored(db []float64) []float64 {
	top := slices.Max(db)
	for k := range db {
		db[k] = max(db[k], top-60)
	}
	return db
}

// spectrum is the power of 2048 samples under a Hann window.
func spectrum(t testing.TB, x []float32, from int) []float64 {
	t.Helper()
	const size = 2048
	f, err := dsp.NewRealFFT(size)
	if err != nil {
		t.Fatal(err)
	}
	w, frame, bins := dsp.Hann(size), make([]float64, size), make([]complex128, f.Bins())
	for i := range frame {
		frame[i] = w[i] * float64(x[from+i])
	}
	f.Forward(bins, frame)
	out := make([]float64, len(bins))
	for k, b := range bins {
		out[k] = real(b)*real(b) + imag(b)*imag(b)
	}
	return out
}

// binDB is the log spectrum of a frame, dB, 80 Hz to 6 kHz, no deeper than
// 60 dB under its peak.
func binDB(t testing.TB, x []float32, from int) []float64 {
	power := spectrum(t, x, from)
	var out []float64
	for k := 80 * 2048 / rate; k <= 6000*2048/rate; k++ {
		out = append(out, 10*math.Log10(power[k]+1e-20))
	}
	return floored(out)
}

// logSpectral is the log-spectral distance in dB (Gray & Markel 1976): the rms
// difference of level over the parts of the spectrum, averaged over frames,
// the mean level of both made equal.
func logSpectral(t testing.TB, x, y []float32, spectrum func(testing.TB, []float32, int) []float64, from, to int) float64 {
	t.Helper()
	sum, frames := 0.0, 0
	gain, count := 0.0, 0.0
	type pair struct{ a, b []float64 }
	var all []pair
	for at := from; at+2048 <= to; at += 2048 {
		p := pair{spectrum(t, x, at), spectrum(t, y, at)}
		all = append(all, p)
		for i := range p.a {
			gain += p.b[i] - p.a[i]
			count++
		}
	}
	gain /= count
	for _, p := range all {
		d := 0.0
		for i := range p.a {
			e := p.b[i] - p.a[i] - gain
			d += e * e
		}
		sum += math.Sqrt(d / float64(len(p.a)))
		frames++
	}
	return sum / float64(frames)
}

var voiceOf = singer.Voice{Seed: 9, SampleRate: rate, Breath: 0.03}

// sing is one long note.
func sing(key float64, vowel string, seconds float64, vibrato float64) []float32 {
	return voiceOf.Sing(sungNotes(key, vowel, seconds, vibrato), 0, int64((seconds+0.5)*rate))
}

func sungNotes(key float64, vowel string, seconds, vibrato float64) []singer.Note {
	n := singer.Note{Start: rate / 5, Length: int64(seconds * rate), Key: key, Vowel: vowel}
	if vibrato > 0 {
		n.VibratoHz, n.VibratoCents = 5.5, vibrato
	}
	return []singer.Note{n}
}

func listen(t testing.TB, x []float32) *Sung {
	t.Helper()
	s, err := Listen(x, rate)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func render(t testing.TB, s *Sung, e Edits) []float32 {
	t.Helper()
	y, err := s.Render(e)
	if err != nil {
		t.Fatal(err)
	}
	if len(y) != len(s.x) {
		t.Fatalf("%d samples became %d", len(s.x), len(y))
	}
	return y
}

// centre is the note in x, which is about so many cents high.
func centre(t testing.TB, x []float32, about float64) pitch.Note {
	t.Helper()
	frames, err := pitch.Track(x, rate, pitch.Options{MinHz: min(pitch.DefaultMinHz, pitch.Hz(about-300))})
	if err != nil {
		t.Fatal(err)
	}
	n, ok := pitch.Measure(frames, rate)
	if !ok {
		t.Fatal("no note is heard")
	}
	return n
}
