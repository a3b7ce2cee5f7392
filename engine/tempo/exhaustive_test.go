package tempo

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
)

func randomHits(r *rand.Rand, n int, musts float64, kinds []Lands) []Hit {
	var out []Hit
	frame := int64(r.IntN(30))
	for range n {
		out = append(out, Hit{Frame: frame, Must: r.Float64() < musts, Tolerance: int64(r.IntN(3)), Lands: kinds[r.IntN(len(kinds))]})
		frame += int64(8 + r.IntN(90))
		if r.IntN(12) == 0 {
			out = append(out, Hit{Frame: out[len(out)-1].Frame, Lands: kinds[r.IntN(len(kinds))]})
		}
	}
	return out
}

// exhaustive tries every chain of legs by recursion and measures each finished
// map by its grid alone: another road to the same minimum.
func exhaustive(t *testing.T, p *problem) (float64, int) {
	best, n := math.Inf(1), 0
	var grow func(s *state, at int)
	finish := func(s *state) {
		a, err := p.answer(p.steppedMap(s))
		if err != nil {
			t.Fatal(err)
		}
		n++
		if p.mustsOff(a) == 0 {
			best = min(best, a.Cost)
		}
	}
	grow = func(s *state, at int) {
		for to := at + 1; to < len(p.nodes); to++ {
			for _, l := range everyLeg(p, at, to) {
				if s != nil {
					if l.phase != s.leg.end {
						continue
					}
					if r := math.Exp(math.Abs(l.lnF - s.lnF)); r > 1+p.o.MaxStep+1e-9 {
						continue
					}
				}
				next := &state{lnF: l.lnF, leg: l, before: s}
				finish(next)
				grow(next, to)
			}
			if p.nodes[to].must {
				break
			}
		}
	}
	for i := range p.nodes {
		grow(nil, i)
		if p.nodes[i].must {
			break
		}
	}
	return best, n
}

// everyLeg is all stretches between two hits: any units at all in range that
// main bars and up to two odd ones make up.
func everyLeg(p *problem, i, j int) []*leg {
	var out []*leg
	gap := float64(p.nodes[j].frame - p.nodes[i].frame)
	for _, a := range p.nodes[i].phases {
		for _, b := range p.nodes[j].phases {
			for units := int64(1); gap/float64(units) >= p.minF; units++ {
				if gap/float64(units) > p.maxF {
					continue
				}
				for k, odd := range p.odd {
					whole := units - odd.units - b + a // from the bar line before
					if whole%p.main.bar != 0 || whole < 0 || whole == 0 && a > 0 && (b <= a || odd.units > 0) {
						continue
					}
					out = append(out, &leg{from: int32(i), to: int32(j), phase: int32(a), end: int32(b), units: units, odd: int32(k),
						bars: int32(whole/p.main.bar) + int32(len(odd.bars)), lnF: math.Log(gap / float64(units))})
				}
			}
		}
	}
	return out
}

func TestSteppedEqualsExhaustiveSearch(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	chains, met, cases := 0, 0, 680
	if underRace {
		cases = 80
	}
	for c := range cases {
		kinds := [][]Lands{{LandsBar}, {LandsBar, LandsBeat}, {LandsBar, LandsBeat, LandsHalf}}[c%3]
		n := []int{5, 4, 3}[c%3]
		o := Options{Rate: timecode.Rate24, MinBPM: 80 + float64(r.IntN(20)), MaxBPM: 115 + float64(r.IntN(30)), MaxStep: 0.05 + r.Float64()/4,
			Metres: [][]Metre{{{4, 4}}, {{4, 4}, {3, 4}}, {{3, 4}, {2, 4}}, {{4, 4}, {6, 8}}, {{6, 8}, {2, 4}}}[r.IntN(5)]}
		if r.IntN(2) == 0 {
			o.TempoBPM = o.MinBPM + r.Float64()*(o.MaxBPM-o.MinBPM)
		}
		hits := randomHits(r, n, []float64{0, 0.4, 1}[r.IntN(3)], kinds)
		o = o.withDefaults(hits)
		p, err := newProblem(hits, o)
		if err != nil {
			continue // two musts of one frame at odds
		}
		want, tried := exhaustive(t, p)
		chains += tried
		legs, err := p.legs(false)
		if err != nil {
			t.Fatal(err)
		}
		ends, err := p.chain(context.Background(), legs, p.standard(), false)
		if err != nil {
			t.Fatal(err)
		}
		if len(ends) == 0 {
			if !math.IsInf(want, 1) {
				t.Fatalf("case %d: no chain, where one costs %v\n%+v\n%+v", c, want, hits, o)
			}
			continue
		}
		met++
		a, err := p.answer(p.steppedMap(ends[0]))
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(a.Cost-want) > 1e-6 || math.Abs(ends[0].cost-want) > 1e-6 {
			t.Fatalf("case %d: cost %v (said to be %v), exhaustive search finds %v\n%s\n%+v\n%+v", c, a.Cost, ends[0].cost, want, a.Words, hits, o)
		}
	}
	if met < cases*73/100 { // 500 of 680
		t.Errorf("only %d of %d cases had a map", met, cases)
	}
	t.Logf("%d cases with a map, %d chains measured", met, chains)
}

