package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

var update = flag.Bool("update", false, "write the golden files anew; look at them afterwards")

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s is not as it was; if the change is wanted, run with -update and look at it", name)
	}
}

func draw(t *testing.T, p Picture) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := SVG(&b, p); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// wellFormed decodes all of it and gives all character data.
func wellFormed(t *testing.T, svg []byte) string {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(svg))
	d.Strict = true
	var text strings.Builder
	for {
		tok, err := d.Token()
		if err == io.EOF {
			return text.String()
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		switch v := tok.(type) {
		case xml.CharData:
			text.Write(v)
		case xml.StartElement:
			if n := v.Name.Local; n == "script" || n == "image" || n == "foreignObject" || n == "a" {
				t.Errorf("an element <%s> got into the picture", n)
			}
			for _, a := range v.Attr {
				if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
					t.Errorf("<%s %s=%q>", v.Name.Local, a.Name.Local, a.Value)
				}
			}
		}
	}
}

// Each kind of change has a shape of its own, and its words.
func TestEveryKindOfCutIsDrawn(t *testing.T) {
	seen := map[string]cutlist.Kind{}
	for _, k := range []cutlist.Kind{cutlist.HardCut, cutlist.Dissolve, cutlist.Wipe, cutlist.FadeOut, cutlist.FadeIn} {
		c := cutlist.Cut{Frame: 40, End: 52, Kind: k}
		if k == cutlist.HardCut {
			c.End = 40
		}
		svg := string(draw(t, Picture{Rate: timecode.Rate24, Frames: 100, Cuts: []cutlist.Cut{c}}))
		if !strings.Contains(svg, ">"+string(k)+"</text>") {
			t.Errorf("%s is not in the legend", k)
		}
		_, shape, _ := strings.Cut(svg, "<title>"+string(k)+" at frame 40")
		shape, _, _ = strings.Cut(shape, "</g>")
		_, shape, _ = strings.Cut(shape, "</title>")
		if other, twice := seen[shape]; twice || shape == "" {
			t.Errorf("%s looks like %s", k, other)
		}
		seen[shape] = k
	}
}

func TestGoldenPicture(t *testing.T) {
	svg := draw(t, lamplighter())
	text := wellFormed(t, svg)
	for _, want := range []string{"The Lamplighter's Daughter", "Match struck 3.1, exact", "Lantern falls 31.2, missed -4.75 f", "Low brass", "dissolve", "To mend", "true peak -1.00 dBTP", "119.88 BPM"} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	if !bytes.Equal(svg, draw(t, lamplighter())) {
		t.Error("two drawings of one job differ")
	}
	golden(t, "picture.svg", svg)
}

func TestGoldenLayerPicture(t *testing.T) {
	var b bytes.Buffer
	if err := LayerSVG(&b, oneVoice()); err != nil {
		t.Fatal(err)
	}
	text := wellFormed(t, b.Bytes())
	for _, want := range []string{"Soprano", "A4", "45 cents flat", "bar 16", "line of the drift", "its curve"} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	golden(t, "layer.svg", b.Bytes())
}

func TestGoldenChordPicture(t *testing.T) {
	text := wellFormed(t, drawChords(t, fourVoices()))
	for _, want := range []string{"Tenor", "38 cents flat against", "to blame: too high", "4 layers, 8 chords", "the worst beats 11.3 times a second", "-38 cents from its own target"} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	golden(t, "chords.svg", drawChords(t, fourVoices()))
}

// Names from strangers, numbers that are none, layers that are not there and
// empty pictures break nothing.
func TestOddChordPictures(t *testing.T) {
	nan := math.NaN()
	p := fourVoices()
	p.Title, p.Layers[0], p.Findings[0].Words, p.Foot = hostile, hostile, hostile, []string{hostile}
	p.Findings = append(p.Findings, ChordFinding{Layer: 99}, ChordFinding{Layer: -1})
	p.Chords = append(p.Chords, ChordColumn{From: math.MinInt64, To: math.MaxInt64, ErrorCents: nan, MoveCents: nan, Members: []ChordMember{{Layer: 0, Name: hostile, OffCents: nan}, {Layer: 77}, {Layer: -3}}},
		ChordColumn{From: p.From, To: p.To, ErrorCents: 1e300, BeatHz: nan, Members: []ChordMember{{Layer: 1, Name: hostile, OffCents: 1e300}}}, ChordColumn{From: 5, To: 1})
	wellFormed(t, drawChords(t, p))
	for _, p := range []ChordPicture{{}, {Layers: []string{"a"}}, {From: math.MinInt64, To: math.MaxInt64}, {To: 100}} {
		if text := wellFormed(t, drawChords(t, p)); !strings.Contains(text, "no chords") {
			t.Errorf("an empty picture says %q", text)
		}
	}
	p = ChordPicture{To: 48000, Layers: make([]string, 2*maxLayers), Chords: make([]ChordColumn, 2*maxChords)}
	if text := wellFormed(t, drawChords(t, p)); !strings.Contains(text, "of 128 layers") || !strings.Contains(text, "of 40000 chords") {
		t.Error("what is left out is not told")
	}
	lp := oneVoice()
	lp.Drift.Notes = append(lp.Drift.Notes, Point{5, nan, 1}, Point{math.MaxInt64, 1e300, 1})
	lp.Drift.Curve = append(lp.Drift.Curve, Point{lp.From + 5, nan, 1})
	var b bytes.Buffer
	if err := LayerSVG(&b, lp); err != nil {
		t.Fatal(err)
	}
	wellFormed(t, b.Bytes())
}

