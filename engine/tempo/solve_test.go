package tempo

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

func bars(frames ...int64) []Hit {
	var out []Hit
	for _, f := range frames {
		out = append(out, Hit{Frame: f, Must: true})
	}
	return out
}

func solve(t testing.TB, hits []Hit, o Options) []Answer {
	t.Helper()
	if o.Rate == (timecode.Rate{}) {
		o.Rate = timecode.Rate24
	}
	out, err := Solve(context.Background(), hits, o)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// The click book's question: one click between 8-0 and 20-0 in eighths, the
// first hit on the first click, every hit within one frame (arithmetic).
func TestClickBook(t *testing.T) {
	for eighths, n := range map[int64]int{767: 0, 768: 1, 784: 1, 785: 0} { // 97 frames less or more than 9/8, 1, 1, 9/8
		if got := ClickBook([]int64{0, 97}, timecode.R(eighths, 8), timecode.R(eighths, 8), 1); len(got) != n {
			t.Errorf("a click of %d/8 frames: %v", eighths, got)
		}
	}
	for _, c := range []struct {
		hits []int64
		want string
	}{
		{[]int64{0, 100, 190}, "8-2 9-0 10-0 11-1 12-5"},
		{[]int64{0, 97, 193}, "8-0 8-6 9-5 10-6 12-0 12-1 13-6 16-0 16-1 19-2 19-3"},
		{[]int64{0, 100, 195}, ""},
		{[]int64{500, 597, 693}, "8-0 8-6 9-5 10-6 12-0 12-1 13-6 16-0 16-1 19-2 19-3"},
	} {
		var got []string
		for _, f := range ClickBook(c.hits, timecode.Int(8), timecode.Int(20), 1) {
			s, _ := ClickNotation(f)
			got = append(got, s)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%v: %v, want %s", c.hits, got, c.want)
		}
	}
}

// 24 frames a beat of 4/4 at 24 fps: bars every 96 frames, 60 BPM; and the
// same at twice the tempo. The wish decides.
func TestSteadyFindsTheObviousTempo(t *testing.T) {
	for _, c := range []struct {
		wish float64
		per  int64
	}{{60, 24}, {120, 12}} {
		a := solve(t, bars(10, 106, 202, 394), Options{Style: Steady, Frames: 500, TempoBPM: c.wish})[0]
		if got := a.Map.Sections[0].FramesPerQuarter; got != timecode.Int(c.per) {
			t.Errorf("wished %v BPM: %s frames a quarter, want %d (%s)", c.wish, got, c.per, a.Words)
		}
		for _, l := range a.Landings {
			if l.ErrorFrames.Sign() != 0 || !l.Caught {
				t.Errorf("wished %v BPM: %+v is not exact", c.wish, l)
			}
		}
		if a.Map.Start.Sign() > 0 || a.Map.Start.Float() <= -96 {
			t.Errorf("bar 1 at frame %s does not hold frame 0", a.Map.Start)
		}
	}
}

func TestNoHits(t *testing.T) {
	a := solve(t, nil, Options{Frames: 2400})
	if len(a) != 1 || a[0].Map.Sections[0].FramesPerQuarter != timecode.R(72, 5) || a[0].Map.Start.Sign() != 0 {
		t.Fatalf("%+v, want 100 BPM from frame 0", a)
	}
	a = solve(t, nil, Options{Frames: 2400, TempoBPM: 84, Rate: timecode.Rate23976})
	if got := a[0].Map.Sections[0].FramesPerQuarter; got != timecode.R(60*24000, 1001*84) {
		t.Errorf("84 BPM is %s frames a quarter", got)
	}
}

// Must-hits on bar lines, frames that no single tempo meets.
func TestSteppedIsExact(t *testing.T) {
	hits := bars(24, 131, 250, 333, 480, 701, 790)
	hits[2].Name = "title"
	answers := solve(t, hits, Options{Frames: 900})
	if len(answers) < 3 {
		t.Fatalf("%d answers, want at least 3", len(answers))
	}
	for i, a := range answers {
		for _, l := range a.Landings {
			if l.ErrorFrames.Sign() != 0 || l.Place.Beat != 1 || l.Place.Half {
				t.Errorf("answer %d: hit %d falls on %s off by %s", i, l.Hit, l.Place, l.ErrorFrames)
			}
		}
		g := mustGrid(t, a.Map, timecode.Rate24, 900)
		lines := map[timecode.Ratio]bool{}
		for _, b := range g.Bars(48000) {
			lines[b.Frame] = true
			if b.BPM < 60-1e-9 || b.BPM > 168+1e-9 {
				t.Errorf("answer %d: bar %d runs at %v BPM", i, b.Number, b.BPM)
			}
		}
		for _, h := range hits {
			if !lines[timecode.Int(h.Frame)] {
				t.Errorf("answer %d: no bar line on frame %d", i, h.Frame)
			}
		}
		for k := 1; k < len(a.Map.Sections); k++ {
			r := a.Map.Sections[k].FramesPerQuarter.Div(a.Map.Sections[k-1].FramesPerQuarter).Float()
			if max(r, 1/r) > 1.12+1e-9 {
				t.Errorf("answer %d: section %d steps by %v", i, k, r)
			}
		}
		if i > 0 && a.Cost < answers[i-1].Cost {
			t.Errorf("answer %d costs %v, less than the one before", i, a.Cost)
		}
		t.Logf("%.3f %s", a.Cost, a.Words)
	}
}

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
	chains, met := 0, 0
	for c := range 300 {
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
	if met < 150 {
		t.Errorf("only %d of 300 cases had a map", met)
	}
	t.Logf("%d cases with a map, %d chains measured", met, chains)
}

// The steady search against a blind one: each tempo at the corner of two
// hits' tolerances, each offset at the corner of one, counted by Landings.
func TestSteadyEqualsExhaustiveSearch(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for c := range 200 {
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
		for range 3000 {
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

func TestSolveRefuses(t *testing.T) {
	ok := Options{Rate: timecode.Rate24, Frames: 1000}
	for name, c := range map[string]struct {
		hits   []Hit
		change func(*Options)
		kind   fault.Kind
	}{
		"no rate":      {nil, func(o *Options) { o.Rate = timecode.Rate{} }, fault.Usage},
		"gliding":      {nil, func(o *Options) { o.Style = Gliding }, fault.Unsupported},
		"follow":       {nil, func(o *Options) { o.Style = Follow }, fault.Unsupported},
		"tapped":       {nil, func(o *Options) { o.Style = Tapped }, fault.Unsupported},
		"style":        {nil, func(o *Options) { o.Style = "x" }, fault.Usage},
		"range":        {nil, func(o *Options) { o.MinBPM, o.MaxBPM = 120, 100 }, fault.Usage},
		"range nan":    {nil, func(o *Options) { o.MinBPM = math.NaN() }, fault.Usage},
		"range slow":   {nil, func(o *Options) { o.MinBPM = 10 }, fault.Usage},
		"step":         {nil, func(o *Options) { o.MaxStep = 2 }, fault.Usage},
		"answers":      {nil, func(o *Options) { o.Answers = 1000 }, fault.Usage},
		"wish":         {nil, func(o *Options) { o.TempoBPM = 300 }, fault.Usage},
		"metre":        {nil, func(o *Options) { o.Metres = []Metre{{4, 3}} }, fault.OverLimit},
		"frames":       {nil, func(o *Options) { o.Frames = 1 << 60 }, fault.OverLimit},
		"outside":      {bars(1000), nil, fault.Usage},
		"before":       {bars(-1), nil, fault.Usage},
		"tolerance":    {[]Hit{{Tolerance: -1}}, nil, fault.Usage},
		"lands":        {[]Hit{{Lands: "phrase"}}, nil, fault.Usage},
		"beat 5":       {[]Hit{{Beat: 5}}, nil, fault.Usage},
		"too many":     {make([]Hit, 500), nil, fault.OverLimit},
		"two at once":  {[]Hit{{Frame: 5, Must: true}, {Frame: 5, Must: true, Lands: LandsBeat, Beat: 2}}, nil, fault.NotMet},
		"two bars":     {[]Hit{{Frame: 5, Must: true, Bar: 1}, {Frame: 5, Must: true, Bar: 2}}, nil, fault.NotMet},
		"empty places": {nil, func(o *Options) { o.Metres = make([]Metre, 9) }, fault.Usage},
	} {
		o := ok
		if c.change != nil {
			c.change(&o)
		}
		if _, err := Solve(context.Background(), c.hits, o); err == nil || fault.KindOf(err) != c.kind {
			t.Errorf("%s: %v, want %v", name, err, c.kind)
		}
	}
	dense := Options{Rate: timecode.Rate24, Frames: 86000, MinBPM: 160, MaxBPM: 3200, Metres: []Metre{{32, 32}, {31, 32}}}
	if _, err := Solve(context.Background(), []Hit{{Must: true, Lands: LandsHalf}, {Frame: 85000, Must: true, Lands: LandsHalf}}, dense); fault.KindOf(err) != fault.OverLimit {
		t.Errorf("a search without end gave %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Solve(ctx, bars(1, 100), ok); fault.KindOf(err) != fault.Interrupted {
		t.Errorf("a cancelled search gave %v", err)
	}
}

// Impossible wishes: the reason, and the nearest maps beside it.
func TestImpossibleWishes(t *testing.T) {
	for _, c := range []struct {
		name  string
		hits  []Hit
		o     Options
		words string
	}{
		{"too close", []Hit{{Frame: 100, Must: true, Name: "door"}, {Frame: 105, Must: true, Name: "slam"}, {Frame: 300, Must: true}}, Options{}, "door and slam are 5 frames apart"},
		{"steady", bars(0, 100, 195, 290, 401), Options{Style: Steady}, "no single tempo"},
		{"step", bars(0, 96, 216), Options{MinBPM: 70, MaxBPM: 150, MaxStep: 0.02, Metres: []Metre{{4, 4}}}, "need the tempo to change by"},
	} {
		c.o.Rate, c.o.Frames = timecode.Rate24, 500
		answers, err := Solve(context.Background(), c.hits, c.o)
		if fault.KindOf(err) != fault.NotMet || len(answers) == 0 || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %d answers, %v", c.name, len(answers), err)
			continue
		}
		met := 0
		for _, l := range answers[0].Landings {
			if l.Caught {
				met++
			} else if l.WouldCost == "" {
				t.Errorf("%s: hit %d is missed without a word", c.name, l.Hit)
			}
		}
		if met < 2 {
			t.Errorf("%s: the nearest map meets %d hits", c.name, met)
		}
		t.Log(err, "/", answers[0].Words)
	}
}

func TestPinnedBars(t *testing.T) {
	hits := []Hit{{Frame: 50, Must: true}, {Frame: 200, Must: true, Bar: 4, Beat: 1}, {Frame: 330, Must: true, Bar: 6, Beat: 3, Lands: LandsBeat}, {Frame: 500, Must: true}}
	for _, a := range solve(t, hits, Options{Frames: 600, MaxStep: 0.5}) {
		if p := a.Landings[1].Place; p.String() != "4.1" || p.ErrorFrames.Sign() != 0 {
			t.Errorf("pinned hit on %s off by %s", p, p.ErrorFrames)
		}
		if p := a.Landings[2].Place; p.String() != "6.3" || p.ErrorFrames.Sign() != 0 {
			t.Errorf("pinned hit on %s off by %s", p, p.ErrorFrames)
		}
		if p := a.Landings[0].Place; p.ErrorFrames.Sign() != 0 || p.Bar < 1 {
			t.Errorf("free hit on %s off by %s", p, p.ErrorFrames)
		}
	}
	// bar 1 is the first a map has: two slow bars lead to bar 3, not three
	for _, a := range solve(t, []Hit{{Frame: 10, Must: true}, {Frame: 200, Must: true, Bar: 3}, {Frame: 400, Must: true}}, Options{Frames: 600, MaxStep: 1}) {
		if l := a.Landings; l[0].Place.String() != "1.1" || l[1].Place.String() != "3.1" || l[0].ErrorFrames.Sign() != 0 || l[1].ErrorFrames.Sign() != 0 {
			t.Errorf("%s and %s: %s", l[0].Place, l[1].Place, a.Words)
		}
	}
	// 10 bars of 4/4 from frame 40 at 12 frames
	a := solve(t, []Hit{{Frame: 40, Must: true, Bar: 1, Beat: 1}, {Frame: 520, Must: true, Bar: 11}}, Options{Style: Steady, Frames: 600})[0]
	if a.Map.Start != timecode.Int(40) || a.Map.Sections[0].FramesPerQuarter != timecode.Int(12) {
		t.Errorf("start %s at %s frames a quarter, want 40 at 12", a.Map.Start, a.Map.Sections[0].FramesPerQuarter)
	}
	steady := solve(t, []Hit{{Frame: 100, Must: true, Bar: 3, Lands: LandsBeat}}, Options{Frames: 600})[0]
	if p := steady.Landings[0].Place; p.Bar != 3 || p.ErrorFrames.Sign() != 0 {
		t.Errorf("a lone pinned hit falls on %s off by %s", p, p.ErrorFrames)
	}
}

func TestWouldCostTellsWhatItTakes(t *testing.T) {
	hits := append(bars(0, 96, 192, 288), Hit{Frame: 240 + 17, Name: "late", Tolerance: 1})
	a := solve(t, hits, Options{Frames: 400, TempoBPM: 120, MaxStep: 0.05, MinBPM: 100, MaxBPM: 140})[0]
	i := slices.IndexFunc(a.Landings, func(l Landing) bool { return l.Hit == 4 })
	if a.Landings[i].Caught || !strings.Contains(a.Landings[i].WouldCost, ";") {
		t.Errorf("%+v", a.Landings[i])
	}
	t.Log(a.Landings[i].WouldCost)
}

// Eighty hits over four minutes.
func manyHits(kind Lands) []Hit {
	r := rand.New(rand.NewPCG(5, 6))
	frames := map[int64]bool{}
	for len(frames) < 80 {
		frames[r.Int64N(5760)] = true
	}
	var out []Hit
	for f := range frames {
		out = append(out, Hit{Frame: f, Tolerance: 1, Lands: kind, Must: false})
	}
	slices.SortFunc(out, func(a, b Hit) int { return int(a.Frame - b.Frame) })
	for i := 0; i < len(out); i += 16 {
		out[i].Must = true
	}
	return out
}

func BenchmarkSolve(b *testing.B) {
	for _, style := range []Style{Steady, Stepped} {
		for _, kind := range []Lands{LandsBar, LandsBeat, LandsHalf} {
			hits := manyHits(kind)
			b.Run(string(style)+"/"+string(kind), func(b *testing.B) {
				for b.Loop() {
					if out, err := Solve(context.Background(), hits, Options{Rate: timecode.Rate24, Frames: 5760, Style: style}); len(out) == 0 || style == Stepped && err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
