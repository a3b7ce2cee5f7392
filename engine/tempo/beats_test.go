package tempo

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

// beatsAt are beats at frames of 24 a second, in samples at 48 kHz.
func beatsAt(metre Metre, frames ...float64) []Beat {
	var samples []int64
	for _, f := range frames {
		samples = append(samples, int64(math.Round(f*2000)))
	}
	return labelBeats(samples, 0, metre)
}

var beats24 = BeatOptions{Rate: timecode.Rate24, SampleRate: 48000, Frames: 6000}

func mustFit(t testing.TB, beats []Beat, o BeatOptions) BeatFit {
	t.Helper()
	fit, err := FromBeats(beats, o)
	if err != nil {
		t.Fatal(err)
	}
	return fit
}

func TestLabelBeats(t *testing.T) {
	got := labelBeats([]int64{1, 2, 3, 4, 5, 6}, 2, Metre{})
	for i, want := range [][2]int{{1, 3}, {1, 4}, {2, 1}, {2, 2}, {2, 3}, {2, 4}} {
		if got[i].Bar != want[0] || got[i].Beat != want[1] || got[i].Sample != int64(i+1) {
			t.Errorf("beat %d is %+v, want %v", i, got[i], want)
		}
	}
	if got := labelBeats([]int64{7}, 5, Metre{6, 8}); got[0].Bar != 1 || got[0].Beat != 2 {
		t.Errorf("five beats before a downbeat of 6/8: %+v", got)
	}
}

// A click of 12-4 (115.2 BPM) with every beat up to 0.9 frames off is one
// tempo: 120 beats bind it to 1.8/119 frames a quarter.
func TestFromBeatsIsSteadyWhenItCan(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	var at []float64
	for i := range 120 {
		at = append(at, 30+12.5*float64(i)+0.9*(2*r.Float64()-1))
	}
	fit := mustFit(t, beatsAt(Metre{}, at...), beats24)
	if len(fit.Map.Sections) != 1 || math.Abs(fit.Map.Sections[0].FramesPerQuarter.Float()-12.5) > 1.8/119 {
		t.Errorf("%+v, want one tempo near 12.5", fit.Map.Sections)
	}
	if f := fit.Map.Start.Float(); math.Abs(f-30) > 1.9 || fit.Largest.Cmp(timecode.Int(1)) > 0 {
		t.Errorf("starts at %v, largest error %s", f, fit.Largest)
	}
	closer := beats24
	closer.Within = timecode.R(1, 8)
	if fit := mustFit(t, beatsAt(Metre{}, at...), closer); len(fit.Map.Sections) < 20 || fit.Largest.Cmp(closer.Within) > 0 {
		t.Errorf("within an eighth of a frame: %d tempos, largest error %s", len(fit.Map.Sections), fit.Largest)
	}
}

// Two tempos, the change on beat 41; beats missed here and there.
func TestFromBeatsFindsTheChange(t *testing.T) {
	var at []float64
	for i := range 80 {
		at = append(at, 12*float64(min(i, 40))+15*float64(max(i-40, 0)))
	}
	beats := beatsAt(Metre{}, at...)
	kept := beats[:0:0]
	for i, b := range beats {
		if i%7 != 3 {
			kept = append(kept, b)
		}
	}
	for _, b := range [][]Beat{beats, kept} {
		fit := mustFit(t, b, beats24)
		s := fit.Map.Sections
		if len(s) != 2 || math.Abs(s[0].FramesPerQuarter.Float()-12) > 0.06 || math.Abs(s[1].FramesPerQuarter.Float()-15) > 0.06 {
			t.Errorf("%d beats: %+v, want 12 then 15", len(b), s)
		}
	}
}

