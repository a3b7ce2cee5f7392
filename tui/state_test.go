package tui

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

func stateOf(t testing.TB, m Model, w, h int) State {
	t.Helper()
	sh, err := newSheet(m)
	if err != nil {
		t.Fatal(err)
	}
	st := newState(sh, drawnGlyphs(), w, h)
	st.Stage = Check
	return st
}

func after(s State, keys string) State {
	for _, k := range strings.Fields(keys) {
		s = s.press(k)
	}
	return s
}

// Where each key leads on the harbour score, by its own numbers: 24 frames a
// nominal second, 48 a bar, cuts at 38, 96, 131, hits at 96, 192, 240.
func TestKeysMove(t *testing.T) {
	for _, c := range []struct {
		keys  string
		frame int64
	}{
		{"f", 1}, {"f right F", 1}, {"left", 0}, {"s", 24}, {"s pgdn S", 24}, {"pgup", 0},
		{"c", 38}, {"c c c", 131}, {"c c c C", 96}, {"c f C", 38}, {"C", 0},
		{"h", 96}, {"h h H", 96}, {"h f H", 96}, {"b", 48}, {"b b f B", 96}, {"b B", 0},
		{"end", 1439}, {"end f", 1439}, {"end s", 1439}, {"end home", 0}, {"end c", 1439}, {"end h", 1439},
		{"v v v w", 156}, {"v v v w w", 96}, {"v v v w w w w w w", 276}, {"v v v w w W", 156},
		{"v v v w v V w", 156}, // another layer begins again
		{"v v v enter", 156},
	} {
		if s := after(stateOf(t, harbour(), 80, 24), c.keys); s.Frame != c.frame {
			t.Errorf("%q leads to frame %d, want %d", c.keys, s.Frame, c.frame)
		}
	}
}

// A bar solved onto a frame may round to the sample before it: the bar is still
// that frame's. 30000/1001 at 48 kHz: frame 3 begins at sample 4805 (4804.8).
func TestABarRoundedEarlyIsOnItsFrame(t *testing.T) {
	m := Model{Rate: timecode.Rate2997, Frames: 100, Bars: []Bar{{Number: 1, Sample: 4804}}}
	if s := after(stateOf(t, m, 80, 24), "b"); s.Frame != 3 {
		t.Errorf("the bar is on frame %d, want 3", s.Frame)
	}
}

func TestZoomAndLayerStayInside(t *testing.T) {
	s := stateOf(t, harbour(), 80, 24)
	for range 50 {
		s = s.press("z")
	}
	if s.Zoom != zoomIn || s.News == "" {
		t.Errorf("zoom %d, news %q", s.Zoom, s.News)
	}
	s = s.press("a")
	w := s.window()
	if first, last := w.column(0), w.column(s.sheet.Frames-1); first != int64(w.gate) || last >= int64(w.cols) {
		t.Errorf("whole reference in columns %d to %d of %d", first, last, w.cols)
	}
	if s = after(s, "v v v v v v v v v v v"); s.Layer != 7 {
		t.Errorf("layer %d", s.Layer)
	}
	if s = after(s, "V V V V V V V V V V V"); s.Layer != 0 {
		t.Errorf("layer %d", s.Layer)
	}
}

// Worst first by severity; equals as they came; the caller's slices untouched.
func TestFindingsWorstFirst(t *testing.T) {
	in := []Finding{{Sample: 9, Kind: "a", Severity: 1}, {Sample: 5, Kind: "b", Severity: 2}, {Sample: 7, Kind: "c", Severity: 1}, {Sample: 1, Kind: "d", Severity: 1}}
	before := slices.Clone(in)
	s := stateOf(t, Model{Rate: timecode.Rate24, Frames: 10, Layers: []Layer{{Findings: in}}}, 80, 24)
	v, got := s.voice(), ""
	for _, k := range v.worst {
		got += v.Findings[k].Kind
	}
	if got != "bacd" {
		t.Errorf("order %s, want bacd", got)
	}
	if !slices.Equal(in, before) {
		t.Error("the caller's findings were moved")
	}
	if !slices.IsSortedFunc(v.Findings, func(a, b Finding) int { return int(a.Sample - b.Sample) }) {
		t.Error("findings are not in order of samples")
	}
}

// A fade-out ends its shot where it has fallen; what is black has no number.
func TestShots(t *testing.T) {
	shots := shotsOf([]Cut{{10, 10, "cut", ""}, {30, 40, "fade-out", ""}, {50, 55, "fade-in", ""}, {70, 80, "dissolve", ""}, {70, 70, "cut", ""}}, 100)
	var got []string
	for _, s := range shots {
		got = append(got, fmt.Sprintf("%d:%d-%d %v", s.Number, s.From, s.End, s.Gone))
	}
	want := []string{"1:0-10 false", "2:10-40 false", "0:40-50 true", "3:50-70 false", "4:70-100 false"}
	if !slices.Equal(got, want) {
		t.Errorf("shots %q, want %q", got, want)
	}
}

