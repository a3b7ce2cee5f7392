package tui

import (
	"context"
	"flag"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/timecode"

	"github.com/gdamore/tcell/v2"
)

var update = flag.Bool("update", false, "write the golden screens anew; look at them before committing")

// written is a screen as text: its runes, then its looks. With colour a look is
// the ink's letter, without it the attributes as the terminal got them.
func written(f snapshot, look func(x, y int) byte) string {
	var b strings.Builder
	b.WriteString(f.String())
	b.WriteString("\n-- looks\n")
	for y := range f.h {
		line := make([]byte, f.w)
		for x := range line {
			line[x] = look(x, y)
		}
		b.WriteString(strings.TrimRight(string(line), ".") + "\n")
	}
	return b.String()
}

// attributes is one letter for what a style without colour shows.
func attributes(t *testing.T, s tcell.Style) byte {
	fg, bg, mask := s.Decompose()
	if fg != tcell.ColorDefault || bg != tcell.ColorDefault {
		t.Errorf("a colour without colours: %v on %v", fg, bg)
	}
	if (mask&tcell.AttrUnderline != 0) != (s.GetUnderlineStyle() == tcell.UnderlineStyleSolid) {
		t.Error("the attribute and the line under the letter disagree")
	}
	switch mask {
	case 0:
		return '.'
	case tcell.AttrBold:
		return 'b'
	case tcell.AttrDim:
		return 'd'
	case tcell.AttrReverse:
		return 'r'
	case tcell.AttrUnderline:
		return 'u'
	case tcell.AttrBold | tcell.AttrUnderline:
		return 'B'
	case tcell.AttrBold | tcell.AttrReverse:
		return 'R'
	}
	t.Errorf("attributes %v have no letter", mask)
	return '!'
}

// compare holds screens against what was reviewed until one is the same: what
// is drawn on the way there is not judged.
func compare(t *testing.T, name string, s *sim, f snapshot, write func(snapshot) string) string {
	t.Helper()
	path := filepath.Join("testdata", name+".golden")
	if *update {
		got := write(s.settled(f))
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return got
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v: write it with go test ./tui -update and look at it", err)
	}
	f, ok := s.like(f, func(f snapshot) bool { return write(f) == string(want) })
	if !ok {
		t.Errorf("%s differs from what was reviewed; see it with -update and git diff\n%s", path, write(f))
	}
	return write(f)
}

// offers are two maps for the harbour's hits.
func offers(m Model) []Offer {
	other := slices.Clone(m.Hits)
	for i := range other {
		other[i].Error, other[i].Caught = timecode.R(int64(i)-2, 4), i%3 != 0
		other[i].Place = "2." + itoa(int64(i%4+1))
	}
	return []Offer{
		{Style: "stepped", Words: "3 tempos, steps of up to 2 %", LowBPM: 112, HighBPM: 119.88, Caught: 7, All: 8, Hits: m.Hits},
		{Style: "steady", Words: "one tempo", Trade: "misses 3 more hits than the first", LowBPM: 120, HighBPM: 120, Caught: 5, All: 8, Hits: other},
	}
}

