package tempo

import (
	"math/big"
	"slices"
	"testing"

	"cuechoir/engine/timecode"
)

// sameTempo is one tempo from frame 0 on.
func sameTempo(t *testing.T, rate timecode.Rate, frames int64, metre Metre, perQuarter timecode.Ratio) *Grid {
	t.Helper()
	return mustGrid(t, Map{Sections: []Section{{Bars: 4, Metre: metre, FramesPerQuarter: perQuarter}}}, rate, frames)
}

// exactSamples are round(frame*sr*den/num), halves up, by big integers alone.
func exactSamples(rate timecode.Rate, sr int64, frames ...*big.Rat) []int64 {
	var out []int64
	for _, f := range frames {
		x := new(big.Rat).Mul(f, big.NewRat(sr*rate.Den, rate.Num))
		x.Add(x, big.NewRat(1, 2))
		out = append(out, new(big.Int).Div(x.Num(), x.Denom()).Int64()) // Euclidean: the floor, as denominators are above 0
	}
	return out
}

func samplesOf(clicks []Click, keep func(Click) bool) []int64 {
	var out []int64
	for _, c := range clicks {
		if keep(c) {
			out = append(out, c.Sample)
		}
	}
	return out
}

// A click of 13-3 frames in three parts, at the two rates of 1001: each part is
// the exact third, rounded once, and the beat itself does not move.
func TestSubdivisionsAreExact(t *testing.T) {
	per := timecode.R(107, 8)
	for _, rate := range []timecode.Rate{timecode.Rate23976, timecode.Rate2997} {
		for _, sr := range []int{44100, 48000} {
			g := sameTempo(t, rate, 200, Metre{4, 4}, per)
			for parts, s := range map[int64]Subdivision{2: Halves, 3: Thirds} {
				clicks, err := g.Clicks(sr, ClickPlan{Subdivide: s, ToBar: 2, CountInBeats: 2})
				if err != nil {
					t.Fatal(err)
				}
				var frames []*big.Rat
				for k := -2 * parts; k < 8*parts; k++ {
					frames = append(frames, new(big.Rat).Mul(per.Rat(), big.NewRat(k, parts)))
				}
				if got, want := samplesOf(clicks, func(Click) bool { return true }), exactSamples(rate, int64(sr), frames...); !slices.Equal(got, want) {
					t.Errorf("%s, %d Hz, %d parts: %v, want %v", rate, sr, parts, got, want)
				}
				for i, c := range clicks {
					k := i - int(2*parts)
					beat := (k+8*int(parts))/int(parts)%4 + 1
					if c.Part != (k+8*int(parts))%int(parts) || c.Beat != beat || c.Accent != (beat == 1 && c.Part == 0) || c.CountIn != (k < 0) {
						t.Errorf("click %d is %+v", i, c)
					}
				}
			}
		}
	}
	// 13-3 at 24000/1001 and 48 kHz is 26776.75 samples: by hand.
	g := sameTempo(t, timecode.Rate23976, 200, Metre{4, 4}, per)
	clicks, _ := g.Clicks(48000, ClickPlan{NoCountIn: true, ToBar: 1})
	if got := samplesOf(clicks, func(Click) bool { return true }); !slices.Equal(got, []int64{0, 26777, 53554, 80330}) {
		t.Errorf("beats at %v", got)
	}
}

// By the metre: three parts in 6/8, two in 3/4; a held beat has none.
func TestSubdivisionByMetre(t *testing.T) {
	for _, c := range []struct {
		metre Metre
		s     Subdivision
		want  []int64 // frames of bar 1
	}{
		{Metre{6, 8}, ByMetre, []int64{0, 6, 12, 18, 24, 30}},
		{Metre{6, 8}, Whole, []int64{0, 18}},
		{Metre{6, 8}, Halves, []int64{0, 9, 18, 27}},
		{Metre{3, 4}, ByMetre, []int64{0, 6, 12, 18, 24, 30}},
		{Metre{3, 4}, Thirds, []int64{0, 4, 8, 12, 16, 20, 24, 28, 32}},
	} {
		g := sameTempo(t, timecode.Rate24, 100, c.metre, timecode.Int(12))
		clicks, err := g.Clicks(48000, ClickPlan{Subdivide: c.s, ToBar: 1, NoCountIn: true})
		if err != nil {
			t.Fatal(err)
		}
		for i := range clicks {
			clicks[i].Sample /= 2000
		}
		if got := samplesOf(clicks, func(Click) bool { return true }); !slices.Equal(got, c.want) {
			t.Errorf("%s in %d: %v, want %v", c.metre, c.s, got, c.want)
		}
	}
	held, err := sameTempo(t, timecode.Rate24, 200, Metre{4, 4}, timecode.Int(12)).Hold(1, 2, 24)
	if err != nil {
		t.Fatal(err)
	}
	clicks, err := mustGrid(t, held, timecode.Rate24, 200).Clicks(48000, ClickPlan{Subdivide: Halves, ToBar: 1, NoCountIn: true})
	if err != nil {
		t.Fatal(err)
	}
	for i := range clicks {
		clicks[i].Sample /= 2000
	}
	if got, want := samplesOf(clicks, func(Click) bool { return true }), []int64{0, 6, 12, 48, 54, 60, 66}; !slices.Equal(got, want) {
		t.Errorf("with beat 2 held for 24 frames: %v, want %v", got, want)
	}
}

