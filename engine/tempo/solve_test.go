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
	if len(a) != 3 || a[0].Map.Sections[0].FramesPerQuarter != timecode.R(72, 5) || a[0].Map.Start.Sign() != 0 {
		t.Fatalf("%+v, want 100 BPM from frame 0", a)
	}
	for i, want := range []timecode.Ratio{timecode.R(72, 5), timecode.R(120, 7), timecode.Int(12)} { // 100, then 84 and 120 BPM
		if got := a[i].Map.Sections[0].FramesPerQuarter; got != want {
			t.Errorf("answer %d runs at %s frames a quarter, want %s", i+1, got, want)
		}
	}
	if !strings.Contains(a[1].Trade, "16 % slower") || a[0].Trade != "" {
		t.Errorf("the trade is told as %q and %q", a[0].Trade, a[1].Trade)
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

func TestSolveRefuses(t *testing.T) {
	ok := Options{Rate: timecode.Rate24, Frames: 1000}
	for name, c := range map[string]struct {
		hits   []Hit
		change func(*Options)
		kind   fault.Kind
	}{
		"no rate":      {nil, func(o *Options) { o.Rate = timecode.Rate{} }, fault.Usage},
		"pins":         {nil, func(o *Options) { o.Pins = []Pin{{2, 1, 5}, {1, 1, 50}} }, fault.Malformed},
		"far pin":      {nil, func(o *Options) { o.Pins = []Pin{{2, 1, 1000}} }, fault.Usage},
		"follow":       {nil, func(o *Options) { o.Style = Follow }, fault.Usage},
		"tapped":       {nil, func(o *Options) { o.Style = Tapped }, fault.Usage},
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
		{"too close", []Hit{{Frame: 100, Must: true, Name: "door"}, {Frame: 105, Must: true, Name: "slam"}, {Frame: 300, Must: true}}, Options{}, "door and slam are 5 frames apart, and the shortest step between their landings lasts 17.1 frames"},
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
	// a pinned bar with any beat of it: 12 frames a beat, beat 3 of bar 3 at frame 120
	a = solve(t, []Hit{{Must: true, Bar: 1, Beat: 1}, {Frame: 120, Must: true, Bar: 3, Lands: LandsBeat}}, Options{Style: Steady, Frames: 600, MinBPM: 118, MaxBPM: 122})[0]
	if p := a.Landings[1].Place; p.String() != "3.3" || p.ErrorFrames.Sign() != 0 {
		t.Errorf("any beat of bar 3: %s off by %s", p, p.ErrorFrames)
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
	p := &problem{}
	one := Answer{tally: tally{wants: 1}}
	for want, f := range map[string]*Answer{"missing 1 other hit": {tally: tally{wants: 1}}, "1 more odd bar": {tally: tally{odd: 1}},
		"2 more changes of tempo, a step of 5 %": {tally: tally{changes: 2, largest: math.Log(1.05)}}} {
		if got := p.forceWords(f, one); got != "catching it takes "+want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// Answers differ in kind: what they miss, odd bars, changes, or tempo.
func TestAnswersDiffer(t *testing.T) {
	hits := []Hit{{Frame: 62, Must: true}, {Frame: 191, Tolerance: 2, Lands: LandsBeat}, {Frame: 263, Tolerance: 2, Lands: LandsBeat}, {Frame: 410, Must: true},
		{Frame: 530, Tolerance: 2, Lands: LandsBeat}, {Frame: 655, Tolerance: 2, Lands: LandsBeat}, {Frame: 1012, Must: true}, {Frame: 1500, Tolerance: 1}}
	o := Options{Rate: timecode.Rate23976, Frames: 1600, TempoBPM: 90}
	answers := solve(t, hits, o)
	p, err := newProblem(hits, o.withDefaults(hits))
	if err != nil || len(answers) != 3 {
		t.Fatalf("%d answers, %v", len(answers), err)
	}
	for i, a := range answers {
		t.Logf("%.3f %s", a.Cost, a.Words)
		for _, b := range answers[:i] {
			if p.alike(a, b) {
				t.Errorf("%s and %s are alike", a.Words, b.Words)
			}
		}
	}
	if mean := 60 * o.Rate.Float() / (p.meanUnit(answers[0].Map) * float64(p.perQuarter)); math.Abs(mean-90) > 15 {
		t.Errorf("90 BPM were wished for, and the best answer runs at %.1f", mean)
	}
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
	for _, style := range []Style{Steady, Stepped, Gliding} {
		for _, kind := range []Lands{LandsBar, LandsBeat, LandsHalf} {
			hits := manyHits(kind)
			b.Run(string(style)+"/"+string(kind), func(b *testing.B) {
				for b.Loop() {
					if out, err := Solve(context.Background(), hits, Options{Rate: timecode.Rate24, Frames: 5760, Style: style}); len(out) == 0 || style != Steady && err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

// Frame 2 lies on no landing of a 6/8 from frame 0 within the tempo range, but
// half-way through the beat of a 3/8 that reaches to frame 12.
func TestMustInPassingOfAnOddBar(t *testing.T) {
	hits := []Hit{{Frame: 0, Must: true}, {Frame: 2, Must: true, Lands: LandsHalf}, {Frame: 12, Bar: 2}}
	out, err := Solve(context.Background(), hits, Options{Rate: timecode.Rate23976, Frames: 13, Metres: []Metre{{6, 8}, {3, 8}}, Answers: 2})
	if err != nil || len(out) != 1 {
		t.Fatalf("%d answers, %v", len(out), err)
	}
	for _, l := range out[0].Landings {
		if l.ErrorFrames.Sign() != 0 {
			t.Errorf("hit %d falls on %s, off by %s", l.Hit, l.Place, l.ErrorFrames)
		}
	}
}
