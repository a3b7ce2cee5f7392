package tempo

import (
	"math/big"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
	_ "cuechoir/internal/fixedseed"

	"pgregory.net/rapid"
)

// By hand, in frames: a bar of 4/4 that glides from 24 to 8 frames a quarter
// lasts 4 x 16 = 64 of them; quarter x lies at 24x - 2x². Its last beat is
// held 10 frames; two bars of 8 follow, of which the second is silent.
func glideMap() Map {
	return Map{Sections: []Section{
		{Bars: 1, FramesPerQuarter: timecode.Int(24), EndFramesPerQuarter: timecode.Int(8), Hold: timecode.Int(10)},
		{Bars: 1, FramesPerQuarter: timecode.Int(8)},
		{Bars: 1, FramesPerQuarter: timecode.Int(8), Silent: true}}}
}

func TestGlideByHand(t *testing.T) {
	g := mustGrid(t, glideMap(), timecode.Rate24, 200)
	for i, want := range []int64{0, 22, 40, 54, 74, 82, 90, 98, 106, 114} {
		if got := g.FrameAt(timecode.Int(int64(i))); got != timecode.Int(want) {
			t.Errorf("quarter %d lies at frame %s, want %d", i, got, want)
		}
	}
	if got := g.FrameAt(timecode.R(1, 2)); got != timecode.R(23, 2) {
		t.Errorf("half a quarter lies at frame %s, want 12 - 1/2", got)
	}
	for _, c := range []struct {
		frame   int64
		quarter timecode.Ratio
	}{{-24, timecode.Int(-1)}, {0, timecode.Int(0)}, {22, timecode.Int(1)}, {54, timecode.Int(3)}, {64, timecode.Int(4)}, {70, timecode.Int(4)}, {74, timecode.Int(4)}, {78, timecode.R(9, 2)}} {
		if got := g.QuarterAt(c.frame*2000, 48000); got != c.quarter {
			t.Errorf("frame %d is quarter %s, want %s", c.frame, got, c.quarter)
		}
	}
	bars := g.Bars(48000)
	for i, want := range []float64{60, 180, 180} {
		if bars[i].BPM != want || bars[i].Silent != (i == 2) {
			t.Errorf("bar %d: %+v, want %v BPM", i+1, bars[i], want)
		}
	}
	if bars[3].Silent {
		t.Error("a bar after the last section is silent")
	}
	for i, b := range g.Beats(48000)[:9] {
		if (b.Hold.Sign() > 0) != (i == 3) || b.Silent != (i > 7) || i == 3 && b.Hold != timecode.Int(10) {
			t.Errorf("beat %d.%d: %+v", b.Bar, b.Beat, b)
		}
	}
}

// The last section glides and is held: its last tempo runs on after the hold.
func TestRunsOnAfterAGlide(t *testing.T) {
	m := Map{Sections: glideMap().Sections[:1]}
	g := mustGrid(t, m, timecode.Rate24, 400)
	for q, want := range map[int64]int64{3: 54, 4: 74, 5: 82, 8: 106} {
		if got := g.FrameAt(timecode.Int(q)); got != timecode.Int(want) {
			t.Errorf("quarter %d lies at frame %s, want %d", q, got, want)
		}
	}
}

func TestGlideRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Map)
		kind   fault.Kind
	}{
		"glide to below nothing": {func(m *Map) { m.Sections[0].EndFramesPerQuarter = timecode.Int(-1) }, fault.OverLimit},
		"glide to a crawl":       {func(m *Map) { m.Sections[0].EndFramesPerQuarter = timecode.Int(73) }, fault.OverLimit},
		"fine glide":             {func(m *Map) { m.Sections[0].EndFramesPerQuarter = timecode.R(8<<40+1, 1<<40) }, fault.OverLimit},
		"hold below 0":           {func(m *Map) { m.Sections[0].Hold = timecode.Int(-1) }, fault.OverLimit},
		"endless hold":           {func(m *Map) { m.Sections[0].Hold = timecode.Int(1 << 30) }, fault.OverLimit},
		"pin off its frame":      {func(m *Map) { m.Pins = []Pin{{1, 2, 23}} }, fault.Malformed},
		"pin without a beat":     {func(m *Map) { m.Pins = []Pin{{1, 5, 74}} }, fault.Malformed},
		"pin before bar 1":       {func(m *Map) { m.Pins = []Pin{{0, 1, -96}} }, fault.OverLimit},
		"pins out of order":      {func(m *Map) { m.Pins = []Pin{{1, 2, 22}, {1, 1, 0}} }, fault.Malformed},
		"two pins of one beat":   {func(m *Map) { m.Pins = []Pin{{1, 2, 22}, {1, 2, 22}} }, fault.Malformed},
		"many pins":              {func(m *Map) { m.Pins = make([]Pin, 2000) }, fault.OverLimit},
	} {
		m := glideMap()
		c.change(&m)
		if _, err := NewGrid(m, timecode.Rate24, 100); err == nil || fault.KindOf(err) != c.kind {
			t.Errorf("%s: %v, want %v", name, err, c.kind)
		}
	}
	m := glideMap()
	m.Pins = []Pin{{1, 2, 22}, {2, 1, 74}}
	mustGrid(t, m, timecode.Rate24, 100)
}

