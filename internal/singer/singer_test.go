package singer

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

const rate = 48000

func steady(key float64, vowel string, seconds float64) []Note {
	return []Note{{Start: 1000, Length: int64(seconds * rate), Key: key, Vowel: vowel}}
}

// periodOf measures a period in samples by the autocorrelation peak after many
// periods, with a parabola through it; around is a guess that is right within
// a third of a period over all of them.
func periodOf(x []float32, around float64) float64 {
	corr := func(lag int) float64 {
		s := 0.0
		for i := 0; i+lag < len(x); i++ {
			s += float64(x[i]) * float64(x[i+lag])
		}
		return s / float64(len(x)-lag)
	}
	period := around
	for _, times := range []float64{1, 4, 16} {
		if times*period > float64(len(x))/2 {
			break
		}
		mid, reach := int(times*period+0.5), int(max(3, period/4))
		best, bestLag := math.Inf(-1), 0
		for lag := mid - reach; lag <= mid+reach; lag++ {
			if c := corr(lag); c > best {
				best, bestLag = c, lag
			}
		}
		a, b, c := corr(bestLag-1), best, corr(bestLag+1)
		period = (float64(bestLag) + (a-c)/(2*(a-2*b+c))) / times
	}
	return period
}

// Steady notes over the whole range have the pitch that F0 says, within a cent.
func TestPitchIsTruth(t *testing.T) {
	for key := 40.0; key <= 84; key += 4 { // E2 to C6
		for _, vowel := range []string{"a", "u"} {
			v := Voice{Seed: 7, SampleRate: rate, TuneCents: 13}
			notes := steady(key, vowel, 0.6)
			want := v.F0(notes, 15000)
			if exact := 440 * math.Pow(2, (key-69+0.13)/12); math.Abs(want-exact) > 1e-6 {
				t.Fatalf("key %g: F0 says %g Hz, equal temperament says %g", key, want, exact)
			}
			got := rate / periodOf(v.Sing(notes, 8000, 14000), rate/exact(key))
			if cents := 1200 * math.Log2(got/want); math.Abs(cents) > 1 {
				t.Errorf("key %g %s: sung %.3f Hz, truth %.3f Hz: %.2f cents apart", key, vowel, got, want, cents)
			}
		}
	}
}

func exact(key float64) float64 { return 440 * math.Pow(2, (key-69)/12) }

// A moving pitch is followed through scoop, vibrato, glide, wander and drift:
// the mean of F0 between upward crossings of a sung hum is one over their
// distance. The vowel's first formant is far above, as the phase of a formant that
// a gliding partial crosses moves the partial (by some cents, as in a throat).
func TestMovingPitchIsTruth(t *testing.T) {
	v := Voice{Seed: 3, SampleRate: rate, JitterCents: 9, DriftCentsPerMinute: -30}
	notes := []Note{{Start: 30 * rate, Length: 2 * rate, Key: 57, Vowel: "a", ScoopCents: 60,
		VibratoHz: 5.5, VibratoCents: 45, GlideCents: 150}}
	start := notes[0].Start
	x := v.Sing(notes, start, 2*rate)
	low := lowpass(x, 250)
	var marks []float64
	for i := rate / 10; i < len(low)-rate/10; i++ {
		if low[i-1] < 0 && low[i] >= 0 {
			marks = append(marks, float64(i)-low[i]/(low[i]-low[i-1]))
		}
	}
	if len(marks) < 300 {
		t.Fatalf("%d crossings in 1.8 s of about 230 Hz", len(marks))
	}
	worst, lo, hi := 0.0, math.Inf(1), 0.0
	const span = 4 // periods: averages out what is left of the partials
	for i := 0; i+span < len(marks); i++ {
		mid := int64((marks[i] + marks[i+span]) / 2)
		want := v.F0(notes, start+mid)
		got := span * rate / (marks[i+span] - marks[i])
		worst = max(worst, math.Abs(1200*math.Log2(got/want)))
		lo, hi = min(lo, want), max(hi, want)
	}
	if worst > 4 {
		t.Errorf("sung pitch is up to %.2f cents from truth", worst)
	}
	if spread := 1200 * math.Log2(hi/lo); spread < 150 {
		t.Errorf("truth moves by %.0f cents only", spread)
	}
}

