package check

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/pitch"
	"cuechoir/engine/timecode"
	"cuechoir/engine/tuning"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// short is a clean layer of 16 notes.
func short(name string, f func(*setting)) setting {
	s := setting{name: name, sampleRate: 48000, low: 57, high: 69, least: 0.5, most: 0.8, notes: 16,
		noiseDB: -60, clickDB: -50, breath: 0.05, seed: 21, clean: true}
	if f != nil {
		f(&s)
	}
	return s
}

func kinds(r Report) []Kind {
	var out []Kind
	for _, f := range r.Findings {
		out = append(out, f.Kind)
	}
	return out
}

func mustLayer(t *testing.T, in Input) Report {
	t.Helper()
	r, err := Layer(in)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range r.Findings {
		if f.Words == "" || strings.Contains(f.Words, "\n") {
			t.Errorf("finding %+v has no plain line", f)
		}
	}
	return r
}

// What is true of a whole layer is one finding, and no note pays for it.
func TestWholeLayer(t *testing.T) {
	cases := []struct {
		setting
		want  []Kind
		cents float64
		ms    float64
	}{
		{short("clean", nil), nil, 0, 0},
		{short("30 cents low", func(s *setting) { s.tune = -30 }), []Kind{TunedLow}, -30, 0},
		{short("40 cents high", func(s *setting) { s.tune = 40 }), []Kind{TunedHigh}, 40, 0},
		{short("an octave low", func(s *setting) { s.tune = -1200; s.low, s.high = 60, 72 }), []Kind{TunedLow}, -1200, 0},
		{short("90 ms late", func(s *setting) { s.latency = 0.09 }), []Kind{AllLate}, 0, 90},
		{short("300 ms late", func(s *setting) { s.latency = 0.3 }), []Kind{AllLate}, 0, 300},
		{short("80 ms early", func(s *setting) { s.latency = -0.08 }), []Kind{AllEarly}, 0, -80},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			in, _ := layerOf(c.setting)
			r := mustLayer(t, in)
			for _, f := range r.Findings {
				t.Log(f.Words)
			}
			if !slices.Equal(kinds(r), c.want) {
				t.Fatalf("findings %v, want %v", kinds(r), c.want)
			}
			if math.Abs(r.BiasCents-c.cents) > 6 || math.Abs(r.BiasMilliseconds-c.ms) > 15 {
				t.Errorf("bias %.1f cents, %.1f ms; want %.0f, %.0f", r.BiasCents, r.BiasMilliseconds, c.cents, c.ms)
			}
			if r.Judged < 0.99 {
				t.Errorf("judged %.2f of a clean layer", r.Judged)
			}
		})
	}
}

func TestOctaveIsToldAsOctave(t *testing.T) {
	in, _ := layerOf(short("", nil))
	// sing the layer again with one note an octave low: by the singer, not by editing
	notes := make([]singer.Note, len(in.Targets))
	for i, g := range in.Targets {
		notes[i] = singer.Note{Start: g.Start, Length: (g.End - g.Start) * 9 / 10, Key: g.Key, Vowel: "a"}
	}
	notes[7].Key -= 12
	in.Samples = singer.Voice{SampleRate: 48000, NoiseDB: -60}.Sing(notes, 0, int64(len(in.Samples)))
	r := mustLayer(t, in)
	if len(r.Findings) != 1 || r.Findings[0].Note != 7 || r.Notes[7].Verdict != VerdictOctave || !strings.Contains(r.Findings[0].Words, "octave") {
		t.Errorf("%+v", r.Findings)
	}
}

func TestNoSound(t *testing.T) {
	targets := []Target{{Start: 1000, End: 20000, Key: 60, Bar: 1}}
	rng := rand.New(rand.NewPCG(5, 5))
	room := make([]float32, 5*48000)
	addNoise(room, -70, rng)
	clicked := slices.Clone(room)
	click(clicked, 48000, -50, 0.5)
	for name, x := range map[string][]float32{"zeros": make([]float32, 5*48000), "nothing": nil, "room": room, "room and click": clicked} {
		r := mustLayer(t, Input{Samples: x, SampleRate: 48000, Rate: timecode.Rate25, Targets: targets})
		if !slices.Equal(kinds(r), []Kind{NoSound}) || r.Notes[0].Verdict != VerdictMissing {
			t.Errorf("%s: %v %+v", name, kinds(r), r.Notes)
		}
	}
}