// The steady search against a blind one: each tempo at the corner of two
// hits' tolerances, each offset at the corner of one, counted by Landings.
func TestSteadyEqualsExhaustiveSearch(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	cases := 520
	if underRace {
		cases = 60
	}
	for c := range cases {
		kinds := [][]Lands{{LandsBar}, {LandsBeat}, {LandsBar, LandsBeat, LandsHalf}}[c%3]
		hits := randomHits(r, 2+r.IntN(4), []float64{0, 0.5}[r.IntN(2)], kinds)
		o := Options{Rate: timecode.Rate24, Style: Steady, MinBPM: 90, MaxBPM: 110}.withDefaults(hits)
		p, err := newProblem(hits, o)
		if err != nil {
			continue
		}
		best := math.Inf(1)
		for _, k := range p.clicks() {
			for _, ring := range p.rings(k) {
				for x := ring.centre; x < ring.centre+ring.count*ring.period; x += ring.period {
					for _, d := range []int64{-ring.width, 0, ring.width} {
						best = min(best, blindCost(p, k, x+d))
					}
				}
			}
		}
		// and at random, to show that corners are enough
		for range 1500 {
			k := click{int64(1e6 * (p.minF + r.Float64()*(p.maxF-p.minF))), 1e6}
			if k.float() < p.minF || k.float() > p.maxF {
				continue
			}
			if got := blindCost(p, k, r.Int64N(2*k.a*p.main.bar)); got < best {
				t.Fatalf("case %d: a random click costs %v, less than any corner (%v)", c, got, best)
			}
		}
		got := math.Inf(1)
		for _, k := range p.clicks() {
			s := p.sweep(k)
			if cost := blindCost(p, k, s.spans[0][0]); math.Abs(cost-s.cost) > 1e-9 {
				t.Fatalf("case %d: the sweep says %v, the grid %v", c, s.cost, cost)
			}
			got = min(got, s.cost)
		}
		if math.Abs(got-best) > 1e-9 {
			t.Fatalf("case %d: the sweep finds %v, exhaustive search %v", c, got, best)
		}
	}
}

// Whether one tempo lays every must-hit exactly on a landing, by trying every
// tempo that two of them allow and every place for the first: where there is
// one, the first answer is such a map; where not, it says how it falls short.
func TestSteadyIsExactWhereItCanBe(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	exact, not := 0, 0
	for c := range 300 {
		kinds := [][]Lands{{LandsBar}, {LandsBeat}, {LandsBar, LandsBeat, LandsHalf}}[c%3]
		var hits []Hit
		frame := int64(r.IntN(30))
		for range 2 + r.IntN(3) {
			hits = append(hits, Hit{Frame: frame, Must: true, Lands: kinds[r.IntN(len(kinds))]})
			frame += int64(12 * (2 + r.IntN(20)) / (1 + r.IntN(2)))
		}
		hits = append(hits, Hit{Frame: frame, Tolerance: 2, Lands: LandsHalf})
		o := Options{Rate: timecode.Rate24, Style: Steady, MinBPM: 80, MaxBPM: 140}
		out, err := Solve(context.Background(), hits, o)
		can := exactTempo(hits[:len(hits)-1], o)
		if !can {
			if not++; err == nil && !strings.Contains(out[0].Words, "within half a frame") {
				t.Fatalf("case %d: nothing exact exists, and the answer is: %s\n%+v", c, out[0].Words, hits)
			}
			continue
		}
		if exact++; err != nil {
			t.Fatalf("case %d: %v, where an exact tempo exists\n%+v", c, err, hits)
		}
		for _, l := range out[0].Landings[:len(hits)-1] {
			if l.ErrorFrames.Sign() != 0 {
				t.Fatalf("case %d: %s is %s frames off, where an exact tempo exists: %s\n%+v", c, l.Place, l.ErrorFrames, out[0].Words, hits)
			}
		}
	}
	if exact < 60 || not < 60 {
		t.Errorf("%d cases can be exact, %d cannot", exact, not)
	}
	t.Logf("%d cases can be exact, %d cannot", exact, not)
}

