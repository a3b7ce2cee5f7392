package tui

import (
	"context"
	"strings"
	"testing"
)

// A person at a screen reader walks, marks, asks and quits, by words alone.
func TestPlainIsLines(t *testing.T) {
	desk := &fakeDesk{load: loadHarbour}
	desk.do = func(ctx context.Context, w Wish, tell func(Told)) (Outcome, error) {
		switch w.Do {
		case DoHit:
			return Outcome{News: "must-hit at frame 96", Changed: true}, nil
		case DoBounce:
			tell(Told{What: "bouncing", Done: 5, Total: 10})
			return Outcome{News: "the stem is written"}, nil
		}
		return Outcome{}, nil
	}
	words := []string{"hit-on", "must", "frame-on 10", "to 240", "to bar 3", "name", "the door", "nonsense", "check", "voice-on 3", "worst-on",
		"where", "again", "list", "bounce", "write", "wait", "help", "quit"}
	var out strings.Builder
	if err := RunPlain(t.Context(), strings.NewReader(strings.Join(words, "\n")), &out, desk, Options{}); err != nil {
		t.Fatal(err)
	}
	text := out.String()
	for _, want := range []string{"Stage Spot.", "frame 96: must gate opens at 3.1, beat on the frame.", "must-hit at frame 96.", "gate: frame 106 ",
		"gate: frame 240 ", `"nonsense" is no word here`, "name of the hit?", "Lead in choir", "bar 4 beat 2 (C5): a B4 was sung: sing the C5",
		"bar 4 of Lead: enter counts in and records.", "take 002: chosen, in use", "bouncing: 50 percent.", "the stem is written.",
		"must (m)", "Done."} {
		if want == "must (m)" { // of another stage
			want = "write (enter): write the stem"
		}
		if !strings.Contains(text, want) {
			t.Errorf("%q is not said in\n%s", want, text)
		}
	}
	for i, r := range text {
		if r > 126 || r < ' ' && r != '\n' {
			t.Fatalf("%q at byte %d is no plain text", r, i)
		}
	}
	var did []Deed
	for _, w := range desk.done()[0:] {
		did = append(did, w.Do)
	}
	if len(did) != 3 || did[0] != DoHit || did[1] != DoNameHit || did[2] != DoBounce {
		t.Errorf("the desk did %v", did)
	}
}

// Edits that wait are done when the lines end without a word of quitting.
func TestPlainLosesNoEditAtTheEnd(t *testing.T) {
	desk := &fakeDesk{load: loadHarbour}
	var out strings.Builder
	if err := RunPlain(t.Context(), strings.NewReader("must\nframe-on\nmust\n"), &out, desk, Options{}); err != nil {
		t.Fatal(err)
	}
	if n := len(desk.done()); n != 2 {
		t.Errorf("%d edits done, want 2", n)
	}
}
