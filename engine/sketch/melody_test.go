package sketch

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/part"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/singer"
)

const testRate = 48000

// hum is how a melody is hummed: what a voice adds to it.
type hum struct {
	offset, jitter float64 // cents
	drift          float64 // cents a minute
	late, scatter  float64 // milliseconds
	scoop          float64 // cents below, on every third note
	noiseDB        float64
	vibrato        bool
	consonants     []string // nil: a mixture
	leads          bool     // consonants begin on the beat, and not the voice
	clickDB        float64  // level of a click that leaks in, dBFS; 0: none
	slurred        bool     // without consonants but where a pitch is repeated
}

var usualHum = hum{offset: -30, jitter: 25, drift: -25, scatter: 40, scoop: 80, noiseDB: -58}

// hums are harder ones: each with a fault beyond the usual, and the least F1 that
// is accepted.
var hums = []struct {
	name  string
	hum   hum
	least float64
}{
	{"late by 90 ms", hum{offset: -30, jitter: 25, scatter: 40, late: 90, noiseDB: -58}, 0.97},
	{"early by 60 ms", hum{offset: 10, jitter: 25, scatter: 40, late: -60, noiseDB: -58}, 0.97},
	{"sinking 90 cents a minute", hum{offset: -10, jitter: 20, drift: -90, scatter: 30, noiseDB: -58}, 0.97},
	{"rising 90 cents a minute", hum{offset: 30, jitter: 20, drift: 90, scatter: 30, noiseDB: -58}, 0.97},
	{"deep scoops", hum{offset: 20, jitter: 20, scatter: 30, scoop: 250, noiseDB: -58}, 0.97},
	{"vibrato", hum{offset: -30, jitter: 20, scatter: 30, vibrato: true, noiseDB: -58}, 0.97},
	{"a noisy room", hum{offset: -30, jitter: 25, scatter: 40, noiseDB: -40}, 0.95},
	{"consonants on the beat", hum{offset: -20, jitter: 20, scatter: 35, noiseDB: -62, consonants: []string{"s", "n", "l", "t"}, leads: true}, 0.96},
	{"slurred", hum{offset: -30, jitter: 20, scatter: 25, noiseDB: -58, slurred: true}, 0.97},
	{"the click leaks in", hum{offset: -30, jitter: 20, scatter: 25, noiseDB: -58, clickDB: -36}, 0.96},
	{"forty cents sharp", hum{offset: 40, jitter: 20, scatter: 30, noiseDB: -58}, 0.97},
}

func TestHums(t *testing.T) {
	list := hums
	if underRace {
		list = hums[:1]
	}
	const seed = 102
	m := makeMelody(seed)
	g := steadyGrid(t, m.bpm, m.metre)
	for _, c := range list {
		s, err := Read(humIt(t, m, g, c.hum, seed), Options{})
		if err != nil {
			t.Fatal(err)
		}
		a := compare(s, m.notes)
		t.Logf("%-25s F1 %.3f, lengths %d of %d, key %s of %s, tune %+.0f cents, %+.0f a minute, late %+.0f ms", c.name, a.f1(), a.lengths, a.right,
			s.Scale, m.scale, s.TuneCents, s.DriftCentsPerMinute, s.LateMilliseconds)
		if a.f1() < c.least {
			t.Errorf("%s: F1 %.3f, want %.2f: %v", c.name, a.f1(), c.least, diff(s, m.notes))
		}
	}
}

// melody is a made-up line with a known key.
type melody struct {
	notes []part.Note
	scale Scale
	bpm   float64
	metre tempo.Metre
}

// makeMelody draws a line of eight bars: mostly steps in the key, chord tones
// on strong beats, one note in fifteen outside the key, rhythms down to
// sixteenths, repeated notes and rests.
func makeMelody(seed uint64) melody {
	r := rand.New(rand.NewPCG(seed, 77))
	m := melody{scale: Scale{Tonic: int(r.IntN(12)), Minor: r.IntN(2) == 0}, bpm: 72 + float64(r.IntN(45)), metre: tempo.Metre{Num: 4, Den: 4}}
	cells := [][]int64{{4}, {2, 2}, {1, 1, 2}, {2, 1, 1}, {3, 1}, {1, 1, 1, 1}, {2, 2}, {4}, {-2, 2}, {1, 2, 1}}
	low := 40 + (m.scale.Tonic+8)%12 // the tonic from E2 to D#3, an octave under degree 7
	degree := 7
	at := int64(0)
	for bar := range 8 {
		for beat := range 4 {
			cell := cells[r.IntN(len(cells))]
			if bar%4 == 3 && beat >= 2 { // a cadence
				cell = [][]int64{{8}, {}}[beat-2]
			}
			for k, n := range cell {
				if n < 0 {
					at -= n
					continue
				}
				switch p := r.IntN(10); {
				case bar == 0 && beat == 0 && k == 0:
				case k == 0 && beat%2 == 0 && p < 7:
					degree = []int{7, 7, 7, 9, 11, 11, 4}[r.IntN(7)]
				case p < 2: // repeated
				case p < 9:
					degree += 1 - 2*r.IntN(2)
				default:
					degree += 3 - 6*r.IntN(2)
				}
				degree = max(2, min(degree, 13))
				if bar%4 == 3 && beat == 2 {
					degree = []int{11, 7}[bar/4]
				}
				key := low + m.scale.step(degree)
				if r.IntN(15) == 0 && n > 1 {
					key++
				}
				m.notes = append(m.notes, part.Note{Start: timecode.R(at, 4), Length: timecode.R(n, 4), Key: uint8(key)})
				at += n
			}
		}
	}
	return m
}