// exactTempo works in half beats of 4/4: the first hit lies k of them into a
// bar, and n of them lie between the first and the last.
func exactTempo(hits []Hit, o Options) bool {
	step := map[Lands]int64{LandsBar: 8, LandsBeat: 2, LandsHalf: 1}
	gap := hits[len(hits)-1].Frame - hits[0].Frame
	for n := int64(1); n < 4*gap; n++ {
		if bpm := 60 * 24 * float64(n) / 2 / float64(gap); bpm < o.MinBPM-1e-9 || bpm > o.MaxBPM+1e-9 {
			continue
		}
		for k := range int64(8) {
			ok := true
			for _, h := range hits {
				halves := (h.Frame - hits[0].Frame) * n
				ok = ok && halves%gap == 0 && (k+halves/gap)%step[h.Lands] == 0
			}
			if ok {
				return true
			}
		}
	}
	return false
}

// Hits planted on a click of no simple value, each moved within its tolerance:
// the search has to find a click that catches them all.
func TestSteadyFindsAPlantedClick(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	for c := range 100 {
		f, start := 12.5+5*r.Float64(), 40*r.Float64()
		var hits []Hit
		for n := range 5 {
			tolerance := int64(1 + r.IntN(2))
			at := start + f*4*float64(3*n+r.IntN(3))
			off := (2*r.Float64() - 1) * (float64(tolerance) - 0.5) // rounding takes the rest
			hits = append(hits, Hit{Frame: max(0, int64(math.Round(at+off))), Tolerance: tolerance})
		}
		a := solve(t, hits, Options{Style: Steady, MinBPM: 80, MaxBPM: 120, TempoBPM: 100})[0]
		for _, l := range a.Landings {
			if !l.Caught {
				t.Fatalf("case %d, a click of %v frames from %v: %s misses %+v\n%+v", c, f, start, a.Words, l, hits)
			}
		}
	}
}

// Bars of 61.4 frames from frame 0: bar lines at 0, 614 and 1535. Hits at the
// edge of their tolerances, after, before and after them, leave one click
// alone: 0.6 x 0 + 0.4 x 1535 = 614. No two hits lie that far apart themselves.
func TestSteadyFindsTheOnlyClick(t *testing.T) {
	hits := []Hit{{Frame: 1, Tolerance: 1}, {Frame: 613, Tolerance: 1}, {Frame: 1537, Tolerance: 2}}
	a := solve(t, hits, Options{Style: Steady, MinBPM: 93, MaxBPM: 94.5})[0]
	if f := a.Map.Sections[0].FramesPerQuarter; f != timecode.R(307, 20) || a.Map.Start.Sign() != 0 {
		t.Errorf("%s frames a quarter from %s (%s), want 307/20 from 0", f, a.Map.Start, a.Words)
	}
}

// blindCost counts misses by each hit's own nearest landing.
func blindCost(p *problem, k click, start int64) float64 {
	cost := p.wTempo * math.Abs(math.Log(k.float()/p.wishF))
	if k.a*8*p.main.beat%k.b != 0 {
		cost += weightUnplain
	}
	for _, h := range p.hits {
		step := p.main.step(h.Lands)
		x := float64(h.Frame) - float64(start)/float64(2*k.b)
		f := k.float() * float64(step)
		off := math.Abs(x - f*math.Round(x/f))
		if off > max(float64(h.Tolerance), 0.5)+1e-9 {
			cost += map[bool]float64{true: weightMust, false: weightWant}[h.Must]
		}
	}
	return cost
}
