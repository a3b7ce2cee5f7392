package sketch

import (
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/part"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
)

// The lattice's cheapest reading and its probabilities are those of trying
// every reading of a short line.
func TestQuantiserEqualsExhaustiveSearch(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 3))
	places := make([]place, 14)
	for i := range places {
		places[i] = place{sample: int64(i) * 6000, beat: i / 4, depth: []float64{0, 2, 1, 2}[i%4], third: i%5 == 3}
	}
	for range 60 {
		var notes []heardNote
		at := int64(r.IntN(6000))
		for range 2 + r.IntN(3) {
			length := int64(2400 + r.IntN(9000))
			notes = append(notes, heardNote{attack: at - int64(r.IntN(4000)), early: at - int64(r.IntN(2000)), onset: at, offset: at + length})
			at += length + int64(r.IntN(3000))
		}
		q := newQuantiser(notes, places, testRate, shared{0.01, 0.5})
		got := q.best()
		out := q.path()
		var sums posterior
		sums.add(q)
		sums.tell(out)

		want, all := math.Inf(1), math.Inf(-1)
		through := make([]float64, len(notes))
		var way []int
		for i := range through {
			through[i] = math.Inf(-1)
		}
		q.every(0, nil, func(chosen []int, cost float64) {
			if cost < want {
				want, way = cost, append([]int(nil), chosen...)
			}
			all = logSum(all, -cost)
			for i, c := range chosen {
				if c >= 0 && out[i].from == q.lattice[i][c].place {
					through[i] = logSum(through[i], -cost)
				}
			}
		})
		if math.Abs(got-want) > 1e-9 {
			t.Fatalf("cost %v, the least of all is %v", got, want)
		}
		for i, p := range out {
			if from := -1; way[i] >= 0 && q.lattice[i][way[i]].place != p.from || way[i] < 0 && p.from != from {
				t.Fatalf("note %d lies on %d, the cheapest reading is %v", i, p.from, way)
			}
			if p.from >= 0 && math.Abs(p.sure-math.Exp(through[i]-all)) > 1e-9 {
				t.Fatalf("note %d is sure by %v, by all readings %v", i, p.sure, math.Exp(through[i]-all))
			}
		}
	}
}

// every calls f with each reading from note i on: a candidate for each note,
// -1 for none, and what the reading costs.
func (q *quantiser) every(i int, chosen []int, f func([]int, float64)) {
	if i < len(q.notes) {
		for c := -1; c < len(q.lattice[i]); c++ {
			q.every(i+1, append(chosen[:i:i], c), f)
		}
		return
	}
	cost, last := 0.0, -1
	for i, c := range chosen {
		if c < 0 {
			continue
		}
		if last < 0 {
			cost = q.begin(i, &q.lattice[i][c])
		} else {
			cost += q.step(last, &q.lattice[last][chosen[last]], i, &q.lattice[i][c])
		}
		last = i
	}
	if last >= 0 && !math.IsInf(cost, 1) {
		f(chosen, cost+q.finish(last, &q.lattice[last][chosen[last]]))
	}
}

func line(key uint8, starts ...timecode.Ratio) []part.Note {
	var out []part.Note
	for i := range len(starts) - 1 {
		out = append(out, part.Note{Start: starts[i], Length: starts[i+1].Sub(starts[i]), Key: key + uint8([]int{0, 2, 4, 5}[i%4])})
	}
	return out
}

