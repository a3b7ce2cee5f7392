package part

import (
	"bytes"
	"context"
	"testing"

	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

// Out and in again: every beat of an hour within a millisecond, 48 samples.
func checkMapTrip(t rapid.TB, m tempo.Map, rate timecode.Rate, frames int64) {
	g, err := tempo.NewGrid(m, rate, frames)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := WriteSMF(&b, nil, ConductorOf(g, "map", []Marker{{At: timecode.R(3, 2), Text: "title"}})); err != nil {
		t.Fatal(err)
	}
	back, markers, notes, err := ReadMap(bytes.NewReader(b.Bytes()), "map.mid", rate, m.Start)
	if err != nil || len(notes) != 0 || len(markers) != 1 || markers[0] != (Marker{timecode.R(3, 2), "title"}) {
		t.Fatalf("%v, %v, %v", markers, notes, err)
	}
	h, err := tempo.NewGrid(back, rate, frames)
	if err != nil {
		t.Fatal(err)
	}
	want, got := g.Beats(48000), h.Beats(48000)
	for i, w := range want {
		if w.Quarter.Sign() < 0 {
			continue
		}
		k := i + len(got) - len(want) // a last bar may fall just outside
		if len(got) != len(want) {
			k = i
		}
		if k >= len(got) {
			break
		}
		if x := got[k]; x.Bar != w.Bar || x.Beat != w.Beat || x.Quarter != w.Quarter {
			t.Fatalf("beat %d.%d at quarter %s became %d.%d at %s", w.Bar, w.Beat, w.Quarter, x.Bar, x.Beat, x.Quarter)
		}
		if d := h.SampleAt(w.Quarter, 48000) - w.Sample; d > 48 || d < -48 {
			t.Fatalf("beat %d.%d is %d samples off", w.Bar, w.Beat, d)
		}
	}
}

func TestMapOutAndInOverAnHour(t *testing.T) {
	for _, bpm := range []int64{97, 167} { // none a whole number of microseconds
		m := tempo.Map{Sections: []tempo.Section{{Bars: 1, FramesPerQuarter: timecode.R(60*24000, 1001*bpm)}}}
		checkMapTrip(t, m, timecode.Rate23976, 3600*24)
	}
	m := tempo.Map{Sections: []tempo.Section{{Bars: 1, FramesPerQuarter: timecode.R(3*60*24, 280)}}} // 93.333 BPM
	checkMapTrip(t, m, timecode.Rate24, 3600*24)
}

func TestSolvedMapOutAndIn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var hits []tempo.Hit
		frame := int64(0)
		for range rapid.IntRange(2, 4).Draw(t, "hits") {
			frame += rapid.Int64Range(40, 200).Draw(t, "gap")
			hits = append(hits, tempo.Hit{Frame: frame, Lands: rapid.SampledFrom([]tempo.Lands{tempo.LandsBar, tempo.LandsHalf}).Draw(t, "lands"), Tolerance: 1})
		}
		answers, err := tempo.Solve(context.Background(), hits, tempo.Options{Rate: timecode.Rate23976, Answers: 2})
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range answers {
			checkMapTrip(t, a.Map, timecode.Rate23976, frame+1)
		}
	})
}

// By hand: the standard's defaults, and its example of 4/4 at 120.
func TestReadMapDefaults(t *testing.T) {
	for name, data := range map[string][]byte{"none": file(t, "00903C50 60803C00"), "example": fromHex(t, example1)} {
		m, _, _, err := ReadMap(bytes.NewReader(data), "song.mid", timecode.Rate24, timecode.Int(-5))
		if err != nil || len(m.Sections) != 1 || m.Sections[0].FramesPerQuarter != timecode.Int(12) || m.Sections[0].Metre.String() != "4/4" || m.Start != timecode.Int(-5) {
			t.Errorf("%s: %+v, %v", name, m, err)
		}
	}
	// 4/4 for a bar and a half at 120, then 60; at bar 3 a metre of 3/4
	m, _, _, err := ReadMap(bytes.NewReader(file(t, "8440FF51030F4240 8140FF580403021808")), "song.mid", timecode.Rate24, timecode.Ratio{})
	if err != nil || len(m.Sections) != 3 {
		t.Fatalf("%+v, %v", m, err)
	}
	g, err := tempo.NewGrid(m, timecode.Rate24, 200)
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range []int64{0, 48, 120, 192} {
		if b := g.Bars(48000)[i]; b.Frame != timecode.Int(f) || b.Number != i+1 {
			t.Errorf("bar %d at frame %s, want %d", b.Number, b.Frame, f)
		}
	}
}

func TestReadMapRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		events string
		kind   fault.Kind
	}{
		"metre in a bar": {"60FF580403021808", fault.Malformed},
		"tempo 0":        {"00FF5103000000", fault.OverLimit},
		"too fast":       {"00FF5103000400", fault.OverLimit},
		"metre 4/128":    {"00FF580404071808", fault.Unsupported},
	} {
		if m, _, _, err := ReadMap(bytes.NewReader(file(t, c.events)), "song.mid", timecode.Rate24, timecode.Ratio{}); fault.KindOf(err) != c.kind || err == nil {
			t.Errorf("%s: %+v, %v, want %v", name, m, err, c.kind)
		}
	}
}

func FuzzReadMap(f *testing.F) {
	for _, b := range seeds(f) {
		f.Add(b)
	}
	f.Add(file(f, "8440FF51030F4240 8140FF580403021808"))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, _, _, err := ReadMap(bytes.NewReader(b), "song.mid", timecode.Rate23976, timecode.Ratio{})
		if err == nil {
			_, err = tempo.NewGrid(m, timecode.Rate23976, 0)
		}
		if err != nil && fault.KindOf(err) == fault.Unexpected {
			t.Fatalf("%v\n%X", err, b)
		}
	})
}