// The drift is one finding that names the bar where it leaves 25 cents, and
// the raw cents stay in the notes.
func TestDriftNamesItsBar(t *testing.T) {
	s := short("", func(s *setting) { s.notes, s.drift, s.least, s.most = 48, -60, 0.8, 1.2 })
	in, _ := layerOf(s)
	r := mustLayer(t, in)
	if !slices.Equal(kinds(r), []Kind{Drift}) {
		t.Fatalf("findings %v", r.Findings)
	}
	f := r.Findings[0]
	at := float64(f.Sample) / 48000
	if math.Abs(at-25) > 6 { // -60 a minute: 25 cents off after 25 s
		t.Errorf("leaves 25 cents at %.1f s, want 25: %s", at, f.Words)
	}
	bar := 0
	for _, g := range in.Targets {
		if g.Start <= f.Sample {
			bar = g.Bar
		}
	}
	if f.Bar != bar || !strings.Contains(f.Words, fmt.Sprintf("bar %d", bar)) {
		t.Errorf("bar %d, words %q, want bar %d", f.Bar, f.Words, bar)
	}
	last := r.Notes[len(r.Notes)-1]
	if last.Cents > -35 || math.Abs(last.DetrendedCents) > 15 {
		t.Errorf("last note: raw %.1f, detrended %.1f", last.Cents, last.DetrendedCents)
	}
}

// Without a part: A4 is free, a note off its scale is found.
func TestWithoutAPart(t *testing.T) {
	in, _ := layerOf(short("", func(s *setting) { s.tune = 31; s.notes = 24 }))
	in.Targets = nil
	r := mustLayer(t, in)
	want := 440 * math.Exp2(31.0/1200)
	if math.Abs(r.A4Hz-want) > 2 || len(r.Findings) != 0 || len(r.Notes) != 24 {
		t.Errorf("A4 %.2f Hz, want %.2f; %d notes; findings %v", r.A4Hz, want, len(r.Notes), r.Findings)
	}
	var notes []singer.Note
	for i, k := range []float64{60, 62, 64, 65, 67.4, 65, 64, 62, 60, 64, 67, 72} {
		notes = append(notes, singer.Note{Start: int64(24000 + i*30000), Length: 27000, Key: k, Vowel: "a"})
	}
	x := singer.Voice{SampleRate: 48000, NoiseDB: -60}.Sing(notes, 0, 400000)
	r = mustLayer(t, Input{Samples: x, SampleRate: 48000, Rate: timecode.Rate24, Options: Options{Scale: tuning.Major(0)}})
	if !slices.Equal(kinds(r), []Kind{Sharp}) || math.Abs(r.Findings[0].Cents-40) > 4 {
		t.Errorf("findings %+v", r.Findings)
	}
}

// A beat of consonants: late, missing, and nothing else.
func TestUnpitchedPart(t *testing.T) {
	var targets []Target
	var notes []singer.Note
	rng := rand.New(rand.NewPCG(6, 6))
	for i := range 32 {
		at := int64(48000 + i*12000)
		targets = append(targets, Target{Start: at, End: at + 6000, Unpitched: true, Bar: i/8 + 1, Beat: fmt.Sprint(i%8/2 + 1)})
		n := singer.Note{Start: at + rng.Int64N(960) - 480, Length: 6000, Consonant: []string{"b", "t", "k", "ts"}[i%4], LevelDB: 4 * rng.Float64()}
		switch i {
		case 9:
			n.Start += 5000 // 104 ms
		case 20:
			n.LevelDB = -200
		}
		notes = append(notes, n)
	}
	x := singer.Voice{SampleRate: 48000, NoiseDB: -58}.Sing(notes, 0, 10*48000)
	click(x, 48000, -48, 0.5)
	r := mustLayer(t, Input{Samples: x, SampleRate: 48000, Rate: timecode.Rate24, Targets: targets})
	found, lost, wrong := tally(r, []planted{{Late, 9}, {Missing, 20}})
	if len(found) != 2 || len(lost)+len(wrong) > 0 {
		t.Errorf("found %v, lost %v, false %v", found, lost, wrong)
	}
	if math.Abs(r.Notes[9].Milliseconds-104) > 20 {
		t.Errorf("late by %.0f ms, want 104", r.Notes[9].Milliseconds)
	}
}