func drawChords(t *testing.T, p ChordPicture) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := ChordSVG(&b, p); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

const hostile = "</text><script>x</script>&\"'<![CDATA[ \x00\x1b[31m\u202e\n]]>"

// Names from strangers end as text and nothing else.
func TestHostileNames(t *testing.T) {
	p := lamplighter()
	p.Title = hostile
	p.Foot = []string{hostile}
	p.Hits[0].Name, p.Hits[0].Place = hostile, hostile
	p.Bars[0].Metre = hostile
	p.Cuts[3].Name = hostile
	p.Cuts = append(p.Cuts, cutlist.Cut{Frame: 5, End: 9, Kind: cutlist.Kind(hostile)})
	l := &p.Layers[0]
	l.Name, l.Group, l.Sung[0].Verdict = hostile, hostile, hostile
	l.Findings = []Finding{{Kind: hostile, Words: hostile}}
	svg := draw(t, p)
	text := wellFormed(t, svg)
	if !strings.Contains(text, "<script>") { // told as text, so it was escaped and not dropped
		t.Error("the title is not in the picture")
	}
	for _, r := range "\x00\x1b\u202e" {
		if strings.ContainsRune(string(svg), r) {
			t.Errorf("%U got through", r)
		}
	}
	lp := oneVoice()
	lp.Title, lp.Foot, lp.Findings[0].Words, lp.Findings[0].Kind = hostile, []string{hostile}, hostile, hostile
	var b bytes.Buffer
	if err := LayerSVG(&b, lp); err != nil {
		t.Fatal(err)
	}
	wellFormed(t, b.Bytes())
}

func TestEmptyPictures(t *testing.T) {
	if text := wellFormed(t, draw(t, Picture{})); !strings.Contains(text, "no reference") {
		t.Errorf("an empty picture says %q", text)
	}
	var b bytes.Buffer
	if err := LayerSVG(&b, LayerPicture{}); err != nil {
		t.Fatal(err)
	}
	if text := wellFormed(t, b.Bytes()); !strings.Contains(text, "no stretch") {
		t.Errorf("an empty layer picture says %q", text)
	}
	for _, p := range []Picture{
		{Rate: timecode.Rate24, Frames: 1}, {Rate: timecode.Rate2997DF, Frames: 30 * 3600 * 5, Layers: []Layer{{}}},
		{Rate: timecode.Rate24, Frames: -5}, {Rate: timecode.Rate24, Frames: math.MaxInt64}, {Frames: 100},
	} {
		wellFormed(t, draw(t, p))
	}
}

// Values that are no numbers, and places outside, are not drawn and break
// nothing.
func TestOddValues(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	p := Picture{Rate: timecode.Rate25, Frames: 250,
		Cuts: []cutlist.Cut{{Frame: -1, Kind: cutlist.HardCut}, {Frame: 9, End: 3, Kind: cutlist.Dissolve}, {Frame: 240, End: math.MaxInt64, Kind: cutlist.FadeOut}, {Frame: 250}},
		Bars: []Bar{{1, math.MinInt64, nan, ""}, {2, 0, inf, "4/4"}, {3, 100, nan, ""}, {math.MaxInt, math.MaxInt64, 120, ""}},
		Hits: []Hit{{Frame: -1}, {Frame: 3, ErrorFrames: nan, Must: true}, {Frame: 250, ErrorFrames: inf}, {Frame: math.MaxInt64}},
		Layers: []Layer{{Targets: []Target{{5, 1, 60}, {math.MinInt64, math.MaxInt64, nan}, {0, 48000, inf}},
			Sung:     []Sung{{0, 9000, nan, 60, ""}, {0, 9000, 1e300, 60, ""}, {-50, 90, -inf, nan, ""}, {math.MinInt64, math.MaxInt64, 3, 1e300, ""}},
			Findings: []Finding{{Sample: math.MinInt64}, {Sample: math.MaxInt64, Kind: "x"}}}},
	}
	wellFormed(t, draw(t, p))
	lp := LayerPicture{From: -100, To: 48000, Targets: []Target{{math.MinInt64, math.MaxInt64, nan}, {0, 5, 1e9}}, Trace: []Point{{math.MinInt64, nan, nan}, {5, inf, 1}, {4, 6900, 1}, {3, 6900, 1}, {math.MaxInt64, 6900, 1}}}
	var b bytes.Buffer
	if err := LayerSVG(&b, lp); err != nil {
		t.Fatal(err)
	}
	wellFormed(t, b.Bytes())
}