// Any beats: the map stays within the bound of each, exactly on pinned ones.
func TestFromBeatsKeepsItsWord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := BeatOptions{Rate: rapid.SampledFrom([]timecode.Rate{timecode.Rate23976, timecode.Rate25, timecode.Rate2997}).Draw(t, "rate"), SampleRate: 48000, Frames: 3000,
			Metre: rapid.SampledFrom([]Metre{{}, {3, 4}, {6, 8}}).Draw(t, "metre"), Within: timecode.R(rapid.Int64Range(1, 40).Draw(t, "within"), 16)}
		n := rapid.IntRange(2, 60).Draw(t, "beats")
		at, samples := int64(0), []int64(nil)
		for range n {
			samples = append(samples, at)
			at += rapid.Int64Range(22000, 50000).Draw(t, "gap")
		}
		beats := labelBeats(samples, rapid.IntRange(0, n-1).Draw(t, "downbeat"), o.Metre)
		for i := rapid.IntRange(0, 9).Draw(t, "pin"); i < n; i += rapid.IntRange(3, 20).Draw(t, "next") {
			b := beats[i]
			o.Pins = append(o.Pins, Pin{b.Bar, b.Beat, o.Rate.FrameOf(b.Sample, 48000) + rapid.Int64Range(-3, 3).Draw(t, "off")})
		}
		if rapid.Bool().Draw(t, "missed") && n > 8 {
			beats = append(beats[:4:4], beats[6:]...)
		}
		fit, err := FromBeats(beats, o)
		if err != nil {
			t.Fatal(err)
		}
		g, err := NewGrid(fit.Map, o.Rate, o.Frames) // holds the pins
		if err != nil || len(fit.Map.Pins) != len(o.Pins) {
			t.Fatalf("%v, pins %v", err, fit.Map.Pins)
		}
		for _, b := range beats {
			pinned := false
			for _, p := range o.Pins {
				pinned = pinned || p.Bar == b.Bar && p.Beat == b.Beat
			}
			off := math.Abs(g.At(b.Bar, b.Beat, 0).Frame.Float() - float64(b.Sample)*o.Rate.Float()/48000)
			if !pinned && off > o.Within.Float()+1e-6 || !pinned && off > fit.Largest.Float()+1e-5 {
				t.Fatalf("beat %d.%d lies %v frames off, the bound is %s, the largest said to be %s", b.Bar, b.Beat, off, o.Within, fit.Largest)
			}
		}
	})
}

// The fewest pieces, against every choice of bends and places.
func TestFromBeatsEqualsExhaustiveSearch(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	pieces := map[int]int{}
	for c := range 150 {
		o, at := beats24, 0.0
		o.Within = timecode.R(int64(1+r.IntN(3)), 2)
		var frames []float64
		for range 3 + r.IntN(3) {
			frames = append(frames, at)
			at += 10 + 4*r.Float64()
		}
		beats := beatsAt(Metre{}, frames...)
		knots, err := o.knots(beats)
		if err != nil {
			t.Fatal(err)
		}
		path, err := o.bend(knots)
		if err != nil {
			t.Fatal(err)
		}
		got := costOfPath(knots, path, o.Within.Float())
		if want := leastPath(knots, nil, 0, o.Within.Float()); math.Abs(got-want) > 1e-6 {
			t.Fatalf("case %d: cost %v with %d pieces, exhaustive search finds %v", c, got, len(path)-1, want)
		}
		pieces[len(path)-1]++
	}
	t.Logf("cases by number of pieces: %v", pieces)
	if len(pieces) < 3 {
		t.Errorf("the cases are too much alike: %v", pieces)
	}
}

// leastPath grows every broken line from knot to knot.
func leastPath(knots []knot, path []bendPoint, next int, within float64) float64 {
	best := math.Inf(1)
	if n := len(path); n > 0 && path[n-1].knot == len(knots)-1 {
		return costOfPath(knots, path, within)
	}
	for j := next; j < len(knots); j++ {
		for _, place := range knots[j].places {
			grown := append(path[:len(path):len(path)], bendPoint{j, place})
			if len(grown) > 1 && !holds(knots, grown[len(grown)-2], grown[len(grown)-1], within) {
				continue
			}
			best = min(best, leastPath(knots, grown, j+1, within))
		}
		if len(path) == 0 {
			break // the line begins on the first beat
		}
	}
	return best
}

func holds(knots []knot, a, b bendPoint, within float64) bool {
	slope := b.frame.Sub(a.frame).Float() / (knots[b.knot].q - knots[a.knot].q)
	for k := a.knot + 1; k < b.knot; k++ {
		if math.Abs(a.frame.Float()+slope*(knots[k].q-knots[a.knot].q)-knots[k].y) > within {
			return false
		}
	}
	return slope >= 60*24./maxBPM && slope <= 60*24./minBPM
}

