package pack

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// withinMs is what the contract asks for.
const withinMs = 2.0

// condition is a friend, what happens to the file, and which way is expected.
type condition struct {
	name string
	with func(*friend)
	then func(testing.TB, []float32) []float32
	way  Way
}

func conditions() []condition {
	return []condition{
		{"clean", func(f *friend) {}, nil, ByChirps},
		{"noise 13 dB over the chirps", func(f *friend) { f.noiseDB = -25 }, nil, ByChirps},
		{"44.1 kHz", func(f *friend) {}, func(t testing.TB, x []float32) []float32 { return rated(t, x, 44100) }, ByChirps},
		{"telephone", func(f *friend) {}, telephone, ByChirps},
		{"clipped by 12 dB", func(f *friend) {}, func(_ testing.TB, x []float32) []float32 { return clipped(x) }, ByChirps},
		{"12 dB too quiet", func(f *friend) { f.chirpDB -= 12; f.voice -= 12 }, nil, ByChirps},
		{"upside down", func(f *friend) {}, func(_ testing.TB, x []float32) []float32 {
			for i := range x {
				x[i] = -x[i]
			}
			return x
		}, ByChirps},
		{"+200 ppm", func(f *friend) { f.ppm = 200 }, nil, ByChirps},
		{"-200 ppm", func(f *friend) { f.ppm = -200 }, nil, ByChirps},
		{"noise, telephone, clipped, 12 dB quiet, +200 ppm", func(f *friend) { f.noiseDB, f.chirpDB, f.voice, f.ppm = -47, -47, -12, 200 },
			func(t testing.TB, x []float32) []float32 { return telephone(t, clipped(x)) }, ByChirps},
		{"MP3 at 64 kbit/s", func(f *friend) {}, func(t testing.TB, x []float32) []float32 {
			// The coder's own delay is part of the file, and no truth of ours.
			return coded(t, x, "mp3", "-b:a", "64k")
		}, ByChirps},
		{"started late, click leaks, +200 ppm", func(f *friend) { f.before, f.ppm, f.bleedDB = -20, 200, -50 }, nil, ByTail},
		{"cut at the tail, click leaks, -200 ppm", func(f *friend) { f.endEarly, f.ppm, f.bleedDB = 11, -200, -50 }, nil, ByHead},
		{"started late, true clock", func(f *friend) { f.before = -20 }, nil, ByTail},
		{"cut at the tail, no click, -200 ppm", func(f *friend) { f.endEarly, f.ppm = 11, -200 }, nil, ByHead},
		{"no chirps, click leaks, +200 ppm", func(f *friend) { f.head, f.tail, f.ppm, f.bleedDB = false, false, 200, -50 }, nil, ByClick},
		{"no chirps, cut at both ends, click leaks", func(f *friend) {
			f.head, f.tail, f.before, f.endEarly, f.bleedDB = false, false, -17, 14, -50
		}, nil, ByClick},
		{"no chirps, no click", func(f *friend) { f.head, f.tail = false, false }, nil, BySung},
	}
}

// A recording lands within 2 ms of the truth over the whole of the music.
func TestAlign(t *testing.T) {
	s, sung := song(t)
	t.Logf("%-42s %-28s %9s %9s %9s %8s %s", "condition", "way", "error ms", "said ±ms", "residual", "ppm", "sure")
	for i, c := range conditions() {
		if underRace && i%8 != 0 {
			continue
		}
		t.Run(c.name, func(t *testing.T) {
			f := usual()
			c.with(&f)
			rec, origin, pace := f.record(t, s, sung)
			if c.then != nil {
				rec = c.then(t, rec)
			}
			a, err := Align(t.Context(), rec, s)
			if err != nil {
				t.Fatal(err)
			}
			e := errorMs(a, s.Layout, origin, pace)
			t.Logf("%-42s %-28s %9.3f %9.3f %9.3f %8.1f %.2f %v", c.name, a.Way, e, a.WithinMs, a.ResidualMs, a.PPM, a.Confidence, a.Notes)
			if a.Way != c.way {
				t.Errorf("aligned by %s, want %s", a.Way, c.way)
			}
			if !(e <= withinMs) {
				t.Errorf("%.3f ms off, want at most %g", e, withinMs)
			}
			if e > a.WithinMs {
				t.Errorf("%.3f ms off, and said to be within %.3f", e, a.WithinMs)
			}
		})
	}
}

