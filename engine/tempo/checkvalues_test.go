package tempo

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
)

// EBU R 37 (from memory): 40 ms early to 60 ms late is in sync. ITU-R
// BT.1359-1: 45 ms early and 125 ms late are the thresholds of detection. At
// 25 frames a second a frame is 40 ms.
func TestSyncWindows(t *testing.T) {
	for _, c := range []struct {
		w      SyncWindow
		frames timecode.Ratio
		rate   timecode.Rate
		holds  bool
	}{
		{SyncEBU, timecode.Int(-1), timecode.Rate25, true}, {SyncEBU, timecode.R(-1001, 1000), timecode.Rate25, false},
		{SyncEBU, timecode.R(3, 2), timecode.Rate25, true}, {SyncEBU, timecode.R(1501, 1000), timecode.Rate25, false},
		{SyncEBU, timecode.Int(-1), timecode.Rate24, false},                                                                    // 41.7 ms
		{SyncEBU, timecode.R(959, 1000), timecode.Rate23976, true}, {SyncEBU, timecode.R(-96, 100), timecode.Rate23976, false}, // 1001/24000 s
		{SyncEBU, timecode.Int(1), timecode.Rate24, true}, {SyncEBU, timecode.Int(2), timecode.Rate24, false},
		{SyncDetectable, timecode.Int(-1), timecode.Rate24, true}, {SyncDetectable, timecode.Int(-2), timecode.Rate25, false},
		{SyncDetectable, timecode.Int(3), timecode.Rate24, true}, {SyncDetectable, timecode.R(301, 100), timecode.Rate24, false}, // 125 ms are 3 frames
	} {
		if got := c.w.Holds(c.frames, c.rate); got != c.holds {
			t.Errorf("%s frames at %s in %+v: %v, want %v", c.frames, c.rate, c.w, got, c.holds)
		}
	}
	l, err := Landings(oneTempo(timecode.Int(12), Metre{}), []Hit{{Frame: 47}, {Frame: 49}}, timecode.Rate24)
	if err != nil || !l[0].InSync || l[0].Caught || l[1].InSync { // late by 41.7 ms, early by 41.7 ms
		t.Errorf("%+v, %v", l, err)
	}
}

// The click book: F frames and eighths a beat is 60 x fps / F beats a minute,
// and click n falls (n-1) x F frames after the first: arithmetic. The tables
// of the film-music handbooks say the same (from memory): at 24 frames a
// second 12-0 is 120 and 10-0 is 144; 8-0 is 180 and 20-0 is 72.
func TestClickBookValues(t *testing.T) {
	for _, c := range []struct {
		text string
		rate timecode.Rate
		bpm  float64
		at   map[int64]float64 // click number: frames after the first
	}{
		{"12-0", timecode.Rate24, 120, map[int64]float64{2: 12, 13: 144, 121: 1440}},
		{"10-0", timecode.Rate24, 144, map[int64]float64{11: 100}},
		{"24-0", timecode.Rate24, 60, map[int64]float64{61: 1440}},
		{"16-0", timecode.Rate24, 90, map[int64]float64{10: 144}},
		{"12-4", timecode.Rate24, 115.2, map[int64]float64{2: 12.5, 9: 100}},
		{"13-3", timecode.Rate24, 1440 / 13.375, map[int64]float64{9: 107}},
		{"8-0", timecode.Rate24, 180, nil}, {"20-0", timecode.Rate24, 72, nil},
		{"12-4", timecode.Rate25, 120, map[int64]float64{9: 100}},
		{"15-0", timecode.Rate25, 100, map[int64]float64{5: 60}},
		{"25-0", timecode.Rate25, 60, map[int64]float64{61: 1500}},
		{"12-0", timecode.Rate25, 125, nil},
	} {
		var whole, eighths int64
		for i, part := range strings.Split(c.text, "-") {
			n, err := timecode.ParseRatio(part)
			if err != nil {
				t.Fatal(err)
			}
			*[]*int64{&whole, &eighths}[i] = n.Num
		}
		f := timecode.R(8*whole+eighths, 8)
		if got := BPM(f, c.rate); math.Abs(got-c.bpm) > 1e-9 {
			t.Errorf("%s at %s: %v BPM, want %v", c.text, c.rate, got, c.bpm)
		}
		g := mustGrid(t, oneTempo(f, Metre{}), c.rate, 3000)
		for n, want := range c.at {
			if got := g.FrameAt(timecode.Int(n - 1)).Float(); got != want {
				t.Errorf("%s: click %d at frame %v, want %v", c.text, n, got, want)
			}
		}
	}
}

// Bars as a table, by hand: bar 2 of handMap begins at frame 42, sample 84000.
func TestWriteBars(t *testing.T) {
	var b bytes.Buffer
	if err := mustGrid(t, handMap(), timecode.Rate24, 240).WriteBars(&b, 48000, 3600*24); err != nil {
		t.Fatal(err)
	}
	want := `bar,metre,frame,sample,timecode,bpm
1,4/4,-6,-12000,00:59:59:18,120.0000
2,4/4,42,84000,01:00:01:18,120.0000
3,3/4,90,180000,01:00:03:18,144.0000
4,6/8,120,240000,01:00:05:00,60.0000
5,6/8,168,336000,01:00:07:00,60.0000
6,6/8,216,432000,01:00:09:00,60.0000
`
	if b.String() != want {
		t.Errorf("got\n%s", b.String())
	}
}