// deskFor does what the stored screens need done.
func deskFor(load func() (Model, error)) *fakeDesk {
	d := &fakeDesk{load: load}
	d.do = func(ctx context.Context, w Wish, tell func(Told)) (Outcome, error) {
		m, err := load()
		if err != nil {
			return Outcome{}, err
		}
		at := func(frame int64) int64 { return m.Rate.SampleOf(frame, m.SampleRate) }
		switch w.Do {
		case DoOffer:
			return Outcome{News: "2 maps: o goes through them, k keeps one", Offers: offers(m)}, nil
		case DoPlay:
			if w.Hear.Click {
				return Outcome{Notice: []string{"the first sound through Headphones: turn its volume right down before you put the headphones on, then up until it is just clear",
					"closed headphones, loudspeakers off"}, News: "nothing sounded yet: press the key again to begin"}, nil
			}
			tell(Told{Moving: true, At: at(251), Silent: true, Note: "no sound device: it runs in silence"})
			<-ctx.Done()
		case DoSing:
			t := Told{Moving: true, At: at(150), Input: true, PeakDB: -13, SecsLeft: 4000, Room: true}
			for s := at(100); s < at(148); s += 480 {
				t.Voice = append(t.Voice, Reading{Sample: s, Cents: 6700 + 300*math.Sin(float64(s)/30000), Voiced: true})
			}
			switch {
			case w.To > 0 && w.From < at(100):
				t.At, t.Count, t.Voice = -at(12), 3, nil
			case w.To > 0:
				t.At = at(241) // a hit falls on 240
			}
			tell(t)
			<-ctx.Done()
		case DoCheck, DoFind:
			tell(Told{What: "listening to Tenor", Done: 3, Total: 5})
			<-ctx.Done()
		case DoMeasure:
			r := &MixReading{LUFS: -19.2, PeakDBTP: -4.8}
			for f := range m.Frames {
				r.Peak = append(r.Peak, float32(0.2+0.2*math.Abs(math.Sin(float64(f)/9))))
				r.Momentary = append(r.Momentary, -20)
			}
			r.Layers, r.Groups = map[string][]float32{"Tenor": r.Peak}, map[string][]float32{"brass": r.Peak}
			return Outcome{Mix: r}, nil
		case DoBounce:
			return Outcome{News: "the stem is written", Bounced: &Bounced{Files: []string{"/scores/harbour/bounces/stem.wav", "/scores/harbour/bounces/stem_brass.wav"},
				Samples: at(m.Frames), SampleRate: 48000, Bits: w.Bits, LUFS: -19.2, PeakDBTP: -4.8, RangeLU: 6.1, Layers: 4, LeftOut: []string{"Tuba (muted)"}}}, nil
		}
		return Outcome{}, nil
	}
	return d
}

