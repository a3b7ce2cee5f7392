package desk

import (
	"os"
	"testing"

	"cuechoir/engine/score"
	"cuechoir/tui"
)

// Each line of a layer's and of a group's sound starts, turns and goes off, and
// each of these is one edit that undo takes back to the letter.
func TestSoundLines(t *testing.T) {
	f, _ := evening(t)
	d := New(f, Options{Silent: true})
	defer d.Close()
	text := func() string {
		b, err := os.ReadFile(f.Path(score.FileName))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	lineOf := func(group bool, name string) tui.Line {
		m, err := d.Load(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		lines := m.Layers[0].Lines
		if group {
			lines = m.Groups[0].Lines
		}
		for _, l := range lines {
			if l.Name == name {
				return l
			}
		}
		t.Fatalf("no line %s", name)
		return tui.Line{}
	}
	for _, c := range []struct {
		group                    bool
		line                     string
		by                       float64
		started, turned, command string
	}{
		{false, "high-pass", 1, "hz=80", "hz=85", `cuechoir mix set alto --high-pass "hz=85"`}, // 80 Hz a semitone up: 84.76
		{false, "compressor", -1, "threshold_db=-20 ratio=2", "threshold_db=-21 ratio=2", `cuechoir mix set alto --compressor "threshold_db=-21 ratio=2"`},
		{false, "de-ess", 1, "threshold_db=-30", "threshold_db=-29", `cuechoir mix set alto --de-ess "threshold_db=-29"`},
		{false, "eq-high", 1, "hz=8000 db=2", "hz=8476 db=2", `cuechoir mix set alto --eq-high "hz=8476 db=2"`},
		{false, "trim", -1, "db=1", "db=-1", `cuechoir mix set alto --trim "db=-1"`}, // 0 says nothing and is stepped over
		{false, "send-room", 1, "-15", "-14", "cuechoir mix send alto room -14"},
		{false, "send-echo", -1, "-18", "-19", "cuechoir mix send alto echo -19"},
		{false, "ride", 1, "depth_db=6", "depth_db=7", "cuechoir mix ride alto depth_db=7"},
		{false, "room", 1, "seconds=1.5", "seconds=1.6", "cuechoir mix room seconds=1.6"},
		{false, "echo", 1, "ms=350", "ms=386", "cuechoir mix echo ms=386"},
		{true, "send-room", 1, "-15", "-14", "cuechoir mix send --group choir room -14"},
		{true, "high-pass", 1, "hz=80", "hz=85", `cuechoir mix group choir --high-pass "hz=85"`},
	} {
		w := tui.Wish{Do: tui.DoTurn, Layer: "alto", Name: c.line, By: c.by}
		if c.group {
			w.Layer, w.Group = "", "choir"
		}
		before := text()
		do(t, d, w)
		started := text()
		if got := lineOf(c.group, c.line).Text; got != c.started {
			t.Errorf("%s starts at %q, want %q", c.line, got, c.started)
		}
		do(t, d, w)
		if got := lineOf(c.group, c.line); got.Text != c.turned || got.Command != c.command {
			t.Errorf("%s turns to %+v, want %q by %s", c.line, got, c.turned, c.command)
		}
		turned := text()
		do(t, d, tui.Wish{Do: tui.DoUndo})
		if text() != started {
			t.Errorf("%s: undo of a turn leaves another document", c.line)
		}
		do(t, d, tui.Wish{Do: tui.DoRedo})
		if text() != turned {
			t.Errorf("%s: redo leaves another document", c.line)
		}
		off := w
		off.Do, off.Style = tui.DoLine, "off"
		do(t, d, off)
		if got := lineOf(c.group, c.line).Text; got != "" {
			t.Errorf("%s is off, and still %q", c.line, got)
		}
		for range 3 {
			do(t, d, tui.Wish{Do: tui.DoUndo})
		}
		if text() != before {
			t.Errorf("%s: three undos do not lead back", c.line)
		}
	}
}

// A colour is chosen along the list; what cannot be is refused and changes nothing.
func TestSoundLinesColourAndRefusals(t *testing.T) {
	f, _ := evening(t)
	d := New(f, Options{Silent: true})
	defer d.Close()
	do(t, d, tui.Wish{Do: tui.DoTurn, Layer: "alto", Name: "colour", By: 1})
	s, err := f.Load()
	if err != nil || len(s.Layers[0].Colour) == 0 {
		t.Fatalf("no colour: %v", err)
	}
	do(t, d, tui.Wish{Do: tui.DoTurn, Layer: "alto", Name: "colour", By: -1})
	if s, err = f.Load(); err != nil || len(s.Layers[0].Colour) != 0 {
		t.Errorf("still a colour %v: %v", s.Layers[0].Colour, err)
	}
	do(t, d, tui.Wish{Do: tui.DoTurn, Layer: "alto", Name: "ride", By: 1})
	do(t, d, tui.Wish{Do: tui.DoLine, Layer: "bass", Name: "ride", Style: "off"})
	if s, err = f.Load(); err != nil || s.Desk.Ride.Voice != "alto" {
		t.Errorf("the ride under alto went with bass's: %q, %v", s.Desk.Ride.Voice, err)
	}
	before, _ := os.ReadFile(f.Path(score.FileName))
	for _, w := range []tui.Wish{
		{Do: tui.DoLine, Layer: "alto", Name: "high-pass", Style: "hz=-5"},
		{Do: tui.DoLine, Layer: "alto", Name: "high-pass", Style: "loud"},
		{Do: tui.DoLine, Layer: "alto", Name: "send-room", Style: "lots"},
		{Do: tui.DoLine, Layer: "alto", Name: "colour", Style: "mauve"},
		{Do: tui.DoLine, Layer: "nobody", Name: "high-pass", Style: "hz=80"},
		{Do: tui.DoTurn, Group: "choir", Name: "send-sky", By: 1},
	} {
		if _, err := d.Do(t.Context(), w, func(tui.Told) {}); err == nil {
			t.Errorf("%+v is taken", w)
		}
	}
	if after, _ := os.ReadFile(f.Path(score.FileName)); string(after) != string(before) {
		t.Error("what was refused changed the document")
	}
}