// Published numbering: MIDI note 69 is A4, 60 is C4 (MIDI 1.0 with A4 = 440 Hz).
func TestKeyNames(t *testing.T) {
	for key, want := range map[int]string{69: "A4", 60: "C4", 61: "C#4", 0: "C-1", 127: "G9", 40: "E2"} {
		if got := keyName(key, "#"); got != want {
			t.Errorf("key %d is %s, want %s", key, got, want)
		}
	}
}

func TestNoKeyTwice(t *testing.T) {
	for _, st := range stages() {
		seen := map[string]Action{}
		for _, b := range UsualKeys().of(st) {
			for _, k := range b.Keys {
				if other, ok := seen[k]; ok {
					t.Errorf("%s: %s is both %s and %s", st.Word(), k, other, b.Do)
				}
				seen[k] = b.Do
			}
			if b.Words == "" || b.run == nil {
				t.Errorf("%s is not finished", b.Do)
			}
		}
	}
}

// The list of keys names every key and every mark, at any size, by scrolling.
func TestListOfKeysIsWhole(t *testing.T) {
	for _, size := range [][2]int{{80, 24}, {200, 50}, {40, 12}} {
		s := stateOf(t, harbour(), size[0], size[1]).press("?")
		var all strings.Builder
		for range 80 {
			all.WriteString(View(s).String())
			s = s.press("down")
		}
		for _, b := range UsualKeys().of(Check) {
			if !strings.Contains(all.String(), strings.Join(b.Keys, " ")) || !strings.Contains(all.String(), b.Words) {
				t.Errorf("%v: no line for %s", size, b.Do)
			}
		}
		for kind, mark := range s.glyphs.marks {
			if !strings.Contains(all.String(), string(mark)+" "+kind) {
				t.Errorf("%v: no line for %s", size, kind)
			}
		}
	}
}

// Every finding's mark differs from every other and from every shape of a note.
func TestMarksAreApart(t *testing.T) {
	for name, g := range map[string]*glyphs{"drawn": drawnGlyphs(), "plain": plainGlyphs()} {
		seen := map[rune]string{g.barline: "bar line", g.onset: "onset", g.body: "body", g.bodyUnsung: "unsung body"}
		for i, r := range append(slices.Clone(g.sungAt), g.unsungAt...) {
			if other, ok := seen[r]; ok && r != g.body && r != g.bodyUnsung {
				t.Errorf("%s: note shape %d %q is also %s", name, i, r, other)
			}
			seen[r] = "a note"
		}
		for kind, r := range g.marks {
			if other, ok := seen[r]; ok {
				t.Errorf("%s: %q is both %s and %s", name, r, kind, other)
			}
			seen[r] = kind
		}
	}
}

func TestWhatCannotBeShown(t *testing.T) {
	for name, m := range map[string]Model{
		"no rate":    {Frames: 10},
		"too long":   {Rate: timecode.Rate24, Frames: maxFrames + 1},
		"negative":   {Rate: timecode.Rate24, Frames: -1},
		"sampleRate": {Rate: timecode.Rate24, Frames: 10, SampleRate: 1},
	} {
		if _, err := newSheet(m); err == nil {
			t.Errorf("%s: no error", name)
		} else if k := fault.KindOf(err); k != fault.Malformed && k != fault.OverLimit {
			t.Errorf("%s: kind %v", name, k)
		}
	}
}

// Reading again keeps the layer by its name and the frame inside what there is.
func TestReadAgainKeepsThePlace(t *testing.T) {
	s := after(stateOf(t, harbour(), 80, 24), "v v v v end")
	m := harbour()
	m.Frames = 700
	m.Layers = append([]Layer{{Name: "New"}}, m.Layers...)
	sh, err := newSheet(m)
	if err != nil {
		t.Fatal(err)
	}
	s = s.withSheet(sh)
	if s.voice().Name != "Alto" || s.Frame != 699 {
		t.Errorf("layer %s, frame %d; want Alto, 699", s.voice().Name, s.Frame)
	}
}

// Mouse: what is pointed at on the film comes into the gate; a voice is chosen.
func TestClick(t *testing.T) {
	s := stateOf(t, harbour(), 80, 24)
	l := s.layout()
	w := s.window()
	if got := s.click(l.gutter+w.gate+12, l.film.at); got.Frame != 96 { // 8 frames a cell
		t.Errorf("frame %d, want 96", got.Frame)
	}
	if got := s.click(3, l.choir.at+3); got.Layer != 3 || got.Frame != 0 {
		t.Errorf("layer %d at frame %d", got.Layer, got.Frame)
	}
	if got := s.click(79, l.reel.at); got.Frame < 1400 {
		t.Errorf("end of the reel is frame %d", got.Frame)
	}
}