func TestGoldenScreens(t *testing.T) {
	noMap := func() (Model, error) {
		m := harbour()
		m.Bars = nil
		for i := range m.Hits {
			m.Hits[i].Place = ""
		}
		return m, nil
	}
	empty := func() (Model, error) { return Model{Rate: harbour().Rate}, nil }
	small, large := [2]int{80, 24}, [2]int{200, 50}
	for _, c := range []struct {
		name string
		size [2]int
		o    Options
		load func() (Model, error)
		keys string
	}{
		{"spot-80x24", small, Options{}, loadHarbour, "h h"},
		{"spot-200x50", large, Options{}, loadHarbour, "h h"},
		{"spot-bare-80x24", small, Options{Bare: true}, loadHarbour, "h h"},
		{"spot-ascii-80x24", small, Options{ASCII: true, Bare: true}, loadHarbour, "h h"},
		{"spot-name-80x24", small, Options{}, loadHarbour, "h h i ! ?"},
		{"spot-playing-80x24", small, Options{}, loadHarbour, "space"},
		{"map-80x24", small, Options{Stage: Map}, loadHarbour, "enter ~stepped~ o x b b"},
		{"map-200x50", large, Options{Stage: Map}, loadHarbour, "enter ~stepped~ o x b b"},
		{"map-bare-80x24", small, Options{Stage: Map, Bare: true}, loadHarbour, "enter ~stepped~ o"},
		{"map-ascii-80x24", small, Options{Stage: Map, ASCII: true, Bare: true}, loadHarbour, "enter ~stepped~ o"},
		{"map-caution-80x24", small, Options{Stage: Map}, loadHarbour, "space"},
		{"map-none-80x24", small, Options{Stage: Map}, noMap, "y"},
		{"sing-80x24", small, Options{Stage: Sing}, loadHarbour, "v v v enter"},
		{"sing-200x50", large, Options{Stage: Sing}, loadHarbour, "v v v enter"},
		{"sing-count-80x24", small, Options{Stage: Sing}, loadHarbour, "v v v x enter"},
		{"sing-flash-80x24", small, Options{Stage: Sing}, loadHarbour, "v v v b b b b b b x enter"},
		{"sing-flash-bare-80x24", small, Options{Stage: Sing, Bare: true}, loadHarbour, "v v v b b b b b b x enter"},
		{"sing-ascii-80x24", small, Options{Stage: Sing, ASCII: true, Bare: true}, loadHarbour, "v v v enter"},
		{"sing-takes-80x24", small, Options{Stage: Sing}, loadHarbour, "v v v O g y"},
		{"check-80x24", small, Options{Stage: Check}, loadHarbour, "v v v w w"},
		{"check-200x50", large, Options{Stage: Check}, loadHarbour, "v v v w w"},
		{"check-all-80x24", small, Options{Stage: Check}, loadHarbour, "y w w"},
		{"check-bare-80x24", small, Options{Stage: Check, Bare: true}, loadHarbour, "v v v w"},
		{"check-bare-200x50", large, Options{Stage: Check, Bare: true}, loadHarbour, "v v v w"},
		{"check-ascii-80x24", small, Options{Stage: Check, ASCII: true, Bare: true}, loadHarbour, "v v v w"},
		{"check-listening-80x24", small, Options{Stage: Check}, loadHarbour, "j"},
		{"frames-80x24", small, Options{Stage: Check}, loadHarbour, "h h h z z z z z"},
		{"whole-80x24", small, Options{Stage: Check}, loadHarbour, "c c c c a"},
		{"fades-80x24", small, Options{Stage: Check}, loadHarbour, "h h h h h h h f f f z z"},
		{"mix-80x24", small, Options{Stage: Mix}, loadHarbour, "h h h j"},
		{"mix-200x50", large, Options{Stage: Mix}, loadHarbour, "h h h j"},
		{"mix-group-80x24", small, Options{Stage: Mix}, loadHarbour, "v v v g r"},
		{"mix-bare-80x24", small, Options{Stage: Mix, Bare: true}, loadHarbour, "h h h j"},
		{"mix-ascii-80x24", small, Options{Stage: Mix, ASCII: true, Bare: true}, loadHarbour, "h h h j"},
		{"dials-80x24", small, Options{Stage: Mix}, loadHarbour, "enter o o o o o n"},
		{"dials-200x50", large, Options{Stage: Mix}, loadHarbour, "enter o"},
		{"dials-whole-bare-80x24", small, Options{Stage: Mix, Bare: true}, loadHarbour, "w"},
		{"dials-type-ascii-80x24", small, Options{Stage: Mix, ASCII: true}, loadHarbour, "g enter o enter"},
		{"bounce-80x24", small, Options{Stage: Bounce}, loadHarbour, "y g enter"},
		{"bounce-200x50", large, Options{Stage: Bounce}, loadHarbour, "y g enter"},
		{"bounce-before-80x24", small, Options{Stage: Bounce, Bare: true}, loadHarbour, ""},
		{"bounce-ascii-80x24", small, Options{Stage: Bounce, ASCII: true, Bare: true}, loadHarbour, "enter"},
		{"keys-80x24", small, Options{}, loadHarbour, "?"},
		{"keys-ascii-80x24", small, Options{ASCII: true, Bare: true, Stage: Sing}, loadHarbour, "?"},
		{"empty-80x24", small, Options{}, empty, "c"},
		{"empty-mix-80x24", small, Options{Stage: Mix}, empty, "c"},
		{"small-40x12", [2]int{40, 12}, Options{Stage: Check}, loadHarbour, "v v v w"},
		{"small-sing-40x12", [2]int{40, 12}, Options{Stage: Sing}, loadHarbour, "v v v"},
	} {
		if raceDetector && c.size != small {
			continue
		}
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s, f, _ := startDesk(t, c.size[0], c.size[1], c.o, deskFor(c.load))
			for _, k := range strings.Fields(c.keys) {
				if strings.HasPrefix(k, "~") { // what the desk answers beside the keys is waited for
					f = s.until("1 " + strings.Trim(k, "~"))
					continue
				}
				s.inject(k)
			}
			got := compare(t, c.name, s, f, func(f snapshot) string {
				return written(f, func(x, y int) byte {
					if c.o.Bare {
						return attributes(t, f.cells[y*f.w+x].Style)
					}
					return inkLetter(t, f.cells[y*f.w+x].Style)
				})
			})
			if c.o.ASCII {
				for i, r := range got {
					if r > 126 {
						t.Fatalf("the ASCII screen has %q at byte %d", r, i)
					}
				}
			}
			s.inject("esc")
			s.inject("ctrl-c")
			if err := s.end(); err != nil {
				t.Error(err)
			}
		})
	}
}

// inkLetter is the letter of the first ink that has a style; pictures are g.
func inkLetter(t *testing.T, style tcell.Style) byte {
	for ink, s := range newTheme(1<<24, false, false) {
		if s == style {
			return inkLetters[ink]
		}
	}
	fg, bg, _ := style.Decompose()
	r, g, b := fg.RGB()
	if x, y, z := bg.RGB(); r != g || g != b || x != y || y != z {
		t.Errorf("a style that no ink has: %v on %v", fg, bg)
	}
	return 'g'
}