// step is a degree of the scale, 0 its tonic, in semitones above it.
func (s Scale) step(degree int) int {
	major, minor := [7]int{0, 2, 4, 5, 7, 9, 11}, [7]int{0, 2, 3, 5, 7, 8, 10}
	steps := major
	if s.Minor {
		steps = minor
	}
	return 12*(degree/7) + steps[degree%7]
}

// steadyGrid is a map of one tempo on a reference of a minute at 24 fps.
func steadyGrid(t testing.TB, bpm float64, metre tempo.Metre) *tempo.Grid {
	t.Helper()
	rate := timecode.Rate{Num: 24, Den: 1}
	frames := timecode.R(int64(math.Round(60*24*1000/bpm)), 1000)
	g, err := tempo.NewGrid(tempo.Map{Style: tempo.Steady, Sections: []tempo.Section{{Bars: 12, Metre: metre, FramesPerQuarter: frames}}}, rate, 24*60)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// humIt sings a melody with the faults of h.
func humIt(t testing.TB, m melody, g *tempo.Grid, h hum, seed uint64) Input {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 5))
	spread := func(x float64) float64 { return x * (2*r.Float64() - 1) }
	v := singer.Voice{Seed: seed, SampleRate: testRate, Breath: 0.05, JitterCents: 5, NoiseDB: h.noiseDB, TuneCents: h.offset, DriftCentsPerMinute: h.drift}
	consonants := h.consonants
	if consonants == nil {
		consonants = []string{"t", "n", "p", "l", "k", "m"}
	}
	var notes []singer.Note
	last := int64(0)
	for i, n := range m.notes {
		at := g.SampleAt(n.Start, testRate) + int64((h.late+spread(h.scatter))*testRate/1000)
		at = max(at, last+testRate/100)
		end := g.SampleAt(n.End(), testRate) + int64(h.late*testRate/1000)
		x := singer.Note{Start: at, Length: max(end-at-int64(r.Float64()*0.04*testRate), testRate/20), Key: float64(n.Key) + spread(h.jitter)/100, Vowel: "a", Consonant: consonants[r.IntN(len(consonants))], LevelDB: spread(3)}
		if h.leads {
			x.Start += x.Lead(testRate)
			x.Length -= x.Lead(testRate)
		}
		if i%3 == 0 {
			x.ScoopCents = h.scoop
		}
		if h.vibrato && x.Length > testRate/3 {
			x.VibratoHz, x.VibratoCents = 5.5, 40
		}
		notes = append(notes, x)
		last = at
	}
	if h.slurred {
		slur(notes, m)
	}
	if err := v.Check(notes); err != nil {
		t.Fatal(err)
	}
	start, end := -int64(testRate)/2, g.SampleAt(m.notes[len(m.notes)-1].End(), testRate)+testRate
	x := v.Sing(notes, start, end-start)
	if h.clickDB != 0 {
		clicks, err := g.Clicks(testRate, tempo.ClickPlan{})
		if err != nil {
			t.Fatal(err)
		}
		leaked, err := tempo.RenderClick(clicks, start, end, testRate, tempo.ClickOptions{LevelDB: h.clickDB})
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range leaked {
			x[i] += c
		}
	}
	return Input{Samples: x, Start: start, SampleRate: testRate, Grid: g}
}

// slur ties the notes of a melody that follow each other on unlike pitches.
func slur(notes []singer.Note, m melody) {
	for i := 1; i < len(notes); i++ {
		if m.notes[i-1].Key == m.notes[i].Key || m.notes[i-1].End() != m.notes[i].Start {
			continue
		}
		notes[i].Consonant, notes[i].Legato, notes[i].ScoopCents = "", true, 0
		notes[i-1].Length = notes[i].Start - notes[i-1].Start
	}
}

// agreement counts the notes that a sketch has right: key with octave and
// place; lengths among them.
type agreement struct{ right, place, lengths, got, want int }

func (a agreement) f1() float64 { return 2 * float64(a.right) / float64(a.got+a.want) }

func (a *agreement) add(b agreement) {
	a.right, a.place, a.lengths, a.got, a.want = a.right+b.right, a.place+b.place, a.lengths+b.lengths, a.got+b.got, a.want+b.want
}