// 20,000 keys, clicks and resizes at random over unlike scores: never a panic,
// always a frame of the reference in the gate, and a grid of the asked size.
func TestRandomKeys(t *testing.T) {
	keys := []string{"esc", "x", "ü"}
	for _, st := range stages() {
		for _, b := range UsualKeys().of(st) {
			keys = append(keys, b.Keys...)
		}
	}
	rnd := rand.New(rand.NewPCG(1, 2))
	n := 5000
	if raceDetector {
		n = 300
	}
	models := []Model{harbour(), {Rate: timecode.Rate2997DF}, wild(rnd), {Rate: timecode.Rate25, Frames: 1, Layers: []Layer{{}}}}
	for k, m := range models {
		s := stateOf(t, m, 80, 24)
		for i := range n {
			switch n := rnd.IntN(40); n {
			case 0:
				s = s.resized(rnd.IntN(120), rnd.IntN(40))
			case 1:
				s = s.click(rnd.IntN(130)-5, rnd.IntN(50)-5)
			case 2:
				s = s.wheel(rnd.IntN(3) - 1)
			case 3:
				if !s.run.busy() {
					s = s.begun(Wish{Do: []Deed{DoPlay, DoSing, DoCheck}[rnd.IntN(3)], Loop: rnd.IntN(2) == 0})
				}
			case 4:
				s = s.hear(Told{Moving: true, At: rnd.Int64N(3e6) - 1e5, Count: rnd.IntN(120), Input: true, PeakDB: rnd.Float64()*70 - 65,
					Voice: []Reading{{rnd.Int64N(3e6), rnd.Float64() * 1e4, true}}, Done: rnd.Int64N(9), Total: rnd.Int64N(9)})
			case 5:
				s = s.end(Outcome{Offers: offers(m), Bounced: &Bounced{Files: []string{"a", "b"}}, Mix: &MixReading{Peak: make([]float32, rnd.IntN(50)),
					Momentary: make([]float32, 50)}, Notice: make([]string, rnd.IntN(2))}, nil)
			default:
				s = s.press(keys[rnd.IntN(len(keys))])
			}
			if s.Frame < 0 || s.Frame >= max(1, m.Frames) || s.Layer < 0 || s.Layer >= max(1, len(m.Layers)) || s.Zoom < zoomIn {
				t.Fatalf("score %d, key %d: frame %d of %d, layer %d, zoom %d", k, i, s.Frame, m.Frames, s.Layer, s.Zoom)
			}
			if g := View(s); g.W != s.Width || g.H != s.Height || len(g.Cells) != g.W*g.H {
				t.Fatalf("grid %d by %d", g.W, g.H)
			}
		}
	}
}

// wild is a score that no honest program would write.
func wild(rnd *rand.Rand) Model {
	m := Model{Title: strings.Repeat("長い\x1b[31m\u202e", 400), Rate: timecode.Rate{Num: 1000, Den: 1}, Frames: 5000, Start: -3, SampleRate: 44100}
	n := func() int64 { return rnd.Int64N(12000) - 3000 }
	for range 300 {
		m.Cuts = append(m.Cuts, Cut{Frame: n(), End: n(), Kind: []string{"cut", "dissolve", "fade-in", "fade-out", "wipe", ""}[rnd.IntN(6)]})
		m.Hits = append(m.Hits, Hit{Frame: n(), Must: rnd.IntN(2) == 0, Name: "e\u0301\u0301🎬x", Place: []string{"", "1.1"}[rnd.IntN(2)], Error: timecode.R(n(), 7)})
		m.Bars = append(m.Bars, Bar{Number: int(n()), Sample: n() * 44, BPM: float64(n()), Metre: "\n4/4", Beats: []int64{n(), n(), n()}})
	}
	m.Bars = append(m.Bars, Bar{Sample: 1 << 62}, Bar{Sample: -1 << 62, Beats: []int64{-1 << 62, 1 << 62}})
	for range 40 {
		l := Layer{Name: "\x07\u200d\u0300Ω", Group: []string{"", "a", "b"}[rnd.IntN(3)], Sung: rnd.IntN(2) == 0, Muted: rnd.IntN(3) == 0}
		for range 100 {
			l.Notes = append(l.Notes, Note{Start: n() * 44, End: n() * 44, Key: uint8(rnd.IntN(256)), Unpitched: rnd.IntN(9) == 0})
			l.Findings = append(l.Findings, Finding{Sample: n() * 44, Kind: []string{"flat", "odd", ""}[rnd.IntN(3)], Severity: float64(n())})
		}
		l.Notes = append(l.Notes, Note{-1 << 62, 1 << 62, 1, false, ""}, Note{0, 1 << 40, 2, false, ""})
		l.Findings = append(l.Findings, Finding{Sample: 1 << 62}, Finding{Sample: -1 << 62})
		m.Layers = append(m.Layers, l)
	}
	return m
}
