package tui

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"cuechoir/internal/fault"

	"github.com/gdamore/tcell/v2"
)

func TestQuitRestoresTheTerminal(t *testing.T) {
	for _, key := range []string{"q", "ctrl-c"} {
		s, _, _ := start(t, 80, 24, Options{}, loadHarbour)
		s.inject(key)
		if err := s.end(); err != nil || s.finis != 1 {
			t.Errorf("%s: error %v, restored %d times", key, err, s.finis)
		}
	}
}

func TestTheContextEndsTheScreen(t *testing.T) {
	s, _, cancel := start(t, 80, 24, Options{}, loadHarbour)
	cancel()
	if err := s.end(); fault.KindOf(err) != fault.Interrupted || s.finis != 1 {
		t.Errorf("error %v, restored %d times", err, s.finis)
	}
}

func TestAFirstReadingThatFailsLeavesTheTerminalAlone(t *testing.T) {
	want := errors.New("no score")
	s := &sim{SimulationScreen: tcell.NewSimulationScreen("UTF-8"), t: t}
	if err := Run(t.Context(), s, &fakeDesk{load: func() (Model, error) { return Model{}, want }}); !errors.Is(err, want) || s.finis != 0 {
		t.Errorf("error %v, restored %d times", err, s.finis)
	}
}

// A defect while reading again comes out as a panic, after the terminal is
// restored.
func TestPanicRestoresTheTerminal(t *testing.T) {
	var calls atomic.Int32
	s := &sim{SimulationScreen: tcell.NewSimulationScreen("UTF-8"), t: t, w: 80, h: 24, colors: 256,
		frames: make(chan snapshot), ended: make(chan error, 1)}
	var panicked any
	go func() {
		defer func() {
			panicked = recover()
			s.ended <- nil
		}()
		Run(t.Context(), s, &fakeDesk{load: func() (Model, error) {
			if calls.Add(1) > 1 {
				panic("a defect")
			}
			return harbour(), nil
		}})
	}()
	s.next()
	s.inject("ctrl-r")
	s.end()
	if text, _ := panicked.(string); !strings.HasPrefix(text, "a defect") || !strings.Contains(text, "run_test.go") || s.finis != 1 {
		t.Errorf("panic %v, restored %d times", panicked, s.finis)
	}
}

// A defect in an edit, while a take is sung and another edit waits: the take is
// ended and the edit done before the terminal is restored and the defect told.
func TestADefectLosesNoTakeAndNoEdit(t *testing.T) {
	var sung, saved atomic.Bool
	begun, defect := make(chan struct{}), make(chan struct{})
	desk := &fakeDesk{load: loadHarbour}
	desk.do = func(ctx context.Context, w Wish, tell func(Told)) (Outcome, error) {
		switch w.Do {
		case DoSing:
			close(begun)
			<-ctx.Done()
			sung.Store(true)
		case DoHit:
			<-defect
			panic("a defect")
		case DoCut:
			saved.Store(true)
		}
		return Outcome{}, nil
	}
	s := &sim{SimulationScreen: tcell.NewSimulationScreen("UTF-8"), t: t, w: 80, h: 24, colors: 256,
		frames: make(chan snapshot, 4096), ended: make(chan error, 1)}
	var panicked any
	go func() {
		defer func() {
			panicked = recover()
			s.ended <- nil
		}()
		RunWith(t.Context(), s, desk, Options{Stage: Sing})
	}()
	s.next()
	s.next()
	s.inject("enter")
	<-begun
	for _, k := range []string{"1", "m", "y"} {
		s.inject(k)
	}
	s.until("[Spot]")
	close(defect)
	s.end()
	if text, _ := panicked.(string); !strings.HasPrefix(text, "a defect") || s.finis != 1 || !sung.Load() || !saved.Load() {
		t.Errorf("panic %.40v, restored %d times, take ended %v, edit done %v", panicked, s.finis, sung.Load(), saved.Load())
	}
}