// drawRichMap draws a map of steady and gliding sections, holds, silent bars
// and changes inside a bar.
func drawRichMap(t *rapid.T) (Map, timecode.Rate) {
	m, rate := randomMap(t)
	for i := range m.Sections {
		s := &m.Sections[i]
		if rapid.Bool().Draw(t, "glides") {
			s.EndFramesPerQuarter = timecode.R(60*rate.Num, rate.Den*rapid.Int64Range(20, 400).Draw(t, "endBPM"))
		}
		if rapid.IntRange(0, 3).Draw(t, "holds") == 0 {
			s.Hold = timecode.R(rapid.Int64Range(1, 200).Draw(t, "hold"), rapid.Int64Range(1, 4).Draw(t, "holdDen"))
		}
		s.Silent = rapid.IntRange(0, 3).Draw(t, "silent") == 0
	}
	if n := len(m.Sections); rapid.Bool().Draw(t, "inside") { // a last section that begins inside a bar
		last := m.Sections[n-1]
		m.Sections[n-1].Extra = timecode.R(rapid.Int64Range(1, 20).Draw(t, "extra"), 24)
		last.Bars = 1
		m.Sections = append(m.Sections, last)
	}
	return m, rate
}

// Beat to sample and back is exact and monotone on any map over four hours:
// every position is held to arithmetic of its own here, the sample rounded
// once, and the sample's quarter gives the sample again.
func TestRichGridProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, rate := drawRichMap(t)
		frames := int64(4 * 3600 * rate.Float())
		g, err := NewGrid(m, rate, frames)
		if err != nil {
			t.Fatal(err)
		}
		sr := rapid.SampledFrom([]int{44100, 48000, 96000}).Draw(t, "sr")
		for range 8 {
			q := timecode.R(rapid.Int64Range(-200, 96_000*64).Draw(t, "q"), 64)
			if rapid.Bool().Draw(t, "near") {
				q = timecode.R(rapid.Int64Range(-200, 200*24).Draw(t, "qNear"), 24)
			}
			s := g.SampleAt(q, sr)
			if want := handSample(m, rate, sr, q); s != want {
				t.Fatalf("quarter %s sounds at %d, want %d", q, s, want)
			}
			if later := g.SampleAt(q.Add(timecode.R(1, 48)), sr); later <= s {
				t.Fatalf("quarter %s sounds at %d, a 48th later at %d", q, s, later)
			}
			back := g.QuarterAt(s, sr)
			if got := g.SampleAt(back, sr); got != s {
				t.Fatalf("sample %d is quarter %s, which sounds at %d", s, back, got)
			}
			if next := g.QuarterAt(s+1, sr); next.Cmp(back) < 0 {
				t.Fatalf("sample %d is quarter %s, the next one %s", s, back, next)
			}
			bar, _ := g.BarBeat(q)
			line := g.barQuarter(bar)
			if line.Cmp(q.Rat()) > 0 || g.barQuarter(bar+1).Cmp(q.Rat()) <= 0 {
				t.Fatalf("quarter %s is not in bar %d", q, bar)
			}
			if at := g.quarterOfFrame(g.frameOf(line)); g.barAt(at) != bar {
				t.Fatalf("bar %d begins at a frame of bar %d", bar, g.barAt(at))
			}
		}
	})
}

// handSample walks a map section by section: the sum of (p0+p1)/2 quarters,
// and within a glide the mean of the tempo at either side of the stretch.
func handSample(m Map, rate timecode.Rate, sr int, quarter timecode.Ratio) int64 {
	rest, frame := quarter.Rat(), m.Start.Rat()
	for i, s := range m.Sections {
		length, p0, p1 := s.Quarters().Rat(), s.FramesPerQuarter.Rat(), s.FramesPerQuarter.Rat()
		if s.EndFramesPerQuarter.Num != 0 {
			p1 = s.EndFramesPerQuarter.Rat()
		}
		if rest.Sign() < 0 { // before bar 1
			frame.Add(frame, rest.Mul(rest, p0))
			break
		}
		part := new(big.Rat).Set(rest)
		if rest.Cmp(length) >= 0 {
			part.Set(length)
		}
		px := new(big.Rat).Sub(p1, p0)
		px.Mul(px, part).Quo(px, length).Add(px, p0) // tempo there
		frame.Add(frame, px.Add(px, p0).Mul(px, part).Quo(px, big.NewRat(2, 1)))
		rest.Sub(rest, part)
		if part.Cmp(length) < 0 {
			break
		}
		frame.Add(frame, s.Hold.Rat())
		if i == len(m.Sections)-1 {
			frame.Add(frame, rest.Mul(rest, p1))
		}
	}
	return timecode.RoundRat(frame.Mul(frame, big.NewRat(int64(sr)*rate.Den, rate.Num)))
}