func compare(s Sketch, want []part.Note) agreement {
	a := agreement{got: len(s.Notes), want: len(want)}
	for _, n := range s.Notes {
		for _, w := range want {
			if n.Start.Cmp(w.Start) != 0 {
				continue
			}
			a.place++
			if n.Key == w.Key {
				a.right++
				if n.Length.Cmp(w.Length) == 0 {
					a.lengths++
				}
			}
		}
	}
	return a
}

func TestMelodies(t *testing.T) {
	n := uint64(20)
	if underRace {
		n = 1
	}
	var all agreement
	keys := 0
	for seed := uint64(1); seed <= n; seed++ {
		m := makeMelody(seed)
		g := steadyGrid(t, m.bpm, m.metre)
		s, err := Read(humIt(t, m, g, usualHum, seed), Options{})
		if err != nil {
			t.Fatal(err)
		}
		a := compare(s, m.notes)
		all.add(a)
		if s.Scale == m.scale {
			keys++
		}
		t.Logf("%2d %3.0f BPM %-9s heard as %-9s: F1 %.3f (%d right, %d places, %d lengths of %d; %d written, %d unsure, %d left), tune %+.0f cents, %+.0f a minute, %+.0f ms late",
			seed, m.bpm, m.scale, s.Scale, a.f1(), a.right, a.place, a.lengths, a.want, a.got, s.Unsure(), len(s.Left), s.TuneCents, s.DriftCentsPerMinute, s.LateMilliseconds)
		if a.f1() < 0.9 {
			t.Errorf("melody %d: F1 %.3f: %v", seed, a.f1(), diff(s, m.notes))
		}
	}
	t.Logf("all: F1 %.4f, lengths %.3f, key right %d of %d", all.f1(), float64(all.lengths)/float64(all.right), keys, n)
	if all.f1() < 0.96 || all.lengths*100 < 95*all.right {
		t.Errorf("F1 %.3f, want 0.96; %d lengths of %d", all.f1(), all.lengths, all.right)
	}
	if keys < int(n)*3/4 {
		t.Errorf("%d keys right of %d, want three in four", keys, n)
	}
}

// BenchmarkRead reads 20 seconds of humming.
func BenchmarkRead(b *testing.B) {
	m := makeMelody(1)
	in := humIt(b, m, steadyGrid(b, m.bpm, m.metre), usualHum, 1)
	for b.Loop() {
		if _, err := Read(in, Options{}); err != nil {
			b.Fatal(err)
		}
	}
	seconds := float64(len(in.Samples)) / testRate
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}

// BenchmarkQuantise lays that humming's notes on the grid.
func BenchmarkQuantise(b *testing.B) {
	m := makeMelody(1)
	in := humIt(b, m, steadyGrid(b, m.bpm, m.metre), usualHum, 1)
	heard, _, err := hear(in)
	if err != nil {
		b.Fatal(err)
	}
	places := placesOf(in, Options{Finest: defaultFinest})
	for b.Loop() {
		quantise(heard, places, testRate)
	}
}

// diff lists what is missing (-), what is beside it (+), and what was left out.
func diff(s Sketch, want []part.Note) (out []string) {
	has := map[string]bool{}
	for _, n := range s.Notes {
		has[fmt.Sprint(n.Start, " ", part.KeyName(n.Key))] = true
	}
	wanted := map[string]bool{}
	for _, n := range want {
		k := fmt.Sprint(n.Start, " ", part.KeyName(n.Key))
		wanted[k] = true
		if !has[k] {
			out = append(out, "-"+k+" ("+n.Length.String()+")")
		}
	}
	for _, n := range s.Notes {
		if k := fmt.Sprint(n.Start, " ", part.KeyName(n.Key)); !wanted[k] {
			out = append(out, fmt.Sprintf("+%s (%s; %+.0f c %+.0f ms, %.2f %.2f)", k, n.Length, n.Cents, n.Milliseconds, n.PitchSure, n.PlaceSure))
		}
	}
	for _, l := range s.Left {
		out = append(out, fmt.Sprintf("left %d %s", l.Onset, l.Why))
	}
	return out
}

// humBent hums a melody cleanly but for one note, so many cents sharp.
func humBent(t testing.TB, m melody, g *tempo.Grid, which int, cents float64) Input {
	t.Helper()
	v := singer.Voice{Seed: 4, SampleRate: testRate, NoiseDB: -60}
	var notes []singer.Note
	for i, n := range m.notes {
		x := singer.Note{Start: g.SampleAt(n.Start, testRate), Key: float64(n.Key), Vowel: "a", Consonant: "t"}
		end := g.SampleAt(n.End(), testRate)
		if i == which {
			x.Key += cents / 100
		}
		x.Length = end - x.Start
		notes = append(notes, x)
	}
	return Input{Samples: v.Sing(notes, 0, notes[len(notes)-1].Start+3*testRate), SampleRate: testRate, Grid: g}
}