// What is asked for in the last moment is done before the screen ends.
func TestQuitDoesWhatWaits(t *testing.T) {
	slow := make(chan struct{})
	desk := &fakeDesk{load: loadHarbour}
	desk.do = func(ctx context.Context, w Wish, tell func(Told)) (Outcome, error) {
		if w.Do == DoHit {
			<-slow
		}
		if w.Do == DoPlay {
			tell(Told{Moving: true, At: 4800})
			<-ctx.Done()
		}
		return Outcome{}, nil
	}
	s, _, _ := startDesk(t, 80, 24, Options{Stage: Map}, desk)
	s.inject("space")
	s.until("playing")
	for _, k := range []string{"t", "1", "m", "y", "q"} {
		s.inject(k)
	}
	close(slow)
	if err := s.end(); err != nil {
		t.Fatal(err)
	}
	var did []Deed
	for _, w := range desk.done() {
		did = append(did, w.Do)
	}
	for _, want := range []Deed{DoHit, DoCut, DoTaps} {
		if !slices.Contains(did, want) {
			t.Errorf("%s was not done: %v", want, did)
		}
	}
}

// Reading again does not stop the keys; what was read is shown, or why not.
func TestReadAgain(t *testing.T) {
	gate := make(chan error)
	var calls atomic.Int32
	s, _, _ := start(t, 80, 24, Options{}, func() (Model, error) {
		m := harbour()
		if calls.Add(1) > 1 {
			m.Title = "Another Harbour"
			return m, <-gate
		}
		return m, nil
	})
	s.inject("ctrl-r")
	s.inject("c")
	s.until("frame 38 ") // the key does not wait for the reading
	gate <- nil
	s.until("Another Harbour", "frame 38 ")
	s.inject("ctrl-r")
	gate <- fault.New(fault.Malformed, "line 3 is odd")
	s.until("not read again: ", "line 3 is odd", "Another Harbour")
}

func TestResizeAtAnyMoment(t *testing.T) {
	s, _, _ := start(t, 80, 24, Options{}, loadHarbour)
	for _, size := range [][2]int{{200, 50}, {1, 1}, {3, 40}, {300, 2}, {0, 0}, {80, 24}} {
		f := s.resize(size[0], size[1])
		for _, c := range f.cells {
			if len(c.Runes) > 0 && c.Runes[0] == 'X' {
				t.Fatal("a cell was never drawn")
			}
		}
		s.inject("c")
	}
	_, fresh, _ := start(t, 80, 24, Options{}, loadHarbour)
	s.inject("home")
	s.SetSize(10, 5) // smaller and back before it is drawn: what was lost is drawn again
	f := s.resize(80, 24)
	if f, ok := s.like(f, func(f snapshot) bool { return f.String() == fresh.String() }); !ok {
		t.Errorf("after resizes the screen differs:\n%s\n%s", f, fresh)
	}
}

// A name cannot steer the terminal, and wide letters keep their columns.
func TestStrangeNames(t *testing.T) {
	g := newGrid(12, 1, drawnGlyphs())
	for _, c := range []struct {
		in   string
		want string
		end  int
	}{
		{"a\x1b[2Jb", "a?[2Jb", 6}, {"a\u202eb", "a?b", 3}, {"音楽", "音楽", 4},
		{"e\u0301\u0301a", "e\u0301a", 2}, {"0123456789ab", "0123456789ab", 12}, {"0123456789abc", "0123456789a…", 12},
		{"0123456789a音", "0123456789a…", 12}, {"a\nb\tc", "a b c", 5}, {"\xff", "\uFFFD", 1}, {"ok\ufe0f", "ok", 2}, {"🎬!", "🎬!", 3},
	} {
		for i := range g.Cells {
			g.Cells[i] = Cell{Rune: ' '}
		}
		end := g.text(0, 0, 12, c.in, InkPlain)
		if got := strings.TrimRight(g.String(), " \n"); got != c.want || end != c.end {
			t.Errorf("%q is shown as %q to column %d, want %q to %d", c.in, got, end, c.want, c.end)
		}
	}
}

func TestOptionsFromTheEnvironment(t *testing.T) {
	env := map[string]string{"NO_COLOR": "1", "CUECHOIR_ASCII": "yes", "CUECHOIR_CONTRAST": "1"}
	if o := OptionsFrom(func(k string) string { return env[k] }); !o.Bare || !o.ASCII || !o.Contrast {
		t.Errorf("%+v", o)
	}
	if o := OptionsFrom(func(string) string { return "" }); o.Bare || o.ASCII || o.Contrast {
		t.Errorf("%+v", o)
	}
}
