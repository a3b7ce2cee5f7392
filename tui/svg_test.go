package tui

import (
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"
)

// A pose answers each key, and catches a take on its way at the frame asked for.
func TestCapture(t *testing.T) {
	desk := deskFor(loadHarbour)
	g, err := Capture(t.Context(), desk, Pose{W: 100, H: 30, Stage: Sing, Keys: strings.Fields("v v v enter"), Hold: 120})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"[Sing]", "RECORDING Lead", "frame 150 "} {
		if !strings.Contains(g.String(), want) {
			t.Errorf("%q is not on\n%s", want, g)
		}
	}
	g, err = Capture(t.Context(), desk, Pose{W: 80, H: 24, Stage: Bounce, Keys: []string{"enter"}})
	if err != nil || !strings.Contains(g.String(), "2882880 samples at 48000 Hz, exactly the reference's") {
		t.Errorf("%v\n%s", err, g)
	}
}

// The picture is well-formed, and holds the words of the screen and two halves of
// each cell of a still.
func TestSVG(t *testing.T) {
	m := harbour()
	m.Title = "A <&> B"
	g, err := Capture(t.Context(), &fakeDesk{load: func() (Model, error) { return m, nil }}, Pose{W: 80, H: 24})
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := g.SVG(&b); err != nil {
		t.Fatal(err)
	}
	grey, rects, words := 0, 0, ""
	for _, c := range g.Cells {
		if c.Ink == InkGrey {
			grey++
		}
	}
	d := xml.NewDecoder(strings.NewReader(b.String()))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch x := token.(type) {
		case xml.StartElement:
			if x.Name.Local == "rect" {
				for _, a := range x.Attr {
					if a.Name.Local == "height" && a.Value == "8" {
						rects++
					}
				}
			}
		case xml.CharData:
			words += string(x)
		}
	}
	if grey < 100 || rects != 2*grey {
		t.Errorf("%d halves of %d cells of pictures", rects, grey)
	}
	for _, want := range []string{"A <&> B", "must-hit", "gate opens"} {
		if !strings.Contains(words, want) {
			t.Errorf("%q is not in the picture", want)
		}
	}
}
