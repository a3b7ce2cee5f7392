package sketch

import (
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/engine/tuning"
)

// A drift of up to a semitone and a half over a line is found, and what it hides
// is still read; a level line is taken for level.
func TestFindTuning(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 4))
	for _, c := range []struct{ offset, drift float64 }{{0, 0}, {-30, 0}, {20, -90}, {-10, 75}, {45, -60}, {-35, 40}} {
		var notes []heardNote
		for i := range 90 {
			at := int64(i) * testRate * 2 / 3 // a minute in all
			key := float64(55 + r.IntN(12))
			minutes := float64(at) / testRate / 60
			notes = append(notes, heardNote{onset: at, offset: at + testRate/2, confidence: 0.9,
				cents: 100*key + c.offset + c.drift*minutes + 25*(2*r.Float64()-1)})
		}
		got := findTuning(notes, testRate)
		whole := 100 * math.Round((got.At(0)-c.offset)/100) // a semitone more or less is the same tuning
		t.Logf("%+.0f cents and %+.0f a minute: %+.1f and %+.1f", c.offset, c.drift, got.At(0), got.CentsPerMinute)
		if math.Abs(got.At(0)-whole-c.offset) > 8 || math.Abs(got.CentsPerMinute-c.drift) > 12 {
			t.Errorf("%+.0f cents and %+.0f a minute are read as %+.1f and %+.1f", c.offset, c.drift, got.At(0), got.CentsPerMinute)
		}
		if c.drift == 0 && got.CentsPerMinute != 0 {
			t.Errorf("a level line drifts by %+.1f", got.CentsPerMinute)
		}
	}
}

// A guessed key draws a doubtful note to itself, and leaves one alone that lies
// plainly outside; a key that was given is kept to; chromatic draws nothing.
func TestKeyLeans(t *testing.T) {
	var notes []heardNote
	add := func(cents float64) {
		at := int64(len(notes)) * testRate / 2
		notes = append(notes, heardNote{onset: at, offset: at + testRate/2, cents: cents, confidence: 0.9})
	}
	for _, key := range []float64{60, 62, 64, 65, 67, 69, 71, 72, 72, 67, 64, 60, 67, 60, 64, 60} { // C major
		add(100 * key)
	}
	add(6554) // 54 cents over F, 46 under F#: in C it is F
	add(6612) // plainly F#
	doubtful, plain := len(notes)-2, len(notes)-1
	for _, c := range []struct {
		o    Options
		want [2]int
	}{{Options{}, [2]int{65, 66}}, {Options{Scale: &Scale{Chromatic: true}}, [2]int{66, 66}}, {Options{Scale: &Scale{}}, [2]int{65, 67}}, {Options{Octaves: -1}, [2]int{53, 54}}} {
		var s Sketch
		keys := s.readKeys(notes, tuning.Line{}, testRate, c.o)
		if got := [2]int{keys[doubtful].key, keys[plain].key}; got != c.want {
			t.Errorf("%+v: %v, want %v (%v, %.2f)", c.o, got, c.want, s.Scale, s.ScaleFit)
		}
		if c.o.Scale == nil && (s.Scale != (Scale{}) || !s.Guessed) {
			t.Errorf("C major is heard as %v", s.Scale)
		}
	}
}

// The depth of a place is that of its beat's cut, whatever the metre.
func TestPlaces(t *testing.T) {
	type at struct {
		quarter timecode.Ratio
		depth   float64
	}
	for _, c := range []struct {
		metre tempo.Metre
		o     Options
		want  []at
	}{
		{tempo.Metre{Num: 4, Den: 4}, Options{}, []at{{timecode.Int(0), 0}, {timecode.R(1, 4), 2}, {timecode.R(1, 2), 1}, {timecode.R(3, 4), 2}, {timecode.Int(1), 0}}},
		{tempo.Metre{Num: 4, Den: 4}, Options{Finest: timecode.R(1, 2), Triplets: true}, []at{{timecode.Int(0), 0}, {timecode.R(1, 3), 3}, {timecode.R(1, 2), 1}, {timecode.R(2, 3), 3}, {timecode.Int(1), 0}}},
		{tempo.Metre{Num: 6, Den: 8}, Options{Triplets: true}, []at{{timecode.Int(0), 0}, {timecode.R(1, 4), 2}, {timecode.R(1, 2), 1}, {timecode.R(3, 4), 3}, {timecode.Int(1), 1}, {timecode.R(5, 4), 2}, {timecode.R(3, 2), 0}}},
		{tempo.Metre{Num: 2, Den: 2}, Options{Finest: timecode.R(1, 2)}, []at{{timecode.Int(0), 0}, {timecode.R(1, 2), 2}, {timecode.Int(1), 1}, {timecode.R(3, 2), 2}, {timecode.Int(2), 0}}},
		{tempo.Metre{Num: 3, Den: 8}, Options{}, []at{{timecode.Int(0), 0}, {timecode.R(1, 4), 1}, {timecode.R(1, 2), 0}}}, // an eighth is the beat
	} {
		o, err := c.o.filled()
		if err != nil {
			t.Fatal(err)
		}
		g := steadyGrid(t, 90, c.metre)
		got := placesOf(Input{SampleRate: testRate, Grid: g, Samples: make([]float32, testRate)}, o)
		for i, w := range c.want {
			if p := got[i]; p.quarter != w.quarter || p.depth != w.depth || p.sample != g.SampleAt(w.quarter, testRate) {
				t.Errorf("%s, place %d: %s of depth %g, want %s of %g", c.metre, i, p.quarter, p.depth, w.quarter, w.depth)
			}
		}
	}
}

