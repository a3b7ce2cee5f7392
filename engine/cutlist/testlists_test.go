package cutlist

import (
	"bytes"
	"reflect"
	"strings"
	"testing"

	"cuechoir/engine/timecode"

	"pgregory.net/rapid"
)

// testRates are those of the design, section 4, and two that nobody lists.
var testRates = []timecode.Rate{timecode.Rate23976, timecode.Rate24, timecode.Rate25, timecode.Rate2997, timecode.Rate2997DF, timecode.Rate30,
	timecode.Rate48, timecode.Rate50, timecode.Rate5994, timecode.Rate5994DF, timecode.Rate60, {Num: 18, Den: 1}, {Num: 120000, Den: 1001}, {Num: 100000, Den: 4171}}

// drawAxis is a reference at any rate, from any time of day: the midnight that
// time code wraps at included.
func drawAxis(t *rapid.T) Axis {
	r := rapid.SampledFrom(testRates).Draw(t, "rate")
	a := Axis{Rate: r, Frames: rapid.SampledFrom([]int64{1, 2, 50, 1500, 20_000, 400_000}).Draw(t, "frames")}
	switch rapid.IntRange(0, 3).Draw(t, "start") {
	case 1:
		a.Start, _ = r.ParseTimecode("01:00:00:00")
	case 2:
		a.Start = rapid.Int64Range(0, r.DayFrames()-1).Draw(t, "time of day")
	case 3:
		a.Start = r.DayFrames() - rapid.Int64Range(1, min(a.Frames, 3000)).Draw(t, "before midnight")
	}
	return a
}

var drawName = rapid.OneOf(rapid.Just(""), rapid.SampledFrom([]string{"sea", ` "`, `"x"`, "# 1", "a;b, c\\n", " ", "RED door", "* FROM CLIP NAME: x", "C", "\u00e9\u4e2d"}),
	rapid.StringN(0, 20, 60).Filter(func(s string) bool { return checkName(s) == nil }))

// drawCuts is a valid list: cuts next to each other, on frame 0 and 1, of any
// kind and length, those that run on under the next cut included.
func drawCuts(t *rapid.T, a Axis) []Cut {
	var cuts []Cut
	at := rapid.SampledFrom([]int64{0, 1, 2, 17}).Draw(t, "first")
	for range rapid.IntRange(0, 12).Draw(t, "n") {
		if at >= a.Frames {
			break
		}
		c := Cut{Frame: at, End: at, Kind: rapid.SampledFrom(Kinds).Draw(t, "kind"), Name: drawName.Draw(t, "name"),
			Confidence: rapid.OneOf(rapid.Just(1.0), rapid.Float64Range(0, 1)).Draw(t, "confidence"), Hand: rapid.Bool().Draw(t, "hand")}
		if c.Kind != HardCut {
			length := rapid.OneOf(rapid.Int64Range(0, 30), rapid.SampledFrom([]int64{255, 256, 999, 1000, 100_000})).Draw(t, "length")
			c.End = min(c.Frame+length, a.Frames)
		}
		cuts = append(cuts, c)
		gap := rapid.OneOf(rapid.Just(c.End-c.Frame), rapid.Just(int64(1)), rapid.Int64Range(1, 2000)).Draw(t, "until the next")
		at += max(1, gap)
	}
	return cuts
}

func drawList(t *rapid.T, a Axis) List {
	l := List{Title: drawName.Draw(t, "title"), Cuts: drawCuts(t, a)}
	for range rapid.IntRange(0, 3).Draw(t, "markers") {
		l.Markers = append(l.Markers, Marker{rapid.Int64Range(0, a.Frames-1).Draw(t, "at"), drawName.Draw(t, "marker")})
	}
	l.settle()
	return l
}

// roundTrip writes a list, reads it back and wants it the same, with nothing
// told.
func roundTrip(t interface {
	Helper()
	Fatalf(string, ...any)
}, f Format, l List, a Axis) {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, f, l, a); err != nil {
		t.Fatalf("writing: %v", err)
	}
	text := b.String()
	back, problems, err := Read(&b, "list", f, a)
	if err != nil || len(problems) > 0 {
		t.Fatalf("reading back: %v %v\n%s", err, problems, text)
	}
	if !sameList(back, l) {
		t.Fatalf("read back %+v\nwant %+v\n%s", back, l, text)
	}
}

func sameList(x, y List) bool {
	same := func(a, b any, n int) bool { return n == 0 || reflect.DeepEqual(a, b) }
	return x.Title == y.Title && len(x.Cuts) == len(y.Cuts) && len(x.Markers) == len(y.Markers) &&
		same(x.Cuts, y.Cuts, len(x.Cuts)) && same(x.Markers, y.Markers, len(x.Markers))
}

func TestEDLRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawAxis(t)
		roundTrip(t, FormatEDL, drawList(t, a), a)
	})
}

func TestOTIORoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawAxis(t)
		roundTrip(t, FormatOTIO, drawList(t, a), a)
	})
}

func TestCSVRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawAxis(t)
		l := drawList(t, a)
		l.Title = "" // a table has no place for it
		roundTrip(t, FormatCSV, l, a)
	})
}

// The short form keeps where and of what kind the cuts are.
func TestShotsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawAxis(t)
		l := List{Cuts: drawCuts(t, a)}
		for i := range l.Cuts {
			l.Cuts[i].Name, l.Cuts[i].Confidence, l.Cuts[i].Hand = "", 1, false
		}
		roundTrip(t, FormatShots, l, a)
	})
}

func read(t *testing.T, f Format, text string, a Axis) (List, []Problem) {
	t.Helper()
	l, problems, err := Read(strings.NewReader(text), "list", f, a)
	if err != nil {
		t.Fatal(err)
	}
	return l, problems
}