// A file that holds nothing of what was sent is refused, with the reason.
func TestAlignRefuses(t *testing.T) {
	skipUnderRace(t)
	s, sung := song(t)
	r := rand.New(rand.NewPCG(8, 9))
	noise := make([]float32, 30*testRate)
	for i := range noise {
		noise[i] = float32(0.1 * r.NormFloat64())
	}
	other := singer.Voice{Seed: 4, SampleRate: testRate}
	var tune []singer.Note
	for i := range 30 {
		tune = append(tune, singer.Note{Start: int64(i) * 20500, Length: 19000, Key: float64(50 + r.IntN(20)), Vowel: "o"})
	}
	speech := singer.Speech(3, 0, 30*testRate, testRate, 45)
	f := usual()
	older := s
	older.Layout.To += 5 * testRate
	wrong, _, _ := f.record(t, older, sung)
	for name, c := range map[string]struct {
		rec  []float32
		word string
	}{
		"silence":    {make([]float32, 10*testRate), "silent"},
		"nothing":    {nil, "silent"},
		"a click":    {append(make([]float32, 5000), 1), "no chirps"},
		"noise":      {noise, "no chirps"},
		"other song": {other.Sing(tune, 0, 30*testRate), "no chirps"},
		"speech":     {other.Sing(speech, 0, 30*testRate), "no chirps"},
		"older pack": {wrong, "apart"},
	} {
		a, err := Align(t.Context(), c.rec, s)
		if fault.KindOf(err) != fault.NotMet || !strings.Contains(err.Error(), c.word) {
			t.Errorf("%s: %+v, %v; want NotMet with %q", name, a, err, c.word)
		}
	}
}

// With the click alone and a recording that lacks its beginning, every bar of a
// steady map fits: that is refused when no note tells which.
func TestAlignSaysWhenSeveralBarsFit(t *testing.T) {
	skipUnderRace(t)
	s, _ := song(t)
	f := usual()
	f.head, f.tail, f.before, f.endEarly, f.bleedDB = false, false, -17, 14, -50
	rec, _, _ := f.record(t, s, nil)
	if a, err := Align(t.Context(), rec, s); fault.KindOf(err) != fault.NotMet || !strings.Contains(err.Error(), "several places") {
		t.Errorf("%+v, %v", a, err)
	}
}

// A part that repeats itself fits at several places when there is nothing but
// the singing: that is refused, too.
func TestAlignSaysWhenThePartRepeats(t *testing.T) {
	skipUnderRace(t)
	s, sung := song(t)
	s.Notes, sung = nil, sung[:12]
	for i := range sung {
		sung[i].Start, sung[i].Length, sung[i].Key = int64(8+2*i)*testBeat, testBeat, 57+5*float64(i%2)
		s.Notes = append(s.Notes, Note{Sample: sung[i].Start, Key: int(sung[i].Key)})
	}
	f := usual()
	f.head, f.tail = false, false
	rec, _, _ := f.record(t, s, sung)
	if a, err := Align(t.Context(), rec, s); fault.KindOf(err) != fault.NotMet || !strings.Contains(err.Error(), "several places") {
		t.Errorf("%+v, %v", a, err)
	}
}

// A line is not moved by a few pairs that lie far off.
func TestRobustLine(t *testing.T) {
	want := line{3, 1 + 150e-6}
	r := rand.New(rand.NewPCG(3, 4))
	var ps []pair
	for i := range 60 {
		u := float64(i)
		p := pair{u, want.at(u) + 1e-4*r.NormFloat64()}
		if i%5 == 0 {
			p.heard += 0.01 // an echo
		}
		ps = append(ps, p)
	}
	l, kept := robust(ps, false, 0.001)
	if len(kept) != 48 || math.Abs(l.ppm()-150) > 3*1e6*paceError(l, kept) || math.Abs(l.at(30)-want.at(30)) > 1e-4 {
		t.Errorf("%d kept, %.1f ppm, %.6f s off", len(kept), l.ppm(), l.at(30)-want.at(30))
	}
	if l, _ := robust(ps, true, 0.01); l.pace != 1 {
		t.Errorf("a fixed pace became %v", l.pace)
	}
}