// A voice that slides: each note is reached from three semitones below over
// two tenths of a second and let go downwards. It is one note each.
func TestLongScoops(t *testing.T) {
	keys := []float64{57, 60, 62, 60, 64, 62, 60, 57}
	x := make([]float32, 10*testRate)
	phase := 0.0
	for i, key := range keys {
		const length, scoop, fall = 0.85, 0.2, 0.1 // seconds
		for k := range int(length * testRate) {
			s := float64(k) / testRate
			cents := 100 * key
			if s < scoop {
				cents -= 150 * (1 + math.Cos(math.Pi*s/scoop))
			}
			if s > length-fall {
				cents -= 200 * (s - length + fall) / fall
			}
			phase += 440 * math.Exp2((cents-6900)/1200) / testRate
			v := 0.0
			for h := 1.0; h <= 12; h++ {
				v += math.Sin(2*math.Pi*h*phase) / (h * h)
			}
			level := 0.1 * min(1, s/0.02, (length-s)/0.03)
			x[i*testRate+k] = float32(level * v)
		}
	}
	s, err := Read(Input{Samples: x, SampleRate: testRate, Grid: steadyGrid(t, 60, tempo.Metre{})}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Notes) != len(keys) {
		t.Errorf("%d notes, hummed were %d", len(s.Notes), len(keys))
	}
	for i, n := range s.Notes {
		t.Logf("%s %+.0f cents %+.0f ms", n.Note, n.Cents, n.Milliseconds)
		if i < len(keys) && (float64(n.Key) != keys[i] || n.Start != timecode.Int(int64(i))) {
			t.Errorf("note %d is %s, want key %g", i, n.Note, keys[i])
		}
	}
}

// Where thirds are allowed, a beat is cut in thirds or in halves, not in both: a
// note near a third stands on a quarter when the beat's other note does.
func TestTripletsDoNotIntrude(t *testing.T) {
	places := placesOf(Input{SampleRate: testRate, Grid: steadyGrid(t, 75, tempo.Metre{}), Samples: make([]float32, 4*testRate)}, Options{Finest: defaultFinest, Triplets: true})
	for _, c := range []struct {
		second float64 // of the beat
		want   timecode.Ratio
	}{{0.75, timecode.R(1, 4)}, {0.667, timecode.R(1, 3)}} {
		var notes []heardNote
		for _, beat := range []float64{0, 0.32, c.second, 1, 2} {
			at := int64(beat * 0.8 * testRate)
			notes = append(notes, heardNote{at, at, at, at + testRate/6, 6000, 1, 1})
		}
		q := quantise(notes, places, testRate)
		if got := places[q.placed[1].from].quarter; got != c.want {
			t.Errorf("0.32 before %g stands on %s, want %s", c.second, got, c.want)
		}
	}
	m := makeMelody(14)
	m.notes = m.notes[:30]
	g := steadyGrid(t, m.bpm, m.metre)
	s, err := Read(humIt(t, m, g, usualHum, 14), Options{Triplets: true})
	if err != nil {
		t.Fatal(err)
	}
	if f := compare(s, m.notes).f1(); f < 0.95 {
		t.Errorf("F1 %.3f: %v", f, diff(s, m.notes))
	}
}

// Who lays consonants of unlike length on the beat is no late singer, and each
// note still stands on its own place; who lays the voice there is left alone.
func TestConsonantsOnTheBeat(t *testing.T) {
	places := placesOf(Input{SampleRate: testRate, Grid: steadyGrid(t, 90, tempo.Metre{}), Samples: make([]float32, 8*testRate)}, Options{Finest: defaultFinest})
	for _, leads := range []bool{true, false} {
		r := rand.New(rand.NewPCG(31, 2))
		var notes []heardNote
		for i := range 40 {
			at := places[i].sample + int64(0.03*testRate*(2*r.Float64()-1))
			voice, attack := at, at-[]int64{0, 1900, 4300}[r.IntN(3)] // none, a t of 40 ms, an s of 90
			if leads {
				voice, attack = at+at-attack, at
			}
			notes = append(notes, heardNote{attack, voice, voice, at + testRate/8, 6000, 1, 1})
		}
		q := quantise(notes, places, testRate)
		t.Logf("consonants on the beat %v: %+.1f ms late", leads, 1000*q.late)
		if math.Abs(q.late) > 0.012 {
			t.Errorf("consonants on the beat %v: %+.1f ms late", leads, 1000*q.late)
		}
		for i, p := range q.placed {
			if p.from != i {
				t.Errorf("consonants on the beat %v: note %d stands on place %d", leads, i, p.from)
			}
		}
	}
}
