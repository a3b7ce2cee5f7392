package part

import (
	"bytes"
	"context"
	"testing"

	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
	_ "cuechoir/internal/fixedseed"

	"pgregory.net/rapid"
)

// Out and in again: every beat of an hour within a millisecond, 48 samples.
func checkMapTrip(t rapid.TB, m tempo.Map, rate timecode.Rate, frames int64) (worstMs float64) {
	g, err := tempo.NewGrid(m, rate, frames)
	if err != nil {
		t.Fatal(err)
	}
	origin, from := Origin(g)
	markFrame := from.Floor() + 31
	var b bytes.Buffer
	if err := WriteSMF(&b, nil, ConductorOf(g, "map", []FrameMark{{Frame: markFrame, Text: "title"}})); err != nil {
		t.Fatal(err)
	}
	back, markers, notes, err := ReadMap(bytes.NewReader(b.Bytes()), "map.mid", rate, from)
	if err != nil || len(notes) != 0 || len(markers) != 1 || markers[0].Text != "title" {
		t.Fatalf("%v, %v, %v", markers, notes, err)
	}
	h, err := tempo.NewGrid(back, rate, frames)
	if err != nil {
		t.Fatal(err)
	}
	if d := h.SampleAt(markers[0].At, 48000) - rate.SampleOf(markFrame, 48000); !inHeldBeat(g, rate.SampleOf(markFrame, 48000)) && (d > 48 || d < -48) {
		t.Fatalf("the marker lies %d samples off", d)
	}
	want, got := g.Beats(48000), h.Beats(48000)
	shift := 1 - g.Bars(48000)[0].Number // the file's first bar is its bar 1
	worst := int64(0)
	for i, w := range want {
		if i >= len(got) {
			break // a last bar may fall just outside
		}
		q := w.Quarter.Sub(origin)
		if x := got[i]; x.Bar != w.Bar+shift || x.Beat != w.Beat || x.Quarter != q {
			t.Fatalf("beat %d.%d at quarter %s became %d.%d at %s", w.Bar, w.Beat, q, x.Bar, x.Beat, x.Quarter)
		}
		for part := range int64(4) { // and between beats, where a glide bends
			if part > 0 && w.Hold.Sign() > 0 {
				break // the end of a held beat is one slow stretch
			}
			at := timecode.R(part, 4)
			d := h.SampleAt(q.Add(at), 48000) - g.SampleAt(w.Quarter.Add(at), 48000)
			if worst = max(worst, d, -d); worst > 48 {
				t.Fatalf("beat %d.%d and %s is %d samples off", w.Bar, w.Beat, at, d)
			}
		}
	}
	return float64(worst) / 48
}

// inHeldBeat reports a sample within a beat that is held. The file slows such a
// beat's end; read back it is a hold again, at the very end.
func inHeldBeat(g *tempo.Grid, sample int64) bool {
	beats := g.Beats(48000)
	for i := 1; i < len(beats); i++ {
		if beats[i-1].Sample <= sample && sample <= beats[i].Sample {
			return beats[i-1].Hold.Sign() > 0
		}
	}
	return false
}

func TestMapOutAndInOverAnHour(t *testing.T) {
	for _, bpm := range []int64{97, 167} { // none a whole number of microseconds
		m := tempo.Map{Sections: []tempo.Section{{Bars: 1, FramesPerQuarter: timecode.R(60*24000, 1001*bpm)}}}
		checkMapTrip(t, m, timecode.Rate23976, 3600*24)
	}
	m := tempo.Map{Sections: []tempo.Section{{Bars: 1, FramesPerQuarter: timecode.R(3*60*24, 280)}}} // 93.333 BPM
	checkMapTrip(t, m, timecode.Rate24, 3600*24)
}

// Glides, held beats and bars before bar 1: every beat, and each quarter of it,
// within a millisecond over ten minutes. A beat is a hold when it is slower
// than a map's slowest tempo; it comes back as one.
func TestGlidesOutAndIn(t *testing.T) {
	worst, seconds := 0.0, int64(600)
	if underRace {
		seconds = 60
	}
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.SampledFrom([]timecode.Rate{timecode.Rate23976, timecode.Rate25, timecode.Rate2997}).Draw(t, "rate")
		per := func(name string) timecode.Ratio {
			return timecode.R(60*rate.Num, rate.Den*rapid.Int64Range(30, 240).Draw(t, name))
		}
		m := tempo.Map{Start: timecode.R(rapid.Int64Range(-200, 900).Draw(t, "start"), rapid.Int64Range(1, 7).Draw(t, "startDen"))}
		for range rapid.IntRange(1, 8).Draw(t, "sections") {
			s := tempo.Section{Bars: rapid.IntRange(1, 30).Draw(t, "bars"), FramesPerQuarter: per("bpm"),
				Metre: rapid.SampledFrom([]tempo.Metre{{}, {Num: 3, Den: 4}, {Num: 6, Den: 8}}).Draw(t, "metre")}
			if rapid.IntRange(0, 2).Draw(t, "glides") > 0 {
				s.EndFramesPerQuarter = per("end")
			}
			if rapid.IntRange(0, 2).Draw(t, "holds") == 0 {
				s.Hold = timecode.Int(rapid.Int64Range(60, 300).Draw(t, "hold"))
			}
			m.Sections = append(m.Sections, s)
		}
		worst = max(worst, checkMapTrip(t, m, rate, seconds*24))
	})
	t.Logf("worst error %.3f ms", worst)
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
