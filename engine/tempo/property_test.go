package tempo

import (
	"context"
	"math/big"
	"reflect"
	"slices"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

func drawHits(t *rapid.T, frames int64) []Hit {
	var out []Hit
	for range rapid.IntRange(0, 10).Draw(t, "hits") {
		h := Hit{Frame: rapid.Int64Range(0, frames-1).Draw(t, "frame"), Must: rapid.Bool().Draw(t, "must"), Tolerance: rapid.Int64Range(0, 3).Draw(t, "tolerance"),
			Lands: rapid.SampledFrom([]Lands{"", LandsBar, LandsBeat, LandsHalf}).Draw(t, "lands")}
		switch rapid.IntRange(0, 9).Draw(t, "pin") {
		case 0:
			h.Bar = rapid.IntRange(1, 30).Draw(t, "bar")
		case 1:
			h.Beat = rapid.IntRange(1, 2).Draw(t, "beat")
		case 2:
			h.Bar, h.Beat = rapid.IntRange(1, 30).Draw(t, "bar"), 1
		}
		out = append(out, h)
	}
	return out
}

// Whatever the wishes: an error with its kind, or maps that hold what they say.
func TestSolveKeepsItsWord(t *testing.T) {
	met := 0
	rapid.Check(t, func(t *rapid.T) {
		o := Options{Rate: rapid.SampledFrom([]timecode.Rate{timecode.Rate23976, timecode.Rate24, timecode.Rate25, timecode.Rate2997DF, timecode.Rate5994}).Draw(t, "rate"),
			Frames: rapid.Int64Range(1, 1500).Draw(t, "frames"), Style: rapid.SampledFrom([]Style{Steady, Stepped, Gliding}).Draw(t, "style"),
			Metres:  rapid.SampledFrom([][]Metre{nil, {{4, 4}}, {{3, 4}, {2, 4}}, {{6, 8}, {3, 8}}, {{2, 2}, {7, 8}}}).Draw(t, "metres"),
			Answers: rapid.IntRange(1, 6).Draw(t, "answers"), MaxStep: rapid.SampledFrom([]float64{0, 0.03, 0.5}).Draw(t, "step")}
		if rapid.Bool().Draw(t, "wishes") {
			o.TempoBPM = float64(rapid.IntRange(60, 168).Draw(t, "wish"))
		}
		hits := drawHits(t, o.Frames)
		if rapid.IntRange(0, 3).Draw(t, "pins") == 0 {
			o.Pins = []Pin{{rapid.IntRange(1, 12).Draw(t, "pinBar"), 1, rapid.Int64Range(0, o.Frames-1).Draw(t, "pinFrame")}}
		}
		answers, err := Solve(context.Background(), hits, o)
		if err != nil && fault.KindOf(err) != fault.NotMet {
			t.Fatalf("%v", err)
		}
		if err == nil && (len(answers) == 0 || len(answers) > o.Answers) {
			t.Fatalf("%d answers for %d", len(answers), o.Answers)
		}
		for i, a := range answers {
			checkAnswer(t, hits, o, a, err == nil)
			if err == nil && i > 0 && a.Map.Style == answers[i-1].Map.Style && a.Cost < answers[i-1].Cost {
				t.Fatalf("answer %d is cheaper than the one before", i)
			}
		}
		if err == nil && len(hits) > 2 {
			met++
		}
	})
	if met < 5 {
		t.Errorf("only %d cases of three hits and more were met", met)
	}
}

func checkAnswer(t *rapid.T, hits []Hit, o Options, a Answer, met bool) {
	g, err := NewGrid(a.Map, o.Rate, o.Frames)
	if err != nil {
		t.Fatalf("a map that cannot be laid: %v", err)
	}
	if !reflect.DeepEqual(a.Map.Pins, o.Pins) && len(o.Pins) > 0 {
		t.Fatalf("the map keeps %v of %v", a.Map.Pins, o.Pins)
	}
	landings, err := Landings(a.Map, hits, o.Rate)
	if err != nil || len(landings) != len(a.Landings) || a.Words == "" {
		t.Fatalf("%v, %d landings, words %q", err, len(landings), a.Words)
	}
	for i, l := range landings {
		was := a.Landings[i]
		if l.Hit != was.Hit || l.Caught != was.Caught || !reflect.DeepEqual(l.Place, was.Place) || (was.WouldCost == "") != was.Caught {
			t.Fatalf("landing %+v, and in the answer %+v", l, was)
		}
		h := hits[i]
		if met && h.Must && (!l.Caught || a.Map.Style != Steady && l.ErrorFrames.Sign() != 0) {
			t.Fatalf("must-hit %+v falls on %s, off by %s: %s", h, l.Place, l.ErrorFrames, a.Words)
		}
		if l.Caught && (h.Bar != 0 && l.Place.Bar != h.Bar || h.Beat != 0 && (l.Place.Beat != h.Beat || l.Place.Half)) {
			t.Fatalf("hit %+v falls on %s", h, l.Place)
		}
	}
	pinned := len(o.Pins) > 0 || slices.ContainsFunc(hits, func(h Hit) bool { return h.Bar != 0 })
	if b := g.Bars(48000)[0]; b.Frame.Sign() > 0 || !pinned && (b.Number != 1 || g.barAt(g.quarterOfFrame(new(big.Rat))) != 1) {
		t.Fatalf("the map begins at bar %d, frame %s", b.Number, b.Frame)
	}
	if a.Map.Style == Steady && len(a.Map.Sections) != 1 || met && o.Style == Stepped && a.Map.Style != Stepped {
		t.Fatalf("a %s map with %d sections and style %s", o.Style, len(a.Map.Sections), a.Map.Style)
	}
}

func FuzzParseMetre(f *testing.F) {
	for _, s := range []string{"4/4", "6/8", "32/32", "0/4", "4/3", " 3/4 ", "+3/4", "3//4", "03/04"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		m, err := ParseMetre(s)
		if err != nil {
			return
		}
		if back, err := ParseMetre(m.String()); err != nil || back != m || m.Beats() < 1 || m.BarQuarters().Sign() <= 0 {
			t.Fatalf("%q -> %v -> %v, %v", s, m, back, err)
		}
	})
}
