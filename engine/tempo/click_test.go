package tempo

import (
	"math"
	"slices"
	"testing"

	"cuechoir/engine/timecode"
)

func TestClickSchedule(t *testing.T) {
	g := mustGrid(t, handMap(), timecode.Rate24, 240)
	clicks, err := g.Clicks(48000, ClickPlan{})
	if err != nil {
		t.Fatal(err)
	}
	// frames by hand: count-in of 4 at 12 frames before frame -6
	want := []int64{-54, -42, -30, -18, -6, 6, 18, 30, 42, 54, 66, 78, 90, 100, 110, 120, 144, 168, 192, 216, 240}
	if len(clicks) != len(want) {
		t.Fatalf("%d clicks, want %d", len(clicks), len(want))
	}
	for i, c := range clicks {
		accent := slices.Contains([]int64{-54, -6, 42, 90, 120, 168, 216}, want[i])
		if c.Sample != want[i]*2000 || c.CountIn != (i < 4) || c.Accent != accent {
			t.Errorf("click %d is %+v, want frame %d", i, c, want[i])
		}
	}
}

func TestClickPlans(t *testing.T) {
	g := mustGrid(t, handMap(), timecode.Rate24, 240)
	for _, c := range []struct {
		name    string
		p       ClickPlan
		samples []int64 // frames
	}{
		{"from bar 4, two beats", ClickPlan{FromBar: 4, ToBar: 4, CountInBeats: 2}, []int64{100, 110, 120, 144}},
		{"from bar 4, five beats", ClickPlan{FromBar: 4, ToBar: 4, CountInBeats: 5}, []int64{66, 78, 90, 100, 110, 120, 144}},
		{"a breath", ClickPlan{ToBar: 1, SilentBeats: 1}, []int64{-54, -42, -30, -6, 6, 18, 30}},
		{"none", ClickPlan{FromBar: 3, ToBar: 3, NoCountIn: true}, []int64{90, 100, 110}},
	} {
		clicks, err := g.Clicks(48000, c.p)
		if err != nil {
			t.Fatal(err)
		}
		var got []int64
		for _, k := range clicks {
			got = append(got, k.Sample/2000)
		}
		if !slices.Equal(got, c.samples) {
			t.Errorf("%s: %v, want %v", c.name, got, c.samples)
		}
	}
	for _, p := range []ClickPlan{{FromBar: 9}, {FromBar: -3}, {ToBar: 7}, {FromBar: 3, ToBar: 2}, {CountInBeats: -1}, {CountInBeats: 65}, {SilentBeats: 4}, {SilentBeats: -1}} {
		if _, err := g.Clicks(48000, p); err == nil {
			t.Errorf("%+v was accepted", p)
		}
	}
}

func TestClickSound(t *testing.T) {
	clicks := []Click{{Sample: -100, Accent: true}, {Sample: 24000}, {Sample: 48017, Accent: true}, {Sample: 60001, Part: 1}}
	for _, s := range []Sound{SoundTone, SoundSoft, SoundLow, SoundShort} {
		for _, sr := range []int{44100, 48000, 96000} {
			out, err := RenderClick(clicks, -1000, 96000, sr, ClickOptions{Sound: s, LevelDB: -12})
			if err != nil {
				t.Fatal(err)
			}
			for i, c := range clicks {
				at := c.Sample + 1000
				if out[at-1] != 0 || out[at] == 0 {
					t.Errorf("%s at %d Hz: click %d does not start on its sample: %v, %v", s, sr, i, out[at-1], out[at])
				}
				peak := 0.0
				for _, x := range out[at : at+int64(sr/16)] {
					peak = math.Max(peak, math.Abs(float64(x)))
				}
				want := -12.0
				if c.Part > 0 {
					want -= partBelowDB
				} else if !c.Accent {
					want -= beatBelowDB
				}
				if db := 20 * math.Log10(peak); math.Abs(db-want) > 0.01 {
					t.Errorf("%s: click %d peaks at %.3f dB, want %.3f", s, i, db, want)
				}
				if end := at + int64(sr)*61/1000; out[end] != 0 {
					t.Errorf("%s: click %d still sounds after 61 ms", s, i)
				}
			}
			var parts []float32
			for a := int64(-1000); a < 96000; a += 997 {
				part, err := RenderClick(clicks, a, min(a+997, 96000), sr, ClickOptions{Sound: s, LevelDB: -12})
				if err != nil {
					t.Fatal(err)
				}
				parts = append(parts, part...)
			}
			if !slices.Equal(out, parts) {
				t.Errorf("%s at %d Hz: rendered in parts it differs", s, sr)
			}
		}
	}
	for _, o := range []ClickOptions{{LevelDB: 1}, {LevelDB: -70}, {LevelDB: math.NaN()}, {Sound: "bell"}} {
		if _, err := RenderClick(clicks, 0, 10, 48000, o); err == nil {
			t.Errorf("%+v was accepted", o)
		}
	}
	if _, err := RenderClick(clicks, math.MinInt64, math.MaxInt64, 48000, ClickOptions{}); err == nil {
		t.Error("an endless span was accepted")
	}
}

// One frame of 1 kHz, 48 frames before frame 0 at 24 and 24000/1001: common
// practice. At 24 fps and 48 kHz: samples -96000 to -94000, two exact seconds.
func TestTwoPop(t *testing.T) {
	for _, c := range []struct {
		rate     timecode.Rate
		from, to int64
	}{{timecode.Rate24, -96000, -94000}, {timecode.Rate23976, -96096, -94094}, {timecode.Rate25, -96000, -94080}} {
		if a, b := TwoPop(c.rate, 48000); a != c.from || b != c.to {
			t.Errorf("%s: %d to %d, want %d to %d", c.rate, a, b, c.from, c.to)
		}
	}
	out, err := RenderTwoPop(-100000, 0, timecode.Rate24, 48000, 0)
	if err != nil {
		t.Fatal(err)
	}
	crossings, peak := 0, 0.0
	for i, x := range out {
		if (i < 4000 || i >= 6000) && x != 0 {
			t.Fatalf("sound at %d, outside the frame", i-100000)
		}
		if i < 6000 && i > 0 && out[i-1] < 0 && x >= 0 {
			crossings++
		}
		peak = math.Max(peak, math.Abs(float64(x)))
	}
	// 2000 samples of 1 kHz are 41⅔ periods: 41 rising crossings after the start.
	if crossings != 41 || math.Abs(20*math.Log10(peak)+20) > 0.01 {
		t.Errorf("%d crossings at %.2f dB, want 41 at -20", crossings, 20*math.Log10(peak))
	}
}

// A minute of click at 120 BPM.
func BenchmarkRenderClick(b *testing.B) {
	var clicks []Click
	for i := range int64(120) {
		clicks = append(clicks, Click{Sample: i * 24000, Accent: i%4 == 0})
	}
	b.SetBytes(4 * 60 * 48000)
	for b.Loop() {
		if _, err := RenderClick(clicks, 0, 60*48000, 48000, ClickOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
