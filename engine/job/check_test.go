package job

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cuechoir/engine/check"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/engine/tuning"
)

// drifting is a layer's report whose notes move by so many cents a minute.
func drifting(name string, seed uint64, slope float64) LayerReport {
	rng := rand.New(rand.NewPCG(seed, 1))
	r := LayerReport{Layer: name, Take: "001"}
	for i := range 60 {
		m := float64(i) / 30
		r.Report.Drift.Points = append(r.Report.Drift.Points, tuning.Point{Minutes: m, Cents: slope*m + 6*rng.Float64() - 3})
	}
	r.Report.Drift.Line = tuning.FitLine(r.Report.Drift.Points)
	r.Report.Drift.Significant = r.Report.Drift.Line.Significant()
	return r
}

// A layer that sinks with the others has kept its tonic; one that sinks alone
// has not.
func TestDriftBesideTheOthers(t *testing.T) {
	for _, c := range []struct {
		name       string
		own, other float64
		want       string
		beside     float64
	}{
		{"with the others", -25, -25, "it drifts with the other layers (-2", 0},
		{"alone", -25, 0, "it drifts 2", -25},
		{"against them", 20, -15, "it drifts 3", 35},
	} {
		reports := []LayerReport{drifting("alto", 1, c.own), drifting("tenor", 2, c.other), drifting("bass", 3, c.other)}
		w := checker{s: &score.Score{SampleRate: 48000}}
		if err := w.remember(context.Background(), reports); err != nil {
			t.Fatal(err)
		}
		m := reports[0].Memory
		if len(m) != 1 || math.Abs(m[0].Beside.CentsPerMinute-c.beside) > 2 || math.Abs(m[0].Heard.CentsPerMinute-c.other) > 2 {
			t.Fatalf("%s: %+v", c.name, m)
		}
		if notes := strings.Join(reports[0].Notes, "; "); !strings.Contains(notes, c.want) {
			t.Errorf("%s: %q", c.name, notes)
		}
	}
	steady := []LayerReport{drifting("alto", 1, 0), drifting("tenor", 2, -30)}
	w := checker{s: &score.Score{SampleRate: 48000}}
	if err := w.remember(context.Background(), steady); err != nil || len(steady[0].Memory) > 0 {
		t.Errorf("a steady layer is told of: %+v %v", steady[0].Memory, err)
	}
}

// An entry is held against the hit's own frame, not against where the map has
// it.
func TestEntriesOnHits(t *testing.T) {
	s := &score.Score{SampleRate: 48000, Reference: score.Reference{Rate: timecode.Rate24},
		Hits: []tempo.Hit{{Frame: 24, Name: "door", Must: true}, {Frame: 48, Name: "lamp"}, {Frame: 72, Name: "nobody"}}}
	heard := []check.Heard{{Name: "alto", Targets: []check.Target{{Start: 48000, End: 60000}, {Start: 96000 + 2400, End: 120000}, {Start: 144000, End: 150000}},
		Report: check.Report{Notes: []check.NoteResult{{Sung: true, Milliseconds: 12.5, Verdict: check.VerdictGood}, {Sung: true, Milliseconds: -10, Verdict: check.VerdictGood}, {Verdict: check.VerdictMissing}}}}}
	got := (&checker{s: s}).hits(heard)
	if len(got) != 2 || got[0].Name != "door" || !got[0].Must || len(got[0].Entries) != 1 || got[1].Name != "lamp" {
		t.Fatalf("%+v", got)
	}
	if e := got[0].Entries[0]; e.Layer != "alto" || e.Milliseconds != 12.5 || math.Abs(e.Frames-0.3) > 1e-9 {
		t.Errorf("%+v", e)
	}
	if e := got[1].Entries[0]; e.Milliseconds != 40 || math.Abs(e.Frames-0.96) > 1e-9 { // 50 ms of map less 10
		t.Errorf("%+v", e)
	}
}

func TestCheckOptionsThatCannotBe(t *testing.T) {
	for name, o := range map[string]CheckOptions{
		"A4 twice": {A4Hz: 442, FreeA4: true}, "A4 out of range": {A4Hz: 44}, "tonic without just": {Tonics: []TonicAt{{1, 2}}}, "no part to find a tonic in": {Just: true},
	} {
		w := checker{s: &score.Score{SampleRate: 48000}, o: o}
		if w.setSystem() == nil {
			t.Errorf("%s is taken", name)
		}
	}
}
