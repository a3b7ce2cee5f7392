package tempo

import (
	"math/big"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

func oneTempo(f timecode.Ratio, m Metre) Map {
	return Map{Style: Steady, Sections: []Section{{Bars: 1, Metre: m, FramesPerQuarter: f}}}
}

func mustGrid(t testing.TB, m Map, rate timecode.Rate, length int64) *Grid {
	t.Helper()
	g, err := NewGrid(m, rate, length)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// BPM = 60 x fps / F: arithmetic; the notation frames-eighths is Metre{}
// practice.
func TestClickValuesAt24(t *testing.T) {
	for _, c := range []struct {
		eighths int64
		text    string
		bpm     float64
	}{{96, "12-0", 120}, {80, "10-0", 144}, {192, "24-0", 60}, {128, "16-0", 90}, {100, "12-4", 115.2}} {
		f := timecode.R(c.eighths, 8)
		if got := BPM(f, timecode.Rate24); got-c.bpm > 1e-9 || c.bpm-got > 1e-9 {
			t.Errorf("%s: %v BPM, want %v", c.text, got, c.bpm)
		}
		if got, ok := ClickNotation(f); got != c.text || !ok {
			t.Errorf("%v is written %q, want %q", f, got, c.text)
		}
	}
}

// At 24000/1001 and 48 kHz a frame is 2002 samples, so a click of F frames is
// 2002 F of them: 13-3 is 13.375 x 2002 = 26776.75.
func TestSamplesOfAClick(t *testing.T) {
	g := mustGrid(t, oneTempo(timecode.R(107, 8), Metre{}), timecode.Rate23976, 24*600)
	for q := int64(-50); q < 3000; q++ {
		want := timecode.RoundRat(big.NewRat(q*107*2002, 8))
		if got := g.SampleAt(timecode.Int(q), 48000); got != want {
			t.Fatalf("click %d at sample %d, want %d", q, got, want)
		}
	}
	if got := g.SampleAt(timecode.Int(4), 48000); got != 107107 {
		t.Errorf("four clicks of 13-3 last %d samples, want 107107", got)
	}
}

// A map by hand: start at frame -6, two bars of 4/4 at 12 frames, one of 3/4
// at 10, then 6/8 at 16 running on.
func handMap() Map {
	return Map{Start: timecode.Int(-6), Sections: []Section{
		{Bars: 2, FramesPerQuarter: timecode.Int(12)},
		{Bars: 1, Metre: Metre{3, 4}, FramesPerQuarter: timecode.Int(10)},
		{Bars: 1, Metre: Metre{6, 8}, FramesPerQuarter: timecode.Int(16)}}}
}

func TestBarsByHand(t *testing.T) {
	g := mustGrid(t, handMap(), timecode.Rate24, 240)
	want := []struct {
		n       int
		q, f    int64
		metre   string
		samples int64
		bpm     float64
	}{{1, 0, -6, "4/4", -12000, 120}, {2, 4, 42, "4/4", 84000, 120}, {3, 8, 90, "3/4", 180000, 144}, {4, 11, 120, "6/8", 240000, 60},
		{5, 14, 168, "6/8", 336000, 60}, {6, 17, 216, "6/8", 432000, 60}}
	bars := g.Bars(48000)
	if len(bars) != len(want) {
		t.Fatalf("%d bars, want %d: %v", len(bars), len(want), bars)
	}
	for i, w := range want {
		b := bars[i]
		if b.Number != w.n || b.Quarter != timecode.Int(w.q) || b.Frame != timecode.Int(w.f) || b.Metre.String() != w.metre || b.Sample != w.samples || b.BPM != w.bpm {
			t.Errorf("bar %d is %+v, want %+v", w.n, b, w)
		}
	}
	if n := len(g.Beats(48000)); n != 4+4+3+2+2+2 {
		t.Errorf("%d beats, want 17", n)
	}
}

func TestPlaces(t *testing.T) {
	g := mustGrid(t, handMap(), timecode.Rate24, 240)
	for _, c := range []struct {
		frame int64
		on    Lands
		text  string
		err   timecode.Ratio
	}{
		{42, LandsHalf, "2.1", timecode.Int(0)}, {55, LandsHalf, "2.2", timecode.Int(-1)}, {48, LandsHalf, "2.1+", timecode.Int(0)},
		{89, LandsBar, "3.1", timecode.Int(1)}, {100, LandsBeat, "3.2", timecode.Int(0)}, {144, LandsBeat, "4.2", timecode.Int(0)},
		{132, LandsHalf, "4.1+", timecode.Int(0)}, {-54, LandsBar, "0.1", timecode.Int(0)}, {-7, LandsBeat, "1.1", timecode.Int(1)},
		{117, LandsHalf, "3.3+", timecode.Int(-2)}, {118, LandsHalf, "4.1", timecode.Int(2)},
	} {
		p := g.PlaceOn(c.frame, c.on)
		if p.String() != c.text || p.ErrorFrames != c.err {
			t.Errorf("frame %d on a %s: %s off by %s, want %s off by %s", c.frame, c.on, p, p.ErrorFrames, c.text, c.err)
		}
	}
	for _, c := range []struct {
		q    timecode.Ratio
		bar  int
		beat string
	}{{timecode.Int(8), 3, "1"}, {timecode.R(19, 2), 3, "2+"}, {timecode.R(25, 2), 4, "2"}, {timecode.R(1, 3), 1, "1.33"}, {timecode.R(-1, 2), 0, "4+"}} {
		if bar, beat := g.BarBeat(c.q); bar != c.bar || beat != c.beat {
			t.Errorf("quarter %s is bar %d beat %s, want bar %d beat %s", c.q, bar, beat, c.bar, c.beat)
		}
	}
}

// Hits that ask for one beat of any bar, or any beat of one bar.
func TestPlacesAskedFor(t *testing.T) {
	for _, c := range []struct {
		h    Hit
		text string
		err  int64
	}{{Hit{Frame: 41, Beat: 1}, "2.1", 1}, {Hit{Frame: 43, Beat: 4}, "1.4", -13}, {Hit{Frame: 43, Beat: 2}, "2.2", 11},
		{Hit{Frame: 200, Bar: 3, Lands: LandsBeat}, "3.3", -90}, {Hit{Frame: 60, Bar: 2, Lands: LandsHalf}, "2.2+", 0}, {Hit{Frame: 60, Bar: 3, Beat: 2}, "3.2", 40}} {
		l, err := Landings(handMap(), []Hit{c.h}, timecode.Rate24)
		if err != nil || l[0].Place.String() != c.text || l[0].ErrorFrames != timecode.Int(c.err) || l[0].Caught != (c.err == 0) {
			t.Errorf("%+v falls on %+v, %v, want %s off by %d", c.h, l, err, c.text, c.err)
		}
	}
}

// A tempo that changes inside a bar: 1 bar and 2 quarters at 12, then 2
// quarters and a bar at 10. The bar lines keep their count.
func TestTempoChangeInsideABar(t *testing.T) {
	m := Map{Sections: []Section{
		{Bars: 1, Extra: timecode.Int(2), FramesPerQuarter: timecode.Int(12)},
		{Bars: 1, Extra: timecode.Int(2), FramesPerQuarter: timecode.Int(10)},
		{Bars: 1, Metre: Metre{3, 4}, FramesPerQuarter: timecode.Int(10)}}}
	g := mustGrid(t, m, timecode.Rate24, 162)
	bars := g.Bars(48000)
	for i, f := range []int64{0, 48, 92, 132} {
		if bars[i].Number != i+1 || bars[i].Frame != timecode.Int(f) {
			t.Errorf("bar %d is %+v, want frame %d", i+1, bars[i], f)
		}
	}
	if bars[3].Metre != (Metre{3, 4}) {
		t.Errorf("bar 4 has metre %s", bars[3].Metre)
	}
	m.Sections[1].Extra = timecode.Int(1)
	if _, err := NewGrid(m, timecode.Rate24, 162); fault.KindOf(err) != fault.Malformed {
		t.Errorf("a metre changed inside a bar gave %v", err)
	}
}

func randomMap(t *rapid.T) (Map, timecode.Rate) {
	rate := rapid.SampledFrom([]timecode.Rate{timecode.Rate23976, timecode.Rate24, timecode.Rate25, timecode.Rate2997, timecode.Rate60}).Draw(t, "rate")
	m := Map{Start: timecode.R(rapid.Int64Range(-4000, 4000).Draw(t, "start"), rapid.Int64Range(1, 16).Draw(t, "startDen"))}
	for range rapid.IntRange(1, 6).Draw(t, "sections") {
		bpm := rapid.Int64Range(20, 400).Draw(t, "bpm")
		m.Sections = append(m.Sections, Section{Bars: rapid.IntRange(1, 9).Draw(t, "bars"),
			Metre:            rapid.SampledFrom([]Metre{{}, {3, 4}, {6, 8}, {2, 2}, {7, 8}}).Draw(t, "metre"),
			FramesPerQuarter: timecode.R(60*rate.Num, rate.Den*bpm)})
	}
	return m, rate
}

func TestGridProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, rate := randomMap(t)
		g, err := NewGrid(m, rate, 1500)
		if err != nil {
			t.Fatal(err)
		}
		sr := rapid.SampledFrom([]int{44100, 48000, 96000}).Draw(t, "sr")
		q := timecode.R(rapid.Int64Range(-20000, 200000).Draw(t, "q"), 960)
		later := q.Add(timecode.R(1, 48))
		s := g.SampleAt(q, sr)
		if g.SampleAt(later, sr) <= s {
			t.Fatalf("quarter %s sounds at %d, not before quarter %s", q, s, later)
		}
		// the inverse: within half a sample and its rounding
		back := g.QuarterAt(s, sr)
		if got := g.SampleAt(back, sr); got != s {
			t.Fatalf("sample %d is quarter %s, which sounds at %d", s, back, got)
		}
		// an exact frame is the sample the rate says
		frame := rapid.Int64Range(0, 1499).Draw(t, "frame")
		fq := g.quarterOfFrame(new(big.Rat).SetInt64(frame))
		if got := g.sampleOf(fq, sr); got != rate.SampleOf(frame, sr) {
			t.Fatalf("frame %d at sample %d, want %d", frame, got, rate.SampleOf(frame, sr))
		}
		beats := g.Beats(sr)
		for i := 1; i < len(beats); i++ {
			if beats[i].Sample <= beats[i-1].Sample || beats[i].Quarter.Cmp(beats[i-1].Quarter) <= 0 {
				t.Fatalf("beats %v and %v do not rise", beats[i-1], beats[i])
			}
		}
		if beats[0].Frame.Sign() > 0 || beats[0].Bar > 1 {
			t.Fatalf("the first beat %+v leaves frame 0 uncovered", beats[0])
		}
		// nearest by hand; what is told of a position is rounded to 1/fitDen
		p := g.PlaceOn(frame, LandsBeat)
		for _, b := range beats {
			e := b.Frame.Sub(timecode.Int(frame)).Rat()
			if e.Abs(e).Add(e, big.NewRat(2, fitDen)).Cmp(new(big.Rat).Abs(p.ErrorFrames.Rat())) < 0 {
				t.Fatalf("frame %d: beat %+v is nearer than %+v", frame, b, p)
			}
		}
	})
}