// A hole that the device told of is reported, with its bar, though the samples
// show nothing; and Start shifts everything.
func TestKnownDropoutAndStart(t *testing.T) {
	in, _ := layerOf(short("", nil))
	const shift = 480000
	in.Start = shift
	for i := range in.Targets {
		in.Targets[i].Start += shift
		in.Targets[i].End += shift
	}
	at := in.Targets[5].Start + 9000
	in.Dropouts = []Dropout{{Sample: at, Length: 512}}
	r := mustLayer(t, in)
	if !slices.Equal(kinds(r), []Kind{Dropped}) {
		t.Fatalf("findings %+v", r.Findings)
	}
	f := r.Findings[0]
	if f.Sample != at || f.Note != 5 || f.Bar != in.Targets[5].Bar || f.Frame != in.Rate.FrameOf(at, 48000) {
		t.Errorf("%+v", f)
	}
}

// Torn silence is a dropout; a stop consonant's closure and a note's own end
// in digital silence are none.
func TestHoles(t *testing.T) {
	v := singer.Voice{SampleRate: 48000}
	notes := []singer.Note{{Start: 24000, Length: 48000, Key: 50, Vowel: "a"}, {Start: 80000, Length: 30000, Key: 50, Vowel: "a", Consonant: "t"}}
	for _, c := range []struct {
		from, to int
		want     bool
	}{{0, 0, false}, {40000, 40000 + 2880, true}, {40100, 40100 + 300, true}, {40000, 40100, false}} {
		x := v.Sing(notes, 0, 120000)
		clear(x[c.from:c.to])
		l := &layer{in: Input{Samples: x, SampleRate: 48000}}
		l.findHoles()
		if got := len(l.holes) > 0; got != c.want {
			t.Errorf("%d..%d cleared: holes %+v, want %v", c.from, c.to, l.holes, c.want)
		}
		if c.want && len(l.holes) == 1 && math.Abs(float64(l.holes[0].Sample-int64(c.from))) > 8 {
			t.Errorf("hole at %d, want %d", l.holes[0].Sample, c.from)
		}
	}
}

// A voice that closes to digital silence within 8 ms and opens as fast, as for
// a stop consonant, has lost nothing.
func TestAStopIsNoHole(t *testing.T) {
	const from, to, fade = 50000, 53000, 384
	x := singer.Voice{SampleRate: 48000}.Sing([]singer.Note{{Start: 24000, Length: 48000, Key: 50, Vowel: "a"}}, 0, 80000)
	clear(x[from:to])
	for i := range fade {
		g := float32(i) / fade
		x[from-1-i] *= g
		x[to+i] *= g
	}
	l := &layer{in: Input{Samples: x, SampleRate: 48000}}
	l.findHoles()
	if len(l.holes) > 0 {
		t.Errorf("holes %+v", l.holes)
	}
}

