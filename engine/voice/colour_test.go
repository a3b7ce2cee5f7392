package voice

import (
	"math"
	"slices"
	"strings"
	"testing"

	"cuechoir/internal/singer"
)

func colour(t testing.TB, lines ...string) Colour {
	t.Helper()
	c, err := ParseColour(lines)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func apply(t testing.TB, c Colour, x []float32, sr int) []float32 {
	t.Helper()
	y, err := c.Apply(x, sr)
	if err != nil {
		t.Fatal(err)
	}
	if len(y) < len(x) || len(y) > len(x)+maxRing*sr {
		t.Fatalf("%d samples became %d", len(x), len(y))
	}
	for i, v := range y {
		if v-v != 0 {
			t.Fatalf("sample %d is %g", i, v)
		}
	}
	return y
}

// runLine is one processor without the levelling at the end.
func runLine(t testing.TB, x []float32, line string) []float32 {
	t.Helper()
	c := colour(t, line)
	y, err := c.steps[0].run(append([]float32(nil), x...), rate, c.steps[0].values)
	if err != nil {
		t.Fatal(err)
	}
	return y
}

func TestEachLineReadsAsItIsWritten(t *testing.T) {
	names := map[string]bool{}
	for _, l := range Lines() {
		c := colour(t, l.Form)
		if got := c.steps[0].form(); got != l.Form {
			t.Errorf("%q is written %q", l.Form, got)
		}
		name, _, _ := strings.Cut(l.Form, " ")
		if names[name] || l.What == "" {
			t.Errorf("%s comes twice or says nothing", name)
		}
		names[name] = true
	}
	a, b := colour(t, "peak 400Hz +5dB q 2"), colour(t, "peak at 400 Hz q 2 by 5 dB")
	for i := range a.steps[0].values {
		if a.steps[0].values[i] != b.steps[0].values[i] {
			t.Errorf("setting %d: %g and %g", i, a.steps[0].values[i], b.steps[0].values[i])
		}
	}
}

func TestLinesThatAreRefused(t *testing.T) {
	for line, want := range map[string]string{
		"":                         "empty",
		"polish 3 dB":              "not known",
		"pitch":                    "no by",
		"pitch -12":                "no unit",
		"pitch -12 dB":             `in "st"`,
		"pitch -99 st":             "outside",
		"pitch NaN st":             "", // any refusal
		"pitch st":                 "no number",
		"pitch 1 st 2 st":          "no place",
		"pitch 1 st by 2 st":       "twice",
		"tremolo 6 Hz 40 % 1":      "no place",
		"comb 4 ms back":           "missing",
		"drive " + "1000000000 dB": "outside",
		strings.Repeat("x", 300):   "longer",
	} {
		_, err := ParseColour([]string{"gain 0 dB", line})
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "line 2") {
			t.Errorf("%q: %v, want %q of line 2", line, err, want)
		}
	}
}

func FuzzColour(f *testing.F) {
	for _, l := range Lines() {
		f.Add(l.Form)
	}
	for _, r := range Recipes() {
		f.Add(strings.Join(r.Lines, "\n"))
	}
	f.Add("peak 400Hz +5dB q 1e309")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ParseColour(strings.Split(text, "\n"))
		if err != nil {
			return
		}
		for _, s := range c.steps {
			for i, v := range s.values {
				if !(v >= s.settings[i].least && v <= s.settings[i].most) && v != s.settings[i].usual {
					t.Fatalf("%s: %s is %g", s.name, s.settings[i].name, v)
				}
			}
		}
	})
}

// syllables are five notes with consonants of every kind.
func syllables(sr int) []float32 {
	v := voiceOf
	v.SampleRate = sr
	var notes []singer.Note
	for i, c := range []string{"t", "k", "b", "m", "s"} {
		n := singer.Note{Start: int64(sr/4 + i*sr*6/10), Length: int64(sr * 4 / 10), Key: 52 + 2*float64(i), Vowel: "a", Consonant: c}
		if c == "b" {
			n.Vowel = ""
		}
		notes = append(notes, n)
	}
	return v.Sing(notes, 0, int64(sr*33/10))
}

func TestRecipesChangeTheVoiceAndKeepItsLoudness(t *testing.T) {
	rates := []int{44100, 48000, 96000}
	if underRace {
		rates = rates[1:2]
	}
	if n := len(Recipes()); n < 12 {
		t.Errorf("only %d recipes", n)
	}
	for _, sr := range rates {
		x := syllables(sr)
		for _, r := range Recipes() {
			if underRace && !slices.Contains([]string{"low-brass", "glass", "double", "old-optical"}, r.Name) {
				continue
			}
			c := colour(t, r.Lines...)
			y := apply(t, c, x, sr)
			power := func(v []float32) float64 { return rmsDB(v) + 10*math.Log10(float64(len(v))) }
			peak := 0.0
			for _, v := range y {
				peak = max(peak, math.Abs(float64(v)))
			}
			if off := power(y) - power(x); math.Abs(off) > 0.1 && peak < 0.98 {
				t.Errorf("%s at %d Hz: the level moves by %+.2f dB", r.Name, sr, off)
			}
			same, all := 0.0, 0.0
			for i := range x {
				same += float64(x[i]) * float64(y[i])
				all += float64(x[i]) * float64(x[i])
			}
			t.Logf("%s at %d Hz: %.2f s became %.2f s, %.2f of it is the voice as sung", r.Name, sr, float64(len(x))/float64(sr), float64(len(y))/float64(sr), same/all)
			if same/all > 0.99 {
				t.Errorf("%s at %d Hz changes hardly anything", r.Name, sr)
			}
			if sr == rate && !underRace {
				z := apply(t, c, x, sr)
				for i := range y {
					if y[i] != z[i] {
						t.Fatalf("%s is not the same twice: sample %d", r.Name, i)
					}
				}
			}
		}
	}
}

func TestSilenceAndNothingStayQuiet(t *testing.T) {
	for _, l := range Lines() {
		if strings.HasPrefix(l.Form, "hiss") {
			continue
		}
		c := colour(t, l.Form)
		for _, n := range []int{0, 1, 7, 9600} {
			for i, v := range apply(t, c, make([]float32, n), rate) {
				if v != 0 {
					t.Errorf("%s makes %g of silence, at %d", l.Form, v, i)
					break
				}
			}
		}
	}
	x := syllables(rate)
	y := apply(t, Colour{}, x, rate)
	for i := range x {
		if x[i] != y[i] {
			t.Fatal("no colour at all changes the sound")
		}
	}
}

func TestGainComesLast(t *testing.T) {
	x := syllables(rate)
	y := apply(t, colour(t, "gain -6 dB", "lowpass 1000 Hz"), x, rate)
	if off := rmsDB(y) - rmsDB(x); math.Abs(off+6) > 0.05 {
		t.Errorf("a gain of -6 dB gives %.2f dB", off)
	}
}