// lowpass is four one-pole sections there and four back: no phase shift.
func lowpass(x []float32, hz float64) []float64 {
	y := make([]float64, len(x))
	for i, s := range x {
		y[i] = float64(s)
	}
	a := 1 - math.Exp(-2*math.Pi*hz/rate)
	for range 8 {
		s := 0.0
		for i := range y {
			s += a * (y[i] - s)
			y[i] = s
		}
		slices.Reverse(y)
	}
	return y
}

// Scoop, vibrato, glide and wander are as deep as they say.
func TestOrnaments(t *testing.T) {
	cents := func(v Voice, n Note, seconds float64) float64 {
		v.SampleRate = rate
		return 1200 * math.Log2(v.F0([]Note{n}, n.Start+int64(seconds*rate))/exact(60))
	}
	plain := Note{Start: 777, Length: 2 * rate, Key: 60, Vowel: "a"}
	scoop := plain
	scoop.ScoopCents = 60
	if a, b, c := cents(Voice{}, scoop, 0), cents(Voice{}, scoop, ScoopSeconds/2), cents(Voice{}, scoop, ScoopSeconds+0.001); math.Abs(a+60) > 0.01 || math.Abs(b+30) > 0.5 || math.Abs(c) > 0.01 {
		t.Errorf("a scoop of 60 cents stands at %.2f, %.2f half way, %.2f at its end", a, b, c)
	}
	glide := plain
	glide.GlideCents = 120
	if a, b := cents(Voice{}, glide, 0), cents(Voice{}, glide, 1.5); math.Abs(a) > 0.01 || math.Abs(b-90) > 0.01 {
		t.Errorf("a glide of 120 cents stands at %.2f, and at %.2f after three quarters", a, b)
	}
	shake := plain
	shake.VibratoHz, shake.VibratoCents = 5, 40
	lo, hi, crossings, last := 0.0, 0.0, 0, -1.0
	wanderLo, wanderHi := 0.0, 0.0
	for i := range 1599 { // eight turns
		x := cents(Voice{}, shake, 0.4+float64(i)/1000)
		lo, hi = min(lo, x), max(hi, x)
		if last < 0 && x >= 0 {
			crossings++
		}
		last = x
		w := cents(Voice{Seed: 4, JitterCents: 7}, plain, float64(i)/1000)
		wanderLo, wanderHi = min(wanderLo, w), max(wanderHi, w)
	}
	if math.Abs(lo+40) > 0.5 || math.Abs(hi-40) > 0.5 || crossings < 7 || crossings > 9 {
		t.Errorf("a vibrato of ±40 cents at 5 Hz goes from %.2f to %.2f, %d times in 1.6 s", lo, hi, crossings)
	}
	if wanderLo < -7 || wanderHi > 7 || wanderHi-wanderLo < 3 {
		t.Errorf("a wander of ±7 cents goes from %.2f to %.2f", wanderLo, wanderHi)
	}
}

// The drift is what it says: cents a minute from sample 0.
func TestDrift(t *testing.T) {
	v := Voice{SampleRate: rate, DriftCentsPerMinute: -30}
	notes := []Note{{Start: 0, Length: rate, Key: 60, Vowel: "a"}, {Start: 120 * rate, Length: rate, Key: 60, Vowel: "a"}}
	fell := 1200 * math.Log2(v.F0(notes, 120*rate)/v.F0(notes, 0))
	if math.Abs(fell+60) > 1e-3 {
		t.Errorf("after two minutes the pitch fell by %g cents, want -60", fell)
	}
}

// A note begins to sound within a millisecond of Start, at all pitches, and is
// over soon after its end.
func TestOnset(t *testing.T) {
	for _, key := range []float64{40, 52, 64, 76, 84} {
		for _, consonant := range []string{"", "m"} {
			v := Voice{Seed: 1, SampleRate: rate, Breath: 0.03}
			notes := []Note{{Start: 5000, Length: rate / 2, Key: key, Vowel: "a", Consonant: consonant}}
			x := v.Sing(notes, 0, rate)
			peak := 0.0
			for _, s := range x {
				peak = max(peak, math.Abs(float64(s)))
			}
			first, last := -1, 0
			for i, s := range x {
				if math.Abs(float64(s)) > peak/100 { // -40 dB
					if first < 0 {
						first = i
					}
					last = i
				}
			}
			if first < 5000-rate/1000 || first > 5000+rate/1000 {
				t.Errorf("key %g %q: sounds from sample %d, want 5000 ± 48", key, consonant, first)
			}
			if end := 5000 + rate/2; last > end+rate/50 || last < end-rate/20 {
				t.Errorf("key %g %q: sounds until %d, want about %d", key, consonant, last, end)
			}
		}
	}
}

