package report

import (
	"regexp"
	"strconv"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
)

// mapOnly is the invented job without layers, its tempo as a curve with a
// step, a glide and a held beat.
func mapOnly() Picture {
	p := lamplighter()
	p.Layers, p.Foot = nil, nil
	at := func(frame int64) int64 { return p.Rate.SampleOf(frame, 48000) }
	p.Tempo = []TempoPoint{
		{at(0), 100}, {at(480), 100}, {at(480), 108}, {at(960), 108}, // a step
		{at(1416), 90},               // a glide down to a held beat
		{at(1416), 0}, {at(1512), 0}, // held
		{at(1512), 112}, {at(2304), 112},
	}
	return p
}

func TestGoldenMapPicture(t *testing.T) {
	svg := draw(t, mapOnly())
	text := wellFormed(t, svg)
	for _, want := range []string{"Tempo", "90 BPM", "112 BPM", "Off hits", "late 4.75 f", "early 4.75 f"} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	golden(t, "map.svg", svg)
}

// TestCurvePlaces: what is drawn stands where its figures say.
func TestCurvePlaces(t *testing.T) {
	p := Picture{Rate: timecode.Rate24, Frames: 240, SampleRate: 48000,
		Tempo: []TempoPoint{{0, 100}, {240000, 100}, {240000, 110}, {480000, 110}},
		Hits: []Hit{
			{Frame: 60, Must: true, ErrorFrames: 2, Caught: true},
			{Frame: 120, ErrorFrames: -1, Caught: true},
			{Frame: 180, ErrorFrames: 50},
		}}
	svg := string(draw(t, p))
	curve := regexp.MustCompile(`<polyline points="([^"]*)"`).FindStringSubmatch(svg)
	if curve == nil {
		t.Fatal("no curve")
	}
	half := (plotLeft + plotRight) / 2
	var xs, ys []float64
	for _, pair := range strings.Fields(curve[1]) {
		x, y, _ := strings.Cut(pair, ",")
		xs, ys = append(xs, number(t, x)), append(ys, number(t, y))
	}
	if want := []float64{plotLeft, half, half, plotRight}; len(xs) != 4 || xs[0] != want[0] || xs[1] != want[1] || xs[2] != want[2] || xs[3] != want[3] {
		t.Errorf("the curve's corners stand at %v, want %v", xs, want)
	}
	if !(ys[0] == ys[1] && ys[2] == ys[3] && ys[0]-ys[2] == curveHeight-2*laneInset) {
		t.Errorf("heights %v: 100 BPM is to stand %g below 110", ys, curveHeight-2*laneInset)
	}
	// The errors' stems: 2 frames late goes up twice as far as 1 frame early goes down;
	// 50 frames late is held at the lane's edge.
	stems := regexp.MustCompile(`<line x1="([^"]*)" y1="([^"]*)" x2="[^"]*" y2="([^"]*)" stroke="#[0-9A-F]*" stroke-width="4"`).FindAllStringSubmatch(svg, -1)
	if len(stems) != 3 {
		t.Fatalf("%d errors drawn, want 3", len(stems))
	}
	rise := func(i int) float64 { return number(t, stems[i][2]) - number(t, stems[i][3]) }
	reach := offHeight/2 - laneInset
	for i, want := range []float64{2.0 / 6 * reach, -1.0 / 6 * reach, reach} {
		if d := rise(i) - want; d > 0.02 || d < -0.02 {
			t.Errorf("hit %d rises by %g, want %g", i, rise(i), want)
		}
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
