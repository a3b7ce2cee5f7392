package singer

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/internal/reftool"
)

func mustSay(t *testing.T, name string, sampleRate int, pace float64) Spoken {
	t.Helper()
	s, err := Say(name, sampleRate, pace)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The stressed onset is where the sound between 300 and 3000 Hz (a vowel's
// body) or above (a plosive's burst) first comes near its height, within a
// millisecond; a fricative, a nasal or a glide before it stays below.
func TestStressIsWhereTheSoundRises(t *testing.T) {
	latest := 0.0
	for _, name := range Words() {
		for _, pace := range []float64{1, 0.6} {
			for _, sr := range []int{44100, 48000} {
				s := mustSay(t, name, sr, pace)
				x := make([]float64, len(s.Samples))
				for i, v := range s.Samples {
					x[i] = float64(v)
				}
				if words[name].phones[words[name].stress].burst {
					x = above(x, 1000, float64(sr))
				} else {
					x = below(above(x, 300, float64(sr)), 2000, float64(sr))
				}
				top := 0.0
				for _, v := range x[s.Stress:min(len(x), s.Stress+sr*60/1000)] {
					top = max(top, math.Abs(v))
				}
				first := 0
				for first < len(x) && math.Abs(x[first]) < 0.4*top {
					first++
				}
				ms := float64(first-s.Stress) / float64(sr) * 1000
				latest = max(latest, ms)
				if ms < 0 || ms > 1 {
					t.Errorf("%s at pace %g, %d Hz: the sound rises %.2f ms after the stress", name, pace, sr, ms)
				}
			}
		}
	}
	t.Logf("the latest rises %.2f ms after its stress", latest)
}

// above and below are one-pole filters, run twice.
func above(x []float64, hz, sr float64) []float64 {
	low := below(x, hz, sr)
	out := make([]float64, len(x))
	for i := range x {
		out[i] = x[i] - low[i]
	}
	return out
}

func below(x []float64, hz, sr float64) []float64 {
	a := 1 - math.Exp(-2*math.Pi*hz/sr)
	out := make([]float64, len(x))
	y, z := 0.0, 0.0
	for i, v := range x {
		y += a * (v - y)
		z += a * (y - z)
		out[i] = z
	}
	return out
}

// The formants that linear prediction hears in the words are those of the
// vowels that English has there: averages of men, Peterson & Barney 1952.
func TestWordsHaveTheirVowels(t *testing.T) {
	for _, c := range []struct {
		word  string
		ms    float64 // after the stressed onset
		vowel string
	}{
		{"one", 60, "uh"}, {"two", 230, "u"}, {"three", 120, "i"}, {"four", 60, "o"}, {"five", 50, "a"}, {"five", 180, "ih"},
		{"six", 45, "ih"}, {"seven", 50, "e"}, {"eight", 30, "e"}, {"eight", 140, "i"}, {"nine", 50, "a"}, {"ten", 110, "e"},
		{"eleven", 50, "e"}, {"twelve", 140, "e"},
	} {
		const sr = 10000
		s := mustSay(t, c.word, sr, 1)
		at := s.Stress + int(c.ms*sr/1000)
		got := formantsOf(s.Samples[at-150:at+150], sr)
		want := vowels[c.vowel]
		if len(got) < 2 || math.Abs(got[0]/want[0]-1) > 0.25 || math.Abs(got[1]/want[1]-1) > 0.22 {
			t.Errorf("%s at %g ms: formants %.0f Hz, want about %.0f", c.word, c.ms, got, want[:2])
		}
	}
}

// formantsOf are the peaks of the spectrum of a linear prediction of order 12
// (autocorrelation and Levinson's recursion: Markel & Gray 1976).
func formantsOf(x []float32, sr int) []float64 {
	const order = 12
	w := make([]float64, len(x))
	for i := 1; i < len(x); i++ {
		w[i] = (float64(x[i]) - 0.97*float64(x[i-1])) * (0.54 - 0.46*math.Cos(2*math.Pi*float64(i)/float64(len(x)-1)))
	}
	var r [order + 1]float64
	for k := range r {
		for i := k; i < len(w); i++ {
			r[k] += w[i] * w[i-k]
		}
	}
	a := [order + 1]float64{1}
	e := r[0]
	for m := 1; m <= order; m++ {
		k := r[m]
		for i := 1; i < m; i++ {
			k += a[i] * r[m-i]
		}
		k /= -e
		b := a
		for i := 1; i <= m; i++ {
			b[i] = a[i] + k*a[m-i]
		}
		a, e = b, e*(1-k*k)
	}
	gain := func(hz float64) float64 {
		re, im := 0.0, 0.0
		for k, v := range a {
			p := 2 * math.Pi * hz * float64(k) / float64(sr)
			re, im = re+v*math.Cos(p), im-v*math.Sin(p)
		}
		return 1 / (re*re + im*im)
	}
	var peaks []float64
	for hz := 150.0; hz < 3500; hz += 10 {
		if gain(hz) > gain(hz-10) && gain(hz) >= gain(hz+10) {
			peaks = append(peaks, hz)
		}
	}
	return peaks
}

func TestSayKeepsItsBounds(t *testing.T) {
	for _, name := range Words() {
		whole, fast := mustSay(t, name, rate, 1), mustSay(t, name, rate, 0.5)
		if n, m := len(whole.Samples), len(fast.Samples); n > rate*7/10 || m > n*2/3 {
			t.Errorf("%s has %d samples, %d in haste", name, n, m)
		}
		top := float32(0)
		for _, v := range whole.Samples {
			top = max(top, v, -v)
		}
		if top != 1 {
			t.Errorf("%s peaks at %g", name, top)
		}
		if end := whole.Samples[len(whole.Samples)-1]; math.Abs(float64(end)) > 1e-3 {
			t.Errorf("%s ends at %g, not in silence", name, end)
		}
	}
	for n := 1; n <= 12; n++ {
		w, ok := NumberWord(n)
		if _, known := words[w]; !ok || !known {
			t.Errorf("there is no word for %d", n)
		}
	}
	for _, n := range []int{0, 13, -1} {
		if w, ok := NumberWord(n); ok {
			t.Errorf("%d is said as %q", n, w)
		}
	}
	for _, f := range []func() (Spoken, error){
		func() (Spoken, error) { return Say("thirteen", rate, 1) },
		func() (Spoken, error) { return Say("one", rate, 0.3) },
		func() (Spoken, error) { return Say("one", rate, math.NaN()) },
		func() (Spoken, error) { return Say("one", 100, 1) },
	} {
		if _, err := f(); err == nil {
			t.Error("what cannot be said was said")
		}
	}
}

// A recogniser made for people's voices tells each word from 24 others, at an
// easy pace and in haste. Homophones are left out of its list.
func TestAnOutsideRecogniserUnderstands(t *testing.T) {
	program := reftool.Need(t, "pocketsphinx_continuous")
	dir := t.TempDir()
	grammar := filepath.Join(dir, "words.gram")
	others := "zero | no | wait | stop | more | hello | yes | left | right | house | red | green"
	text := "#JSGF V1.0;\ngrammar words;\npublic <word> = " + strings.Join(Words(), " | ") + " | " + others + ";\n"
	if err := os.WriteFile(grammar, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var pcm []byte
	var want []string
	for _, pace := range []float64{1, 0.7} {
		for _, name := range Words() {
			want = append(want, name)
			pcm = append(pcm, roomPCM(mustSay(t, name, 16000, pace))...)
		}
	}
	file := filepath.Join(dir, "said.raw")
	if err := os.WriteFile(file, pcm, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(program, "-infile", file, "-jsgf", grammar, "-logfn", os.DevNull).Output()
	if err != nil {
		t.Fatal(err)
	}
	// One line an utterance; a word that the recogniser cut in two, or did not hear, shows as a difference.
	got := strings.Fields(string(out))
	if strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("heard %q,\nwant  %q", got, want)
	}
}

// roomPCM is 16-bit sound with most of a second of a quiet room before and after:
// the recogniser was made with microphones that are never silent.
func roomPCM(s Spoken) []byte {
	r := rand.New(rand.NewPCG(1, 1))
	var b []byte
	for i := -12000; i < len(s.Samples)+12000; i++ {
		v := r.NormFloat64() * 12
		if i >= 0 && i < len(s.Samples) {
			v += 12000 * float64(s.Samples[i])
		}
		b = binary.LittleEndian.AppendUint16(b, uint16(int16(v)))
	}
	return b
}