func TestValidateRefuses(t *testing.T) {
	ok := Section{Bars: 1, FramesPerQuarter: timecode.Int(12)}
	with := func(f func(*Map)) Map { m := Map{Sections: []Section{ok, ok}}; f(&m); return m }
	for name, c := range map[string]struct {
		m    Map
		kind fault.Kind
	}{
		"no sections": {Map{}, fault.Malformed},
		"no bars":     {with(func(m *Map) { m.Sections[1].Bars = 0 }), fault.Malformed},
		"huge bars":   {with(func(m *Map) { m.Sections[1].Bars = 1 << 60 }), fault.OverLimit},
		"many bars":   {with(func(m *Map) { m.Sections[1].Bars = 10000 }), fault.OverLimit},
		"no tempo":    {with(func(m *Map) { m.Sections[0].FramesPerQuarter = timecode.Ratio{} }), fault.OverLimit},
		"slow":        {with(func(m *Map) { m.Sections[0].FramesPerQuarter = timecode.Int(73) }), fault.OverLimit},
		"fast":        {with(func(m *Map) { m.Sections[0].FramesPerQuarter = timecode.R(7, 2) }), fault.OverLimit},
		"fine tempo":  {with(func(m *Map) { m.Sections[0].FramesPerQuarter = timecode.R(12<<40+1, 1<<40) }), fault.OverLimit},
		"metre":       {with(func(m *Map) { m.Sections[0].Metre = Metre{4, 5} }), fault.OverLimit},
		"metre 33":    {with(func(m *Map) { m.Sections[0].Metre = Metre{33, 4} }), fault.OverLimit},
		"start":       {with(func(m *Map) { m.Start = timecode.Int(1 << 50) }), fault.OverLimit},
		"extra":       {with(func(m *Map) { m.Sections[0].Extra = timecode.Int(4) }), fault.Malformed},
		"unknown":     {with(func(m *Map) { m.Style = "loose" }), fault.Usage},
	} {
		if _, err := NewGrid(c.m, timecode.Rate24, 1000); fault.KindOf(err) != c.kind || err == nil {
			t.Errorf("%s: %v, want %v", name, err, c.kind)
		}
	}
	unlike := Map{}
	for d := int64(100_003); len(unlike.Sections) < 100; d += 2 {
		unlike.Sections = append(unlike.Sections, Section{Bars: 1, FramesPerQuarter: timecode.R(12*d+1, d)})
	}
	odd := Map{}
	for d := int64(32001); len(odd.Sections) < 3; d += 2 {
		odd.Sections = append(odd.Sections, Section{Bars: 1, Extra: timecode.R(1, d), FramesPerQuarter: timecode.Int(12)})
	}
	if _, err := NewGrid(odd, timecode.Rate24, 1000); fault.KindOf(err) != fault.OverLimit {
		t.Errorf("sections without a common measure gave %v", err)
	}
	if _, err := NewGrid(unlike, timecode.Rate24, 1000); fault.KindOf(err) != fault.OverLimit {
		t.Errorf("positions without a common measure gave %v", err)
	}
}

