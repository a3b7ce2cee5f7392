package cutlist

import (
	"bytes"
	"regexp"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
	_ "cuechoir/internal/fixedseed"

	"pgregory.net/rapid"
)

func TestFormatOf(t *testing.T) {
	edl := "001  T1       V     C        00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00\n"
	cases := []struct {
		name, head string
		want       Format
	}{
		{"a.EDL", "", FormatEDL}, {"film.otio", "", FormatOTIO}, {"a.csv", "frame\n1\n", FormatCSV}, {"a.tsv", "kind\tfirst\tlast\n", FormatShots},
		{"a.csv", "# shots\n\nKind;First;Last\ncut;1;1\n", FormatShots}, {"a.csv", "dissolve,3,9\n", FormatShots}, {"a.csv", "kind,frame\n", FormatCSV},
		{"standard input", "TITLE: x\n", FormatEDL}, {"x.txt", "\ufeff\n" + edl, FormatEDL}, {"x.json", ` {"OTIO_SCHEMA": "Timeline.1"`, FormatOTIO},
		{"x", "10\n20\n", FormatCSV}, {"x", "01:00:01:00\n", FormatCSV}, {"x", "cut,1,1\n", FormatShots}, {"x", "name,frame\nné"[:13], FormatCSV},
	}
	for _, c := range cases {
		if got, err := FormatOf(c.name, []byte(c.head)); got != c.want || err != nil {
			t.Errorf("FormatOf(%q, %q) = %q, %v, want %q", c.name, c.head, got, err, c.want)
		}
	}
	for _, head := range []string{"", " \n", "\x00\x00\x00\x18ftypmp42", "\xff\xfeT\x00", "RIFF\x10\x00\x00\x00WAVE"} {
		if got, err := FormatOf("film.mp4", []byte(head)); fault.KindOf(err) != fault.Unsupported || !strings.Contains(err.Error(), ".otio") {
			t.Errorf("%q: %q, %v, want an error of what is not read that says what is", head, got, err)
		}
	}
}

// Of a hard cut first and last are the first frame of the new shot, of a
// transition the first and the last mixed frame: an end of 32 is a last of 31.
func TestShotsForm(t *testing.T) {
	a := axis(timecode.Rate24, "01:00:00:00", 100)
	want := []Cut{hard(10, ""), soft(Dissolve, 20, 32, ""), soft(FadeOut, 90, 100, "")}
	text := "kind,first,last\ncut,10,10\ndissolve,20,31\nfade-out,90,99\n"
	for name, c := range map[string]struct {
		form Format
		text string
	}{"as it is written": {FormatShots, text}, "without a header": {FormatShots, text[len("kind,first,last\n"):]}, "as any table": {FormatCSV, text},
		"in another order": {FormatShots, "last,kind,first\n10,cut,10\n31,dissolve,20\n99,fade-out,90\n"}} {
		l, p := read(t, c.form, c.text, a)
		if checkList(t, l, p, want, nil); t.Failed() {
			t.Fatal(name)
		}
	}
	var b bytes.Buffer
	if err := Write(&b, FormatShots, List{Cuts: want}, a); err != nil || b.String() != text {
		t.Errorf("%v: wrote %q, want %q", err, b.String(), text)
	}
	l, p := read(t, FormatShots, "cut,10,11\nwipe,20,18\nwipe,x,18\nwipe,20,\nwipe,90,100\njump,5,5\nwipe,-1,5\n,50,50\n", a)
	checkList(t, l, p, []Cut{hard(50, "")}, []int{1, 2, 3, 4, 5, 6, 7})
}

// A list that could not come back is refused before anything is written.
func TestWriteRefuses(t *testing.T) {
	a := axis(timecode.Rate24, "01:00:00:00", 100)
	for name, l := range map[string]List{
		"out of order":         {Cuts: []Cut{hard(5, ""), hard(4, "")}},
		"twice":                {Cuts: []Cut{hard(5, ""), hard(5, "")}},
		"outside":              {Cuts: []Cut{hard(100, "")}},
		"a line break":         {Cuts: []Cut{hard(5, "a\nb")}},
		"a long name":          {Cuts: []Cut{hard(5, strings.Repeat("x", MaxName+1))}},
		"a title not in UTF-8": {Title: "\xff"},
		"a turned marker":      {Markers: []Marker{{1, "\u202e"}}},
		"a marker outside":     {Markers: []Marker{{100, ""}}},
		"markers out of order": {Markers: []Marker{{5, ""}, {4, ""}}},
	} {
		for _, f := range Formats {
			var b bytes.Buffer
			if err := Write(&b, f, l, a); fault.KindOf(err) != fault.Malformed || b.Len() > 0 {
				t.Errorf("%s as %s: %v, %d bytes written", name, f, err, b.Len())
			}
		}
	}
	if err := Write(&bytes.Buffer{}, "odd", List{}, a); fault.KindOf(err) != fault.Unsupported {
		t.Errorf("an odd form: %v", err)
	}
	if _, _, err := Read(strings.NewReader(""), "x", "odd", a); fault.KindOf(err) != fault.Unsupported {
		t.Errorf("an odd form: %v", err)
	}
	a.Frames = a.Rate.DayFrames() + 1
	if err := Write(&bytes.Buffer{}, FormatEDL, List{}, a); fault.KindOf(err) != fault.Unsupported {
		t.Errorf("an EDL of more than a day: %v", err)
	}
}