func costOfPath(knots []knot, path []bendPoint, within float64) float64 {
	cost := pieceWeight * float64(len(path)-1)
	for i, p := range path {
		if i == 0 {
			cost += nearWeight * sq((p.frame.Float()-knots[0].y)/within)
			continue
		}
		a := path[i-1]
		slope := p.frame.Sub(a.frame).Float() / (knots[p.knot].q - knots[a.knot].q)
		for k := a.knot + 1; k <= p.knot; k++ {
			cost += nearWeight * sq((a.frame.Float()+slope*(knots[k].q-knots[a.knot].q)-knots[k].y)/within)
		}
	}
	return cost
}

func TestFromBeatsRefuses(t *testing.T) {
	good := beatsAt(Metre{}, 0, 12, 24, 36)
	for name, c := range map[string]struct {
		beats  []Beat
		change func(*BeatOptions)
		kind   fault.Kind
		says   string
	}{
		"one beat":     {good[:1], nil, fault.NotMet, "two beats at least, and there are 1"},
		"none":         {nil, nil, fault.NotMet, "there are 0"},
		"not rising":   {[]Beat{{1, 1, 100}, {1, 2, 100}}, nil, fault.NotMet, "do not rise"},
		"out of order": {[]Beat{{1, 2, 100}, {1, 1, 200}}, nil, fault.NotMet, "do not rise"},
		"beat 5":       {[]Beat{{1, 5, 100}, {2, 1, 200}}, nil, fault.Usage, "out of range"},
		"bar 0":        {[]Beat{{0, 1, 100}, {2, 1, 200}}, nil, fault.Usage, "out of range"},
		"too slow":     {beatsAt(Metre{}, 0, 100, 200), nil, fault.NotMet, "20 to 400"},
		"too fast":     {beatsAt(Metre{}, 0, 1.1, 2.2), func(o *BeatOptions) { o.Within = timecode.R(1, 16) }, fault.NotMet, "20 to 400"},
		"pinned wrong": {good, func(o *BeatOptions) { o.Pins = []Pin{{1, 2, 30}} }, fault.NotMet, "do not rise"},
		"too near":     {good, func(o *BeatOptions) { o.Within = timecode.R(1, 17) }, fault.Usage, "1/16 to 100"},
		"no rate":      {good, func(o *BeatOptions) { o.Rate = timecode.Rate{} }, fault.Usage, "frame rate"},
		"no samples":   {good, func(o *BeatOptions) { o.SampleRate = 0 }, fault.Usage, "sample rate"},
		"style":        {good, func(o *BeatOptions) { o.Style = Steady }, fault.Usage, "not fitted"},
	} {
		o := beats24
		if c.change != nil {
			c.change(&o)
		}
		if _, err := FromBeats(c.beats, o); err == nil || fault.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %v that says %q", name, err, c.kind, c.says)
		}
	}
}

func BenchmarkFromBeats(b *testing.B) {
	r := rand.New(rand.NewPCG(15, 16))
	var at []float64
	f := 0.0
	for range 600 { // five minutes of 120 BPM
		at = append(at, f+0.4*r.NormFloat64())
		f += 12 + 0.3*math.Sin(float64(len(at))/40)
	}
	beats := beatsAt(Metre{}, at...)
	for b.Loop() {
		if _, err := FromBeats(beats, BeatOptions{Rate: timecode.Rate24, SampleRate: 48000, Frames: 7200}); err != nil {
			b.Fatal(err)
		}
	}
}

// labelBeats numbers beats that follow each other without a gap; the one at
// index downbeat is the first of a bar, and the first bar is bar 1.
func labelBeats(samples []int64, downbeat int, metre Metre) []Beat {
	n := metre.Beats()
	before := int(mod(int64(-downbeat), int64(n)))
	out := make([]Beat, len(samples))
	for i, s := range samples {
		out[i] = Beat{Bar: (before+i)/n + 1, Beat: (before+i)%n + 1, Sample: s}
	}
	return out
}
