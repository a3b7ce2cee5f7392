package tui

import (
	"context"
	"fmt"
	"os"
	"runtime/debug"
	"strings"

	"cuechoir/internal/fault"

	"github.com/gdamore/tcell/v2"
)

// Options of the screen. The zero value draws with all glyphs and colours that
// the terminal has.
type Options struct {
	Plain bool // ASCII shapes only; names and words are shown as they are
	Bare  bool // no colour: attributes and shapes alone
}

// OptionsFrom reads NO_COLOR (any value: Bare) and CUECHOIR_PLAIN (any value:
// Plain) by getenv, such as os.Getenv.
func OptionsFrom(getenv func(string) string) Options {
	return Options{Plain: getenv("CUECHOIR_PLAIN") != "", Bare: getenv("NO_COLOR") != ""}
}

// NewScreen is the terminal that the program runs in, not yet begun: Run
// begins and ends it.
func NewScreen() (tcell.Screen, error) {
	screen, err := tcell.NewScreen()
	if err != nil {
		return nil, noTerminal(err)
	}
	return screen, nil
}

func noTerminal(err error) error {
	return fault.New(fault.Missing, "this is not a terminal that a screen can be drawn on").Because(err).
		Mended("run it in a terminal window with TERM set, or use the commands that print: cuechoir --help")
}

// Run shows the score that load reads until the person quits (nil), ctx ends
// (fault.Interrupted) or the first reading fails (its error). load is called
// again, beside the screen, when the person asks; an error then is shown and
// the screen keeps what it had. The terminal is restored on every way out, a
// panic among them. Options come from the environment.
func Run(ctx context.Context, screen tcell.Screen, load func() (Model, error)) error {
	return RunWith(ctx, screen, load, OptionsFrom(os.Getenv))
}

// RunWith is Run with options of the caller's.
func RunWith(ctx context.Context, screen tcell.Screen, load func() (Model, error), o Options) error {
	var first reading
	select {
	case first = <-read(load):
	case <-ctx.Done():
		return stopped(ctx)
	}
	if first.panicked != nil {
		panic(first.panicked)
	}
	if first.err != nil {
		return first.err
	}
	if err := screen.Init(); err != nil {
		return noTerminal(err)
	}
	defer screen.Fini()
	screen.EnableMouse(tcell.MouseButtonEvents)
	screen.HideCursor()
	a := &app{screen: screen, load: load, theme: newTheme(screen.Colors(), o.Bare)}
	g := drawnGlyphs()
	if o.Plain || !strings.EqualFold(screen.CharacterSet(), "UTF-8") {
		g = plainGlyphs()
	}
	w, h := screen.Size()
	a.state = newState(first.sheet, g, w, h)
	return a.loop(ctx)
}

func stopped(ctx context.Context) error {
	return fault.New(fault.Interrupted, "stopped").Because(context.Cause(ctx))
}

// reading is what came of reading the score.
type reading struct {
	sheet    *sheet
	err      error
	panicked any // with its stack
}

// read calls load beside the screen. A panic in it is carried to the loop, so
// that the terminal is restored before it is told.
func read(load func() (Model, error)) <-chan reading {
	done := make(chan reading, 1)
	go func() {
		r := reading{err: fault.New(fault.Unexpected, "the reading of the score did not finish")}
		defer func() {
			if p := recover(); p != nil {
				r.panicked = fmt.Sprintf("%v\n\n%s", p, debug.Stack())
			}
			done <- r
		}()
		m, err := load()
		if r.err = err; err == nil {
			r.sheet, r.err = newSheet(m)
		}
	}()
	return done
}

// app joins the state to a screen.
type app struct {
	screen  tcell.Screen
	load    func() (Model, error)
	theme   theme
	state   State
	reading <-chan reading // nil when none is under way
	shown   *Grid          // on the screen now
	held    bool           // a mouse button
}

// loop draws after events, and only then.
func (a *app) loop(ctx context.Context) error {
	events, quit := make(chan tcell.Event, 16), make(chan struct{})
	defer close(quit)
	go a.screen.ChannelEvents(events, quit)
	a.draw()
	for {
		select {
		case <-ctx.Done():
			return stopped(ctx)
		case r := <-a.reading:
			a.reread(r)
		case ev, ok := <-events:
			if !ok {
				return fault.New(fault.Missing, "the terminal went away")
			}
			a.handle(ev)
		}
		if a.state.quit {
			return nil
		}
		if len(events) == 0 { // keys held down are answered together
			a.draw()
		}
	}
}

func (a *app) handle(ev tcell.Event) {
	switch ev := ev.(type) {
	case *tcell.EventResize:
		w, h := a.screen.Size()
		a.state, a.shown = a.state.resized(w, h), nil
		a.screen.Sync()
	case *tcell.EventKey:
		if ev.Key() == tcell.KeyCtrlL {
			a.shown = nil
			a.screen.Sync()
			return
		}
		a.state = a.state.press(keyOf(ev))
		a.startReading()
	case *tcell.EventMouse:
		down := ev.Buttons()&tcell.Button1 != 0
		if down && !a.held {
			x, y := ev.Position()
			a.state = a.state.click(x, y)
		}
		a.held = down
		if ev.Buttons()&tcell.WheelDown != 0 {
			a.state = a.state.wheel(1)
		} else if ev.Buttons()&tcell.WheelUp != 0 {
			a.state = a.state.wheel(-1)
		}
	}
}

func (a *app) startReading() {
	if !a.state.reload {
		return
	}
	a.state.reload = false
	if a.reading == nil {
		a.reading = read(a.load)
	}
	a.state.News = "reading the score again"
}

func (a *app) reread(r reading) {
	a.reading = nil
	switch {
	case r.panicked != nil:
		panic(r.panicked)
	case r.err != nil:
		a.state.News = "not read again: " + r.err.Error()
	default:
		a.state = a.state.withSheet(r.sheet)
		a.state.News = "read again"
	}
}

// draw sends what differs from what is shown.
func (a *app) draw() {
	g := View(a.state)
	same := a.shown != nil && a.shown.W == g.W && a.shown.H == g.H
	for y := range g.H {
		for x := 0; x < g.W; x++ {
			c := g.Cells[y*g.W+x]
			if same && a.shown.Cells[y*g.W+x] == c || c.Rune == 0 {
				continue
			}
			var marks []rune
			if c.Mark != 0 {
				marks = []rune{c.Mark}
			}
			a.screen.SetContent(x, y, c.Rune, marks, a.theme[c.Ink])
		}
	}
	a.shown = g
	a.screen.Show()
}

// namedKeys are the keys without a letter, as the table of keys calls them.
func namedKeys() map[tcell.Key]string {
	return map[tcell.Key]string{
		tcell.KeyLeft: "left", tcell.KeyRight: "right", tcell.KeyUp: "up", tcell.KeyDown: "down",
		tcell.KeyHome: "home", tcell.KeyEnd: "end", tcell.KeyPgUp: "pgup", tcell.KeyPgDn: "pgdn",
		tcell.KeyEnter: "enter", tcell.KeyEsc: "esc", tcell.KeyCtrlC: "ctrl-c",
	}
}

func keyOf(ev *tcell.EventKey) string {
	if ev.Key() == tcell.KeyRune {
		return string(ev.Rune())
	}
	if name, ok := namedKeys()[ev.Key()]; ok {
		return name
	}
	return fmt.Sprintf("key %d", ev.Key())
}