// Free clicks lead to the bar line evenly: at the first bar's own beat, or at a
// length of their own; bars of count-in follow their metres.
func TestCountIns(t *testing.T) {
	g := mustGrid(t, handMap(), timecode.Rate24, 240) // bar 1 at -6, 12 a beat; bar 3 of 3/4, 10 a beat, at 90
	for _, c := range []struct {
		name   string
		p      ClickPlan
		frames []int64
	}{
		{"three free", ClickPlan{ToBar: 1, Free: 3}, []int64{-42, -30, -18}},
		{"four free of 8 frames before bar 3", ClickPlan{FromBar: 3, Free: 4, FreeFrames: timecode.Int(8)}, []int64{58, 66, 74, 82}},
		{"free, the last silent", ClickPlan{FromBar: 3, Free: 4, SilentBeats: 1}, []int64{50, 60, 70}},
		{"two bars", ClickPlan{CountInBars: 2}, []int64{-102, -90, -78, -66, -54, -42, -30, -18}},
		{"one bar before bar 4", ClickPlan{FromBar: 4, CountInBars: 1}, []int64{90, 100, 110}},
	} {
		clicks, err := g.Clicks(48000, c.p)
		if err != nil {
			t.Fatal(err)
		}
		var got []int64
		for _, k := range clicks {
			if k.CountIn {
				got = append(got, k.Sample/2000)
				if k.Free != (c.p.Free > 0) || k.Free && (k.Accent || k.Beat != len(got)) {
					t.Errorf("%s: %+v", c.name, k)
				}
			}
		}
		if !slices.Equal(got, c.frames) {
			t.Errorf("%s: %v, want %v", c.name, got, c.frames)
		}
	}
	// 12-4 at 24000/1001: 25025 samples a click.
	g = sameTempo(t, timecode.Rate23976, 200, Metre{4, 4}, timecode.Int(10))
	clicks, err := g.Clicks(48000, ClickPlan{Free: 3, FreeFrames: timecode.R(25, 2)})
	if err != nil {
		t.Fatal(err)
	}
	if got := samplesOf(clicks, func(c Click) bool { return c.Free }); !slices.Equal(got, []int64{-75075, -50050, -25025}) {
		t.Errorf("free clicks of 12-4 at %v", got)
	}
	for _, p := range []ClickPlan{{CountInBars: 1, CountInBeats: 4}, {Free: 2, NoCountIn: true}, {Free: 65}, {Free: -1}, {CountInBars: 17}, {CountInBars: -1},
		{FreeFrames: timecode.Int(8)}, {Free: 2, FreeFrames: timecode.Int(1001)}, {Free: 2, FreeFrames: timecode.R(1, 2)}, {Free: 2, SilentBeats: 2},
		{Subdivide: 4}, {Subdivide: 1}, {Subdivide: -2}} {
		if _, err := g.Clicks(48000, p); err == nil {
			t.Errorf("%+v was accepted", p)
		}
	}
}

// 12-4 is twelve and four eighths; what ClickNotation writes is read back.
func TestParseClick(t *testing.T) {
	for text, want := range map[string]timecode.Ratio{"12": timecode.Int(12), "12.5": timecode.R(25, 2), "25/2": timecode.R(25, 2), "12-4": timecode.R(25, 2),
		"13-3": timecode.R(107, 8), "0-1": timecode.R(1, 8), "24-0": timecode.Int(24)} {
		got, err := ParseClick(text)
		if err != nil || got != want {
			t.Errorf("%q is %s (%v), want %s", text, got, err, want)
		}
		if note, ok := ClickNotation(want); ok {
			if back, err := ParseClick(note); err != nil || back != want {
				t.Errorf("%q is read back as %s", note, back)
			}
		}
	}
	for _, text := range []string{"", "0", "-3", "12-8", "12-", "-", "a-1", "0-0", "1e9", "99999999999-1"} {
		if got, err := ParseClick(text); err == nil {
			t.Errorf("%q is read as %s", text, got)
		}
	}
}