// However much is given, the picture stays a picture, and says what it left.
func TestHugeInputsAreBounded(t *testing.T) {
	p := Picture{Title: strings.Repeat("long ", 1<<16), Rate: timecode.Rate24, Frames: 24 * 3600}
	long := strings.Repeat("\u0301x", 1<<14)
	for i := range int64(20000) {
		p.Cuts = append(p.Cuts, cutlist.Cut{Frame: i, End: i, Kind: cutlist.HardCut, Name: long})
		p.Bars = append(p.Bars, Bar{int(i), i * 1000, float64(60 + i%7), long})
		p.Hits = append(p.Hits, Hit{Frame: i * 4, Name: long, Must: i%2 == 0})
	}
	notes, sung := make([]Target, 20000), make([]Sung, 20000)
	for i := range notes {
		at := int64(i) * 8000
		notes[i], sung[i] = Target{at, at + 7000, 60}, Sung{at, at + 7000, 40, 60, long}
	}
	for range 100 {
		p.Layers = append(p.Layers, Layer{Name: long, Group: long, Targets: notes, Sung: sung, Findings: make([]Finding, 1000)})
	}
	p.Foot = make([]string, 1000)
	svg := draw(t, p)
	text := wellFormed(t, svg)
	t.Logf("%d bytes", len(svg))
	if len(svg) > 16<<20 {
		t.Errorf("the picture has %d bytes", len(svg))
	}
	for _, want := range []string{"36 of 100 layers", "Not drawn for want of room", "16000 of 20000 cuts"} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
}

type shut struct{ room int }

func (s *shut) Write(b []byte) (int, error) {
	if s.room -= len(b); s.room < 0 {
		return 0, errors.New("no room")
	}
	return len(b), nil
}

func TestWriteErrorsComeBack(t *testing.T) {
	for _, room := range []int{0, 3000} {
		if err := SVG(&shut{room}, lamplighter()); err == nil {
			t.Error("SVG hid the writer's error")
		}
	}
	if err := (Table{Rows: [][]string{{"a"}}}).Write(&shut{0}); err == nil {
		t.Error("Table hid the writer's error")
	}
}

func TestTable(t *testing.T) {
	var b strings.Builder
	err := Table{
		Head:  []string{"Hit", "Frame", "Off"},
		Rows:  [][]string{{"Door", "480", "0"}, {"日本", "12", "-4.75"}, {"e\u0301t\u00e9", "7"}, {"two\nlines\x1b[2J", "1", "1", "more"}, {}},
		Right: []bool{false, true, true},
	}.Write(&b)
	if err != nil {
		t.Fatal(err)
	}
	want := `Hit           Frame    Off
------------  -----  -----
Door            480      0
日本             12  -4.75
été               7
two lines[2J      1      1  more

`
	want = strings.NewReplacer(`\u0301`, "\u0301", `\u00e9`, "\u00e9").Replace(want)
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
	b.Reset()
	if err := (Table{}).Write(&b); err != nil || b.Len() != 0 {
		t.Errorf("an empty table: %q, %v", b.String(), err)
	}
}

func TestClip(t *testing.T) {
	for _, c := range []struct {
		s    string
		most int
		want string
	}{{"abc", 3, "abc"}, {"abcd", 3, "ab…"}, {"日本語", 6, "日本語"}, {"日本語", 5, "日本…"}, {"日本語", 4, "日…"}, {"", 1, ""}, {"ab", 1, "…"}} {
		if got := clip(c.s, c.most); got != c.want || cells(got) > c.most {
			t.Errorf("clip(%q, %d) = %q, want %q", c.s, c.most, got, c.want)
		}
	}
}

func BenchmarkSVG(b *testing.B) {
	p := lamplighter()
	for range b.N {
		if err := SVG(io.Discard, p); err != nil {
			b.Fatal(err)
		}
	}
}