func TestClips(t *testing.T) {
	for _, sr := range []int{44100, 48000, 96000} {
		for _, hz := range []float64{82.4, 220, 1046} {
			sine := func(gain, limit float64) []float32 {
				x := make([]float32, sr)
				for i := range x {
					x[i] = float32(max(-limit, min(limit, gain*math.Sin(2*math.Pi*hz*float64(i)/float64(sr)))))
				}
				return x
			}
			for _, c := range []struct {
				name        string
				gain, limit float64
				want        bool
			}{{"clean", 0.95, 1, false}, {"full scale", 0.9999, 1, false}, {"clipped at full scale", 1.4, 1, true},
				{"clipped at -6 dBFS", 0.8, 0.5, true}, {"float over full scale", 1.2, 9, true}} {
				if got := len(findClips(sine(c.gain, c.limit), sr)) > 0; got != c.want {
					t.Errorf("%s, %g Hz at %d: clipping %v", c.name, hz, sr, got)
				}
			}
		}
	}
}

func TestBadInput(t *testing.T) {
	ok := Input{SampleRate: 48000, Rate: timecode.Rate24, Samples: make([]float32, 100)}
	for name, f := range map[string]func(*Input){
		"no picture rate": func(in *Input) { in.Rate = timecode.Rate{} },
		"no sample rate":  func(in *Input) { in.SampleRate = 0 },
		"backward note":   func(in *Input) { in.Targets = []Target{{Start: 5, End: 5, Key: 60}} },
		"no key":          func(in *Input) { in.Targets = []Target{{Start: 5, End: 9, Key: math.NaN()}} },
		"endless part":    func(in *Input) { in.Targets = make([]Target, maxTargets+1) },
		"far off note":    func(in *Input) { in.Targets = []Target{{Start: math.MinInt64, End: 9, Key: 60}} },
		"far off start":   func(in *Input) { in.Start = math.MaxInt64 },
		"false dropout":   func(in *Input) { in.Dropouts = []Dropout{{Sample: 0, Length: -1}} },
		"bad pitch range": func(in *Input) { in.Options.Pitch = pitch.Options{MinHz: 9000} },
	} {
		in := ok
		f(&in)
		if _, err := Layer(in); err == nil || fault.KindOf(err) == fault.Unexpected {
			t.Errorf("%s: error %v", name, err)
		}
	}
}

// Whatever the samples and targets, Layer answers or says why not.
func FuzzLayer(f *testing.F) {
	f.Add([]byte{1, 2, 3, 250, 128, 0, 0, 0, 9}, int64(10), int64(500), 60.0)
	f.Add([]byte("sung sound"), int64(-5), int64(1), 200.0)
	f.Add(make([]byte, 4000), int64(math.MinInt64), int64(math.MaxInt64), 69.0)
	f.Fuzz(func(t *testing.T, raw []byte, start, length int64, key float64) {
		if len(raw) > 1<<13 { // 20 s of sound say no more
			raw = raw[:1<<13]
		}
		x := make([]float32, len(raw)*20)
		for i := range x {
			x[i] = (float32(raw[i/20]) - 128) / 100 * float32(1+i%3)
		}
		in := Input{Samples: x, SampleRate: 8000, Rate: timecode.Rate24, Start: start % (1 << 40),
			Targets:  []Target{{Start: start, End: start + length, Key: key}, {Start: 100, End: 900, Key: 60}, {Start: 900, End: 1100, Unpitched: true}},
			Dropouts: []Dropout{{start, length}}}
		r, err := Layer(in)
		if err != nil {
			return
		}
		if len(r.Notes) < 3 {
			t.Errorf("%d notes", len(r.Notes))
		}
		o := BetweenOptions{SampleRate: in.SampleRate, Rate: in.Rate}
		layers := []Heard{{"a", in.Targets, r}, {"b", in.Targets, r}, {"c", nil, Report{}}}
		h, err := Between(layers, o)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range Rank(layers, h, o) {
			if !(f.Gain >= 0 && f.Gain <= 1) || f.Words == "" {
				t.Errorf("%+v", f)
			}
		}
	})
}

func BenchmarkLayer(b *testing.B) {
	s := short("", func(s *setting) { s.notes = 60 })
	in, _ := layerOf(s)
	for b.Loop() {
		if _, err := Layer(in); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(in.Samples))/48000/(b.Elapsed().Seconds()/float64(b.N)), "x-real-time")
}