// No form can say that a transition runs on under the next cut, and the three
// digits of an EDL end at 999: what is written stays within both.
func TestTransitionsStayInTheirShot(t *testing.T) {
	a := axis(timecode.Rate24, "00:00:00:00", 5000)
	l := List{Cuts: []Cut{soft(Dissolve, 10, 50, ""), hard(20, ""), soft(Dissolve, 100, 1600, "")}}
	for f, words := range map[Format][]string{FormatEDL: {" D    010 ", " D    999 "}, FormatOTIO: {`"value": 10`, `"value": 1500`}} {
		roundTrip(t, f, l, a)
		var b bytes.Buffer
		if err := Write(&b, f, l, a); err != nil {
			t.Fatal(err)
		}
		for _, w := range words {
			if !strings.Contains(b.String(), w) {
				t.Errorf("%s: %q is not in\n%s", f, w, b.String())
			}
		}
		for _, w := range []string{" D    040 ", `"value": 40`, " D    1500 "} {
			if strings.Contains(b.String(), w) {
				t.Errorf("%s: %q is in\n%s", f, w, b.String())
			}
		}
	}
}

// A reference of a whole day, and one that passes midnight.
func TestListsOverMidnight(t *testing.T) {
	a := axis(timecode.Rate2997DF, "18:00:00;00", timecode.Rate2997DF.DayFrames())
	l := List{Cuts: []Cut{hard(1, "a"), soft(Dissolve, a.Frames/2, a.Frames/2+9, "b"), soft(FadeOut, a.Frames-5, a.Frames, "c")}, Markers: []Marker{{a.Frames - 1, "last"}}}
	for _, f := range []Format{FormatCSV, FormatEDL, FormatOTIO} {
		roundTrip(t, f, l, a)
	}
	got, p := read(t, FormatCSV, "00:00:00;00\n17:59:59;29\n18:00:00;00\n", a)
	checkList(t, got, p, []Cut{hard(0, ""), hard(6*107892, ""), hard(a.Frames-1, "")}, nil) // an hour is 107892 frames (SMPTE ST 12-1)
}

// With our comments and metadata taken out, what is left says the same cuts in
// the words of the form: other programs read them too. Lists as films have
// them: no transition runs on under the next cut, after a fade to black the
// picture comes back with a cut or a fade, frame 0 begins no shot.
func TestTheFormsSpeakForThemselves(t *testing.T) {
	ours := regexp.MustCompile(`(?m)^\* CUECHOIR: .*\n|(?s)"cuechoir": \{.*?\}`)
	rapid.Check(t, func(t *rapid.T) {
		a := drawAxis(t)
		var cuts []Cut
		at, dark := int64(1), false
		for range rapid.IntRange(0, 8).Draw(t, "n") {
			kinds := []Kind{HardCut, Dissolve, Wipe, FadeOut, FadeIn}
			if dark {
				kinds = []Kind{HardCut, FadeIn}
			}
			c := Cut{Frame: at, End: at, Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Confidence: 1}
			if c.Kind != HardCut {
				c.End += rapid.Int64Range(1, 90).Draw(t, "length")
			}
			if c.Kind != FadeOut {
				c.Name = rapid.SampledFrom([]string{"sea", "fire", "the door"}).Draw(t, "name") + frameWord(at)
			}
			if c.End+1 >= a.Frames {
				break
			}
			cuts = append(cuts, c)
			dark = c.Kind == FadeOut
			at = max(c.End, at+1) + rapid.Int64Range(0, 50).Draw(t, "until the next")
		}
		l := List{Cuts: cuts}
		marked := List{Cuts: append([]Cut{}, cuts...)}
		for i := range marked.Cuts {
			marked.Cuts[i].Hand, marked.Cuts[i].Confidence = i%2 == 0, 0.25
		}
		for _, f := range []Format{FormatEDL, FormatOTIO} {
			var b bytes.Buffer
			if err := Write(&b, f, marked, a); err != nil {
				t.Fatal(err)
			}
			if n := len(ours.FindAllString(b.String(), -1)); n != len(cuts) {
				t.Fatalf("%d of %d cuts carry something\n%s", n, len(cuts), b.String())
			}
			plain := strings.ReplaceAll(ours.ReplaceAllString(b.String(), ""), `"metadata": {,`, `"metadata": {`)
			got, p, err := Read(strings.NewReader(plain), "plain", f, a)
			if err != nil || len(p) > 0 || !sameList(got, l) {
				t.Fatalf("%s: %v %v %+v, want %+v\n%s", f, err, p, got.Cuts, l.Cuts, plain)
			}
		}
	})
}