// The noise of a consonant lies in the Lead before Start; an unpitched note
// begins at Start and has no f0.
func TestConsonantLeads(t *testing.T) {
	for _, c := range Consonants() {
		v := Voice{Seed: 1, SampleRate: rate}
		sung := Note{Start: 20000, Length: 9000, Key: 60, Vowel: "a", Consonant: c}
		_, noisy := sounds[c]
		if lead := sung.Lead(rate); (lead > 0) != noisy {
			t.Errorf("%s: lead %d", c, lead)
		}
		from := sung.Start - sung.Lead(rate)
		x := v.Sing([]Note{sung}, 0, 40000)
		if e := energy(x[:from]); e != 0 {
			t.Errorf("%s: sound before the consonant", c)
		}
		if noisy && energy(x[from:from+480]) == 0 {
			t.Errorf("%s: no sound where the consonant begins", c)
		}
		if v.F0([]Note{sung}, sung.Start-1) != 0 || v.F0([]Note{sung}, sung.Start) == 0 {
			t.Errorf("%s: the pitch does not begin at Start", c)
		}
		if !noisy {
			continue
		}
		drum := Note{Start: 20000, Length: 9000, Consonant: c}
		x = v.Sing([]Note{drum}, 0, 40000)
		if energy(x[:20000]) != 0 || energy(x[20000:20096]) == 0 || v.F0([]Note{drum}, 20500) != 0 {
			t.Errorf("%s: unpitched note does not begin at Start", c)
		}
	}
}

func energy(x []float32) float64 {
	e := 0.0
	for _, s := range x {
		e += float64(s) * float64(s)
	}
	return e
}

// A note gives way to the consonant of the next.
func TestNeighbourCutsNote(t *testing.T) {
	v := Voice{SampleRate: rate}
	notes := []Note{{Start: 0, Length: 24000, Key: 60, Vowel: "a"}, {Start: 24000, Length: 24000, Key: 62, Vowel: "a", Consonant: "s"}}
	want := 24000 - notes[1].Lead(rate)
	if got := v.End(notes, 0); got != want {
		t.Errorf("first note ends at %d, want %d", got, want)
	}
	if v.F0(notes, want) != 0 || v.F0(notes, want-1) == 0 {
		t.Error("F0 does not end where the note does")
	}
}

func TestCheck(t *testing.T) {
	good := Note{Start: 10, Length: 100, Key: 60, Vowel: "a"}
	bad := map[string]func(v *Voice, n *Note){
		"rate":         func(v *Voice, n *Note) { v.SampleRate = 0 },
		"vowel":        func(v *Voice, n *Note) { n.Vowel = "y" },
		"consonant":    func(v *Voice, n *Note) { n.Consonant = "x" },
		"nothing":      func(v *Voice, n *Note) { n.Vowel = "" },
		"voiced alone": func(v *Voice, n *Note) { n.Vowel, n.Consonant = "", "m" },
		"key":          func(v *Voice, n *Note) { n.Key = math.NaN() },
		"length":       func(v *Voice, n *Note) { n.Length = -1 },
		"order":        func(v *Voice, n *Note) { n.Start = 9 },
	}
	if err := (Voice{SampleRate: rate}).Check([]Note{good, good}); err != nil {
		t.Errorf("good notes are refused: %v", err)
	}
	for name, spoil := range bad {
		v, n := Voice{SampleRate: rate}, good
		spoil(&v, &n)
		if v.Check([]Note{good, n}) == nil {
			t.Errorf("%s: not refused", name)
		}
	}
}

func demanding() (Voice, []Note) {
	v := Voice{Seed: 99, SampleRate: rate, FormantScale: 1.1, Breath: 0.08, Creak: 0.3, JitterCents: 6, NoiseDB: -60, TuneCents: -12, DriftCentsPerMinute: 20}
	notes := []Note{
		{Start: 4000, Length: 20000, Key: 55, Vowel: "o", Consonant: "t", ScoopCents: 50, VibratoHz: 5.4, VibratoCents: 40},
		{Start: 26000, Length: 15000, Key: 59.4, Vowel: "a", Consonant: "m", LevelDB: -3},
		{Start: 41000, Length: 5000, Consonant: "ts"},
	}
	return v, notes
}