func TestExtremePositionsAreHeld(t *testing.T) {
	g := mustGrid(t, oneTempo(timecode.Int(12), Metre{}), timecode.Rate24, 100)
	for _, q := range []int64{timecode.MaxTerm, -timecode.MaxTerm} {
		if s := g.SampleAt(timecode.Int(q), 96000); (s > 0) != (q > 0) {
			t.Errorf("quarter %d at sample %d", q, s)
		}
		g.QuarterAt(q<<10, 48000)
		g.FrameAt(timecode.Int(q))
		g.BarBeat(timecode.Int(q))
		g.Place(q)
	}
}

func TestMetreText(t *testing.T) {
	for _, c := range []struct {
		in    string
		beats int
		beat  timecode.Ratio
	}{{"4/4", 4, timecode.Int(1)}, {"3/4", 3, timecode.Int(1)}, {"6/8", 2, timecode.R(3, 2)}, {"9/8", 3, timecode.R(3, 2)},
		{"12/8", 4, timecode.R(3, 2)}, {"2/2", 2, timecode.Int(2)}, {"7/8", 7, timecode.R(1, 2)}, {"3/8", 3, timecode.R(1, 2)}} {
		var m Metre
		if err := m.UnmarshalText([]byte(c.in)); err != nil || m.Beats() != c.beats || m.BeatQuarters() != c.beat || m.String() != c.in {
			t.Errorf("%s: %v, %v: %d beats of %s", c.in, m, err, m.Beats(), m.BeatQuarters())
		}
	}
	for _, s := range []string{"", "4", "4/", "/4", "0/4", "4/0", "33/4", "4/64", "4/3", "-4/4", "444/4", "a/b"} {
		if m, err := ParseMetre(s); err == nil {
			t.Errorf("%q read as %s", s, m)
		}
	}
}

func BenchmarkSampleAt(b *testing.B) {
	g := mustGrid(b, handMap(), timecode.Rate23976, 5000)
	q := timecode.R(1234, 7)
	b.ReportAllocs()
	for b.Loop() {
		g.SampleAt(q, 48000)
	}
}
