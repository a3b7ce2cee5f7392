package tempo

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// everyGlide tries every chain of legs with every tempo of the row on each
// anchor, by recursion, and measures each finished map by its grid alone.
func everyGlide(t *testing.T, g *glider) (float64, int) {
	p := g.p
	best, n := math.Inf(1), 0
	finish := func(s *glideState) {
		a, err := p.answer(g.glideMap(s))
		if err != nil {
			t.Fatal(err)
		}
		n++
		if p.mustsOff(a) == 0 {
			best = min(best, a.Cost)
		}
	}
	var grow func(s *glideState, at int)
	grow = func(s *glideState, at int) {
		for to := at + 1; to < len(p.nodes); to++ {
			for _, l := range everyLeg(p, at, to) {
				if s != nil && l.phase != s.leg.end {
					continue
				}
				for a := range g.unit {
					if s != nil && a != s.tempos[1] {
						continue
					}
					for b := range g.unit {
						if !mayGlide(g, l, a, b) {
							continue
						}
						next := &glideState{leg: l, tempos: [2]int{a, b}, before: s}
						finish(next)
						grow(next, to)
					}
				}
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

// mayGlide holds a pair of tempos to the limits, in its own words: within the
// range, no more than the largest step in each half or, in a longer one, in a
// bar.
func mayGlide(g *glider, l *leg, a, b int) bool {
	p := g.p
	mean := float64(p.nodes[l.to].frame-p.nodes[l.from].frame) / float64(l.units)
	mid := 2*mean - (g.unit[a]+g.unit[b])/2
	bars := max(float64(l.units)/2/float64(p.main.bar), 1)
	most := math.Pow(1+p.o.MaxStep, bars) * (1 + 1e-12)
	ratio := func(x, y float64) float64 { return max(x/y, y/x) }
	near := min(math.Exp(glideStray), most) + 1e-12
	return mid >= p.minF && mid <= p.maxF && ratio(mid, g.unit[a]) <= most && ratio(mid, g.unit[b]) <= most &&
		ratio(g.unit[a], mean) <= near && ratio(g.unit[b], mean) <= near
}

func TestGlidingEqualsExhaustiveSearch(t *testing.T) {
	r := rand.New(rand.NewPCG(31, 32))
	maps, met, bent := 0, 0, 0
	cases := 320
	if underRace {
		cases = 40
	}
	for c := range cases {
		kinds := [][]Lands{{LandsBar}, {LandsBar, LandsBeat}, {LandsBar, LandsBeat, LandsHalf}}[c%3]
		n := []int{4, 3, 3}[c%3]
		slow := 85 + float64(r.IntN(25))
		o := Options{Rate: timecode.Rate24, Style: Gliding, MinBPM: slow, MaxBPM: slow * (1.07 + r.Float64()/16), MaxStep: 0.04 + r.Float64()/8,
			Metres: [][]Metre{{{4, 4}}, {{4, 4}, {3, 4}}, {{3, 4}}, {{6, 8}, {2, 4}}}[r.IntN(4)]}
		hits := randomHits(r, n, []float64{0, 0.4, 1}[r.IntN(3)], kinds)
		o = o.withDefaults(hits)
		p, err := newProblem(hits, o)
		if err != nil {
			continue
		}
		legs, err := p.legs(false)
		if err != nil {
			t.Fatal(err)
		}
		g := p.newGlider(p.standard(), false)
		ends, err := g.glides(context.Background(), legs)
		if err != nil {
			t.Fatal(err)
		}
		want, tried := everyGlide(t, p.newGlider(p.standard(), false))
		maps += tried
		if len(ends) == 0 {
			if !math.IsInf(want, 1) {
				t.Fatalf("case %d: no chain, where one costs %v\n%+v\n%+v", c, want, hits, o)
			}
			continue
		}
		met++
		a, err := p.answer(g.glideMap(ends[0]))
		if err != nil {
			t.Fatal(err)
		}
		if a.tally.glides > 0 {
			bent++
		}
		if math.Abs(a.Cost-want) > 1e-6 || math.Abs(ends[0].cost-want) > 1e-6 {
			t.Fatalf("case %d: cost %v (said to be %v), exhaustive search finds %v\n%s\n%+v\n%+v", c, a.Cost, ends[0].cost, want, a.Words, hits, o)
		}
	}
	if 5*met < 2*cases || 3*bent < cases {
		t.Errorf("of %d cases only %d had a map, %d one that glides", cases, met, bent)
	}
	t.Logf("%d cases with a map, %d of them gliding; %d maps measured", met, bent, maps)
}

// The tempo never jumps, must-hits lie exactly on their landings, and nothing
// moves faster than allowed.
func TestGlidingIsExactAndSmooth(t *testing.T) {
	hits := bars(24, 131, 250, 333, 480, 701, 790)
	o := Options{Frames: 900, Style: Gliding}
	answers := solve(t, hits, o)
	if len(answers) < 3 || answers[0].tally.glides == 0 {
		t.Fatalf("%d answers, the first: %s", len(answers), answers[0].Words)
	}
	for i, a := range answers {
		t.Logf("%.3f %s; %s", a.Cost, a.Words, a.Trade)
		for _, l := range a.Landings {
			if l.ErrorFrames.Sign() != 0 || l.Place.Beat != 1 {
				t.Errorf("answer %d: hit %d falls on %s off by %s", i, l.Hit, l.Place, l.ErrorFrames)
			}
		}
		if a.Map.Style != Gliding {
			continue
		}
		for k := 1; k < len(a.Map.Sections); k++ {
			if s, before := a.Map.Sections[k], a.Map.Sections[k-1]; s.FramesPerQuarter != before.EndPeriod() {
				t.Errorf("answer %d jumps from %s to %s frames a quarter", i, before.EndPeriod(), s.FramesPerQuarter)
			}
		}
	}
	// by the bar lines alone: neighbouring bars differ by 12 % at most
	g := mustGrid(t, answers[0].Map, timecode.Rate24, 900)
	lines := g.Bars(48000)
	for i := 2; i < len(lines); i++ {
		a, b := lines[i-1].Frame.Sub(lines[i-2].Frame).Float(), lines[i].Frame.Sub(lines[i-1].Frame).Float()
		if lines[i-1].Metre == lines[i-2].Metre && max(a/b, b/a) > 1.12+1e-9 {
			t.Errorf("bar %d lasts %v frames, the one before %v", lines[i-1].Number, b, a)
		}
	}
}

// When nothing smooth meets the must-hits, the reason and a map of steps.
func TestGlidingThatCannotBe(t *testing.T) {
	hits := bars(0, 96, 186, 288)
	out, err := Solve(context.Background(), hits, Options{Rate: timecode.Rate24, Frames: 400, Style: Gliding, MinBPM: 55, MaxBPM: 65, MaxStep: 0.07, Metres: []Metre{{4, 4}}})
	if fault.KindOf(err) != fault.NotMet || len(out) == 0 {
		t.Fatalf("%d answers, %v", len(out), err)
	}
	t.Log(err, "/", out[0].Words)
	out, err = Solve(context.Background(), []Hit{{Frame: 100, Must: true}}, Options{Rate: timecode.Rate24, Frames: 400, Style: Gliding})
	if err != nil || !strings.HasPrefix(out[0].Words, "one tempo") {
		t.Errorf("one hit: %v, %+v", err, out)
	}
}

// A pinned beat is exact whatever the style, and stays in the map.
func TestSolveKeepsPins(t *testing.T) {
	pins := []Pin{{3, 1, 110}, {7, 3, 338}}
	hits := []Hit{{Frame: 50, Tolerance: 2, Lands: LandsBeat}, {Frame: 230, Must: true, Lands: LandsBeat}, {Frame: 500, Must: true}}
	for _, style := range []Style{Steady, Stepped, Gliding} {
		out, err := Solve(context.Background(), hits, Options{Rate: timecode.Rate24, Frames: 600, Style: style, Pins: pins, MaxStep: 0.3})
		if style != Steady && (err != nil || len(out) == 0) {
			t.Errorf("%s: %v", style, err)
		}
		for _, a := range out {
			g := mustGrid(t, a.Map, timecode.Rate24, 600) // holds the pins
			if len(a.Map.Pins) != 2 || len(a.Landings) != len(hits) || g.At(7, 3, 338).ErrorFrames.Sign() != 0 {
				t.Errorf("%s: pins %v, %d landings, 7.3 at %s", style, a.Map.Pins, len(a.Landings), g.At(7, 3, 338).Frame)
			}
		}
	}
	// twelve frames a quarter by two pins: the one tempo that there is
	out, err := Solve(context.Background(), nil, Options{Rate: timecode.Rate24, Frames: 600, Style: Steady, Pins: []Pin{{2, 1, 60}, {9, 3, 420}}})
	if err != nil || out[0].Map.Sections[0].FramesPerQuarter != timecode.Int(12) {
		t.Errorf("%+v, %v", out, err)
	}
	// half a frame later the bars would catch the want too: the pin forbids it
	want := []Hit{{Frame: 109}}
	o := Options{Rate: timecode.Rate24, Frames: 600, Style: Steady, MinBPM: 119.99, MaxBPM: 120.01, Answers: 1}
	if out, err = Solve(context.Background(), want, o); err != nil || !out[0].Landings[0].Caught {
		t.Errorf("without a pin: %+v, %v", out, err)
	}
	o.Pins = []Pin{{2, 1, 60}, {3, 1, 108}}
	if out, err = Solve(context.Background(), want, o); err != nil || out[0].Landings[0].Caught || len(out[0].Map.Pins) != 2 {
		t.Errorf("with pins: %+v, %v", out, err)
	}
	// pins 49 frames a bar apart; a beat at 72.25 meets the must but for a quarter frame
	o = Options{Rate: timecode.Rate24, Frames: 600, Style: Steady, Answers: 1, Pins: []Pin{{2, 1, 60}, {3, 1, 109}}}
	if out, err = Solve(context.Background(), []Hit{{Frame: 72, Must: true, Lands: LandsBeat}}, o); err != nil || out[0].Landings[0].ErrorFrames != timecode.R(1, 4) {
		t.Errorf("a must beside pins: %+v, %v", out, err)
	}
	// must-hits that cannot be: the nearest maps keep the pins and catch the most
	hits = bars(24, 130, 236, 239, 342)
	out, err = Solve(context.Background(), hits, Options{Rate: timecode.Rate24, Frames: 600, Pins: []Pin{{3, 2, 150}, {5, 1, 290}}, MaxStep: 0.4})
	if fault.KindOf(err) != fault.NotMet || len(out) == 0 {
		t.Fatalf("%d answers, %v", len(out), err)
	}
	caught := 0
	for _, l := range out[0].Landings {
		if l.Caught {
			caught++
		}
	}
	if len(out[0].Map.Pins) != 2 || caught < 2 {
		t.Errorf("the nearest map keeps %v and catches %d: %s", out[0].Map.Pins, caught, out[0].Words)
	}
	if out, err = Solve(context.Background(), nil, Options{Rate: timecode.Rate24, Frames: 600, Pins: []Pin{{2, 1, 60}, {9, 3, 61}}}); fault.KindOf(err) != fault.NotMet || len(out) != 0 {
		t.Errorf("pins a frame apart gave %d maps, %v", len(out), err)
	}
}