// Triplets are written when they are allowed and proposed when they are not;
// a line without them is left alone.
func TestTriplets(t *testing.T) {
	var starts []timecode.Ratio
	for i := range int64(25) {
		starts = append(starts, timecode.R(i, 3))
	}
	h := hum{offset: 10, jitter: 10, scatter: 15, noiseDB: -58}
	m := melody{notes: line(57, starts...), bpm: 80}
	g := steadyGrid(t, m.bpm, tempo.Metre{})
	in := humIt(t, m, g, h, 3)
	for _, c := range []struct {
		allowed bool
		least   float64
		most    float64
	}{{true, 0.95, 1}, {false, 0, 0.7}} {
		s, err := Read(in, Options{Triplets: c.allowed})
		if err != nil {
			t.Fatal(err)
		}
		f := compare(s, m.notes).f1()
		t.Logf("triplets allowed %v: F1 %.3f, proposed %v", c.allowed, f, s.TripletsFit)
		if f < c.least || f > c.most || s.TripletsFit == c.allowed {
			t.Errorf("triplets allowed %v: F1 %.3f, proposed %v", c.allowed, f, s.TripletsFit)
		}
	}
	plain := makeMelody(5)
	plain.notes = plain.notes[:30]
	g = steadyGrid(t, plain.bpm, plain.metre)
	s, err := Read(humIt(t, plain, g, usualHum, 5), Options{})
	if err != nil || s.TripletsFit {
		t.Errorf("triplets are proposed for a line without them (%v)", err)
	}
}

// In 6/8 a beat has three eighths, no triplets are needed for them.
func TestCompoundMetre(t *testing.T) {
	var starts []timecode.Ratio
	at := timecode.Int(0)
	for i := range 25 {
		starts = append(starts, at)
		at = at.Add([]timecode.Ratio{timecode.R(1, 2), timecode.R(1, 2), timecode.R(1, 2), timecode.Int(1), timecode.R(1, 2), timecode.R(3, 2)}[i%6])
	}
	metre := tempo.Metre{Num: 6, Den: 8}
	m := melody{notes: line(52, starts...), bpm: 110, metre: metre}
	s, err := Read(humIt(t, m, steadyGrid(t, m.bpm, metre), usualHum, 4), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if f := compare(s, m.notes).f1(); f < 0.95 || s.TripletsFit {
		t.Errorf("F1 %.3f, triplets proposed %v: %v", f, s.TripletsFit, diff(s, m.notes))
	}
}

// More notes than places: what has none is told, and the rest stays in order.
func TestRunFasterThanTheGrid(t *testing.T) {
	var starts []timecode.Ratio
	for i := range int64(17) {
		starts = append(starts, timecode.R(i, 4))
	}
	m := melody{notes: line(57, starts...), bpm: 90}
	g := steadyGrid(t, m.bpm, tempo.Metre{})
	in := humIt(t, m, g, hum{noiseDB: -60}, 9)
	s, err := Read(in, Options{Finest: timecode.R(1, 2)})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Notes) == 0 || len(s.Notes) > 9 || len(s.Left) < 6 {
		t.Errorf("%d notes and %d left out of 16 on 8 places", len(s.Notes), len(s.Left))
	}
	if err := s.Part("x").Validate(); err != nil {
		t.Error(err)
	}
}

// Whatever was heard, notes stand in order, none over the next, and each has a
// length.
func TestQuantiserKeepsOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(41, 8))
	rounds := 300
	if underRace {
		rounds = 30
	}
	for range rounds {
		places := make([]place, 2+r.IntN(12))
		for i := range places {
			places[i] = place{sample: int64(i) * 6000, beat: i / 4, depth: float64(i % 3), third: i%4 == 1}
		}
		var notes []heardNote
		at := int64(r.IntN(20000)) - 8000
		for range 1 + r.IntN(14) {
			length := int64(r.IntN(9000))
			notes = append(notes, heardNote{at - int64(r.IntN(5000)), at - int64(r.IntN(900)), at, at + length, 6000, 1, 1})
			at += length + int64(r.IntN(2000))
		}
		free := 0
		for _, p := range quantise(notes, places, testRate).placed {
			if p.from < 0 {
				continue
			}
			if p.from < free || p.to <= p.from || p.to >= len(places) || !(p.sure > 0 && p.sure < 1+1e-9) || p.rival == p.from {
				t.Fatalf("%+v after place %d of %d", p, free, len(places))
			}
			free = p.to
		}
	}
}