// The same notes give the same samples, however they are cut into windows, and
// another seed gives others.
func TestDeterministicInAnyWindow(t *testing.T) {
	v, notes := demanding()
	whole := v.Sing(notes, -500, 50000)
	if !slices.Equal(whole, v.Sing(notes, -500, 50000)) {
		t.Fatal("two runs differ")
	}
	for _, size := range []int64{63, 479, 4096} {
		if size == 63 && testing.Short() {
			continue
		}
		for at := int64(0); at < 50000; at += 7 * size {
			n := min(size, 50000-at)
			if !slices.Equal(whole[at:at+n], v.Sing(notes, at-500, n)) {
				t.Fatalf("window of %d at %d differs from the whole", n, at-500)
			}
		}
	}
	v.Seed++
	if slices.Equal(whole, v.Sing(notes, -500, 50000)) {
		t.Error("the seed changes nothing")
	}
	if len(v.Sing(notes, 0, 0)) != 0 || len(v.Sing(nil, 0, 10)) != 10 {
		t.Error("empty windows and empty music are not what was asked for")
	}
}

// The steady vowel has the level that is asked for, and never clips.
func TestLevelAndHeadroom(t *testing.T) {
	for _, sr := range []int{44100, 48000, 96000} {
		for _, vowel := range Vowels() {
			for _, key := range []float64{40, 50, 60, 72, 84} {
				v := Voice{Seed: 2, SampleRate: sr}
				n := []Note{{Length: int64(sr), Key: key, Vowel: vowel, LevelDB: 3}}
				x := v.Sing(n, int64(sr/4), int64(sr/2))
				if db := 10 * math.Log10(energy(x)/float64(len(x))); math.Abs(db-(NominalDBFS+3)) > 0.3 {
					t.Errorf("%d Hz, %s, key %g: %.2f dBFS, want %.2f", sr, vowel, key, db, NominalDBFS+3)
				}
				for _, s := range v.Sing(n, 0, int64(sr)/4) {
					if !(math.Abs(float64(s)) < 1) {
						t.Fatalf("%d Hz, %s, key %g: sample %g", sr, vowel, key, s)
					}
				}
			}
		}
	}
}

// The room is as loud as it says and there all the time.
func TestRoomNoise(t *testing.T) {
	v := Voice{Seed: 5, SampleRate: rate, NoiseDB: -60}
	x := v.Sing(nil, 12345, rate)
	if db := 10 * math.Log10(energy(x)/rate); math.Abs(db+60) > 0.1 {
		t.Errorf("room noise %.2f dBFS, want -60", db)
	}
}

// Creak weakens every second pulse: the half of the pitch is in the spectrum.
func TestCreak(t *testing.T) {
	notes := steady(57, "a", 1)
	plain := Voice{SampleRate: rate}
	creaky := Voice{SampleRate: rate, Creak: 0.5}
	half := func(v Voice) float64 {
		x := v.Sing(notes, 12000, 24000)
		return 20 * math.Log10(tone(x, 330)/tone(x, 220)) // 1.5 and 1 times the pitch
	}
	if p, c := half(plain), half(creaky); p > -60 || c < -30 {
		t.Errorf("subharmonic %.0f dB without creak, %.0f dB with", p, c)
	}
}

// tone is the amplitude at hz under a Hann window.
func tone(x []float32, hz float64) float64 {
	re, im := 0.0, 0.0
	for i, s := range x {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(len(x)))
		sin, cos := math.Sincos(2 * math.Pi * hz * float64(i) / rate)
		re += float64(s) * w * cos
		im += float64(s) * w * sin
	}
	return math.Hypot(re, im)
}

func BenchmarkSing(b *testing.B) {
	for _, breath := range []float64{0, 0.05} {
		b.Run(fmt.Sprintf("breath=%g", breath), func(b *testing.B) {
			v, notes := demanding()
			v.Breath = breath
			notes = notes[:0:0]
			for i := range int64(20) {
				notes = append(notes, Note{Start: i * rate / 2, Length: rate / 2, Key: 50 + float64(i), Vowel: "a", Consonant: "t", VibratoHz: 5, VibratoCents: 30})
			}
			for b.Loop() {
				v.Sing(notes, 0, 10*rate)
			}
			b.ReportMetric(10*float64(b.N)/b.Elapsed().Seconds(), "xRealTime")
		})
	}
}