// Somebody who taps along is not the click: the taps are heard, and agree on no
// line.
func TestCombIsNotTakenInByTapping(t *testing.T) {
	s, _ := song(t)
	r := rand.New(rand.NewPCG(6, 7))
	for jitterMs, want := range map[float64]bool{0: true, 10: false} {
		x := make([]float32, 50*earRate)
		for _, c := range s.Clicks {
			at := int((float64(c.Sample)/testRate + 5 + jitterMs/1000*(2*r.Float64()-1)) * earRate)
			for i, v := range s.Shapes[c.Shape] {
				x[at+i] += float32(0.1 * v)
			}
		}
		c, err := newComb(x, s)
		if err != nil {
			t.Fatal(err)
		}
		l, ps, ok := c.read(line{5, 1})
		if len(ps) < leastTeeth || ok != want || ok && math.Abs(l.origin-5) > 1e-4 {
			t.Errorf("±%g ms: %v, %+v, %d heard", jitterMs, ok, l, len(ps))
		}
	}
}

// Of two tries in one file the last is taken.
func TestAlignTakesTheLastTry(t *testing.T) {
	skipUnderRace(t)
	s, sung := song(t)
	rec, origin, pace := usual().record(t, s, sung)
	two := append(append([]float32{}, rec...), rec...)
	a, err := Align(t.Context(), two, s)
	if err != nil {
		t.Fatal(err)
	}
	if e := errorMs(a, s.Layout, origin+float64(len(rec)), pace); e > withinMs || len(a.Notes) == 0 {
		t.Errorf("%.3f ms off the second try; notes %v", e, a.Notes)
	}
}

// What lands is the voice, at its place, without the chirps.
func TestLand(t *testing.T) {
	s, sung := song(t)
	f := usual()
	f.ppm, f.noiseDB = 200, -90
	rec, _, _ := f.record(t, s, sung)
	a, err := Align(t.Context(), rec, s)
	if err != nil {
		t.Fatal(err)
	}
	start, x, err := Land(rec, a, s.Layout)
	if err != nil {
		t.Fatal(err)
	}
	if want := s.Layout.From; start != want || int64(len(x)) != s.Layout.To+testRate-want {
		t.Errorf("from %d for %d samples", start, len(x))
	}
	dry := singer.Voice{Seed: 3, SampleRate: testRate, Breath: 0.1}.Sing(sung, start, int64(len(x)))
	const reach = 200
	for _, at := range []int{10 * testRate, 30 * testRate} { // early and late in the song
		lag := bestLag(x[at-reach:at+testRate+reach], dry[at:at+testRate], 2*reach) - reach
		t.Logf("at %d s the voice lies %d samples off", at/testRate, lag)
		if math.Abs(float64(lag)) > withinMs*testRate/1000 {
			t.Errorf("at %d s the voice lies %d samples off", at/testRate, lag)
		}
	}
	for name, bad := range map[string]Alignment{"another clock": {Pace: 1.1}, "NaN": {Origin: math.NaN(), Pace: 1}} {
		if _, _, err := Land(rec, bad, s.Layout); fault.KindOf(err) != fault.Usage {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, _, err := Land(rec[:testRate], a, s.Layout); fault.KindOf(err) != fault.NotMet {
		t.Errorf("the head alone: %v", err)
	}
}

func bestLag(x, y []float32, lags int) int {
	a, b := make([]float64, len(x)), make([]float64, len(y))
	for i, v := range x {
		a[i] = float64(v)
	}
	for i, v := range y {
		b[i] = float64(v)
	}
	r, err := dsp.CrossCorrelate(a, b, lags)
	if err != nil {
		panic(err)
	}
	best := 0
	for k := range r {
		if r[k] > r[best] {
			best = k
		}
	}
	return best
}

// skipUnderRace: nothing here runs beside anything else, and the detector makes
// it eight times as long.
func skipUnderRace(t *testing.T) {
	if underRace {
		t.Skip("the same code runs in TestAlign")
	}
}
