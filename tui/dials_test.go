package tui

import (
	"errors"
	"strings"
	"testing"
)

// Each key of the dials wishes for the line that it makes.
func TestDialsWishForLines(t *testing.T) {
	for _, c := range []struct {
		keys             string
		name, text       string
		layer, group     string
		from, to         int64
		stage            Stage
		closed, mixStage bool
	}{
		{keys: "enter .", name: "retune", text: "amount=85 speed_ms=120", layer: "Horn low", stage: Mix},
		{keys: "enter n ,", name: "retune", text: "amount=80 speed_ms=109", layer: "Horn low", stage: Mix},
		{keys: "enter d", name: "retune", text: "off", layer: "Horn low", stage: Mix},
		{keys: "enter o d", name: "retime", text: "to=grid amount=80", layer: "Horn low", stage: Mix},
		{keys: "enter down down .", name: "colour", text: "timpani", layer: "Horn low", stage: Mix},
		{keys: "enter o o ,", name: "colour", text: "low-brass", layer: "Horn low", stage: Mix},
		{keys: "enter o o o o .", name: "eq-low", text: "hz=117 db=3", layer: "Horn low", stage: Mix},
		{keys: "enter o o o o right .", name: "eq-low", text: "hz=110 db=4", layer: "Horn low", stage: Mix},
		{keys: "enter o o o o o n .", name: "compressor", text: "threshold_db=-20 ratio=4.5", layer: "Horn low", stage: Mix},
		{keys: "enter O ,", name: "room", text: "db=-13", layer: "Horn low", stage: Mix},
		{keys: "enter v v v d", name: "retune", text: "off", layer: "Lead", stage: Mix},
		{keys: "enter g o .", name: "eq-low", text: "hz=117 db=3", group: "brass", stage: Mix},
		{keys: "w .", name: "room", text: "seconds=2.6 pre_delay_ms=20", stage: Mix},
		{keys: "w o d", name: "ride", text: "Horn low depth_db=9", stage: Mix},
		{keys: "b b x b x enter d", name: "retune", text: "off", layer: "Horn low", from: at(96), to: at(192), stage: Mix},
		{keys: "enter o enter back back back 9 0 enter", name: "retime", text: "to=grid amount90", layer: "Horn low", stage: Mix},
	} {
		s, got := wished(stageOf(t, c.stage), c.keys)
		want := Wish{Do: DoDial, Layer: c.layer, Group: c.group, Name: c.name, Text: c.text, From: c.from, To: c.to}
		if len(got) != 1 || !sameWish(got[0], want) {
			t.Errorf("%q wishes for %+v, want %+v", c.keys, got, want)
		}
		if !s.dial.open || s.Stage != Mix {
			t.Errorf("%q closed the dials", c.keys)
		}
	}
}

// The dials close by their key, by esc and by another stage; the Check stage
// opens them on its layer's mends.
func TestDialsOpenAndClose(t *testing.T) {
	for _, keys := range []string{"enter e", "enter esc", "enter 6", "enter tab", "w e"} {
		if s, _ := wished(stageOf(t, Mix), keys); s.dial.open {
			t.Errorf("%q leaves them open", keys)
		}
	}
	s, _ := wished(stageOf(t, Check), "v v v m")
	if d, w, ok := s.theDial(); !ok || s.Stage != Mix || d.Name != "retune" || w.Layer != "Lead" {
		t.Errorf("from Check: stage %s, %+v, %+v", s.Stage.Word(), d, w)
	}
	s, _ = wished(stageOf(t, Mix), "enter o o o o o o o o o o ? ?")
	if !strings.Contains(View(s).String(), "amount=80") {
		t.Error("the list of dials is not shown")
	}
}

// Keys faster than the desk add up; what is refused, or is said by the score, is
// forgotten.
func TestQuickTurnsAddUp(t *testing.T) {
	s, got := wished(stageOf(t, Mix), "enter . . .")
	if len(got) != 3 || got[2].Text != "amount=95 speed_ms=120" {
		t.Fatalf("three turns: %+v", got)
	}
	if v := s.outcome(Outcome{}, errors.New("no")); v.dial.said != "" {
		t.Error("what was refused is still shown")
	}
	m := harbour()
	m.Layers[0].Dials[0].Text = "amount=95 speed_ms=120"
	next, err := newSheet(m)
	if err != nil {
		t.Fatal(err)
	}
	if s = s.withSheet(next); s.dial.said != "" {
		t.Error("the score says it, and it is still waited for")
	}
	if _, got = wished(s, "d d"); len(got) != 2 || got[0].Text != "off" || got[1].Text != "amount=80 speed_ms=120" {
		t.Errorf("off and on: %+v", got)
	}
}

// Steps are by the number's unit, and come back.
func TestDialSteps(t *testing.T) {
	for _, c := range []struct {
		before, after string
		value, up     float64
	}{
		{"hz=", " db=2", 1000, 1060}, {"threshold_db=", "", -20, -19}, {"ratio=", "", 3, 3.5}, {"attack_ms=", "", 30, 33}, {"amount=", "", 95, 100},
		{"seconds=", "", 2.5, 2.6}, {"high_ratio=", "", 0.5, 0.55}, {"lowpass ", " Hz", 900, 954}, {"optical ", " % seed 1", 60, 65}, {"pitch ", " st", -12, -11},
	} {
		if got := turned(c.value, 1, c.before, c.after); got != c.up {
			t.Errorf("%s%g%s goes up to %g, want %g", c.before, c.value, c.after, got, c.up)
		}
	}
	if turned(0, -1, "attack_ms=", "") != 0 {
		t.Error("a time below nothing")
	}
}
