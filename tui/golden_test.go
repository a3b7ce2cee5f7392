package tui

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

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
	}
	t.Errorf("attributes %v have no letter", mask)
	return '!'
}

func compare(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name+".golden")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v: write it with go test ./tui -update and look at it", err)
	}
	if got != string(want) {
		t.Errorf("%s differs from what was reviewed; see it with -update and git diff\n%s", path, got)
	}
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
	ways := strings.Fields
	for _, c := range []struct {
		name string
		w, h int
		o    Options
		load func() (Model, error)
		keys []string
	}{
		{"first-80x24", 80, 24, Options{}, loadHarbour, nil},
		{"lead-80x24", 80, 24, Options{}, loadHarbour, ways("v v v w w")},
		{"lead-200x50", 200, 50, Options{}, loadHarbour, ways("v v v w w")},
		{"bare-80x24", 80, 24, Options{Bare: true}, loadHarbour, ways("v v v w")},
		{"bare-200x50", 200, 50, Options{Bare: true}, loadHarbour, ways("v v v w")},
		{"plain-80x24", 80, 24, Options{Plain: true, Bare: true}, loadHarbour, ways("v v v w")},
		{"plain-200x50", 200, 50, Options{Plain: true, Bare: true}, loadHarbour, ways("v v v w")},
		{"frames-80x24", 80, 24, Options{}, loadHarbour, ways("h h h z z z z z")},
		{"whole-80x24", 80, 24, Options{}, loadHarbour, ways("c c c c a")},
		{"fades-80x24", 80, 24, Options{}, loadHarbour, ways("h h h h h h h f f f z z")},
		{"keys-80x24", 80, 24, Options{}, loadHarbour, ways("?")},
		{"keys-plain-80x24", 80, 24, Options{Plain: true, Bare: true}, loadHarbour, ways("?")},
		{"empty-80x24", 80, 24, Options{}, empty, ways("c")},
		{"nomap-80x24", 80, 24, Options{}, noMap, ways("h")},
		{"small-40x12", 40, 12, Options{}, loadHarbour, ways("v v v w")},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, f, _ := start(t, c.w, c.h, c.o, c.load)
			for _, k := range c.keys {
				f = s.press(k)
			}
			// The same keys on the state alone give the inks.
			m, _ := c.load()
			sh, err := newSheet(m)
			if err != nil {
				t.Fatal(err)
			}
			g := drawnGlyphs()
			if c.o.Plain {
				g = plainGlyphs()
			}
			st := newState(sh, g, c.w, c.h)
			for _, k := range c.keys {
				st = st.press(k)
			}
			grid := View(st)
			if grid.String() != f.String() {
				t.Errorf("the terminal does not show the view\n%s\n%s", f, grid)
			}
			look := func(x, y int) byte { return inkLetters[grid.At(x, y).Ink] }
			if c.o.Bare {
				look = func(x, y int) byte { return attributes(t, f.cells[y*f.w+x].Style) }
			}
			got := written(f, look)
			if c.o.Plain {
				for i, r := range got {
					if r > 126 {
						t.Fatalf("plain screen has %q at byte %d", r, i)
					}
				}
			}
			compare(t, c.name, got)
			s.inject("q")
			if err := s.end(); err != nil {
				t.Error(err)
			}
		})
	}
}
