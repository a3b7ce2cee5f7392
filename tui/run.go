package tui

import (
	"context"
	"os"
	"strings"
	"time"

	"cuechoir/engine/raster"
	"cuechoir/internal/fault"

	"github.com/gdamore/tcell/v2"
)

// Options of the screen. The zero value draws with all glyphs and colours that
// the terminal has, and has the usual keys.
type Options struct {
	ASCII    bool  // ASCII shapes only; names and words are shown as they are
	Bare     bool  // no colour: attributes and shapes alone
	Contrast bool  // white, yellow and black alone
	Keys     *Keys // nil: the usual ones
	Stage    Stage // the first one shown
}

// OptionsFrom reads NO_COLOR (any value: Bare), CUECHOIR_ASCII (ASCII) and
// CUECHOIR_CONTRAST (Contrast) by getenv, such as os.Getenv.
func OptionsFrom(getenv func(string) string) Options {
	return Options{ASCII: getenv("CUECHOIR_ASCII") != "", Bare: getenv("NO_COLOR") != "", Contrast: getenv("CUECHOIR_CONTRAST") != ""}
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
		Mended("run it in a terminal window with TERM set, as lines with --plain, or use the commands that print: cuechoir --help")
}

// Run shows the desk's score until the person quits (nil), ctx ends
// (fault.Interrupted) or the first reading fails (its error). Readings, edits
// and runs go on beside the screen; an error in them is shown and the screen
// keeps what it had. On every way out, a panic among them, what runs is ended,
// edits that wait are done, and the terminal is restored. Options come from the
// environment.
func Run(ctx context.Context, screen tcell.Screen, desk Desk) error {
	return RunWith(ctx, screen, desk, OptionsFrom(os.Getenv))
}

// RunWith is Run with options of the caller's.
func RunWith(ctx context.Context, screen tcell.Screen, desk Desk, o Options) error {
	var first reading
	select {
	case first = <-read(ctx, desk):
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
	a := &app{screen: screen, theme: newTheme(screen.Colors(), o.Bare, o.Contrast), colors: screen.Colors(), lanes: newLanes(ctx, desk)}
	a.state = firstState(first.sheet, desk, screen, o)
	defer a.lanes.abandon()
	return a.loop(ctx)
}

// firstState fits a state to a terminal.
func firstState(s *sheet, desk Desk, screen tcell.Screen, o Options) State {
	g := drawnGlyphs()
	if o.ASCII || !strings.EqualFold(screen.CharacterSet(), "UTF-8") {
		g = plainGlyphs()
	}
	w, h := screen.Size()
	st := newState(s, g, w, h)
	st.stills, st.depth = desk.Still, depthOf(screen.Colors(), o.Bare)
	if o.Keys != nil {
		st.keys = o.Keys
	}
	st.chooseTakeInUse()
	st.wish(Wish{Do: DoReady})
	st.goTo(o.Stage)
	return st
}

// depthOf is how many greys can be drawn.
func depthOf(colors int, bare bool) raster.Depth {
	switch {
	case bare || colors < 256:
		return raster.Plain
	case colors < 1<<24:
		return raster.Greys256
	}
	return raster.Greys24
}

func stopped(ctx context.Context) error {
	return fault.New(fault.Interrupted, "stopped").Because(context.Cause(ctx))
}

// app joins the state to a screen and to the desk's lanes.
type app struct {
	screen tcell.Screen
	theme  theme
	colors int
	lanes  *lanes
	state  State
	shown  *Grid // on the screen now
	held   bool  // a mouse button
	drawn  time.Time
	later  *time.Timer // draws what waits
}

// drawEvery is the least time between two drawings: 30 a second.
const drawEvery = time.Second / 30

// loop draws after events, and only then.
func (a *app) loop(ctx context.Context) error {
	events, quit := make(chan tcell.Event, 16), make(chan struct{})
	defer close(quit)
	go a.screen.ChannelEvents(events, quit)
	a.later = time.NewTimer(time.Hour)
	defer a.later.Stop()
	a.state = a.lanes.take(a.state)
	a.draw()
	for {
		select {
		case <-ctx.Done():
			a.state = a.lanes.finish(a.state)
			return stopped(ctx)
		case n := <-a.lanes.news:
			a.state = n(a.state)
		case <-a.lanes.told.ready:
			if t, ok := a.lanes.told.take(); ok {
				a.state = a.state.hear(t)
			}
		case <-a.later.C:
		case ev, ok := <-events:
			if !ok {
				a.state = a.lanes.finish(a.state)
				return fault.New(fault.Missing, "the terminal went away")
			}
			a.handle(ev)
		}
		a.state = a.lanes.take(a.state)
		if a.state.quit {
			a.state = a.lanes.finish(a.state)
			return nil
		}
		if len(events) > 0 { // keys held down are answered together
			continue
		}
		if wait := drawEvery - time.Since(a.drawn); wait > 0 {
			a.later.Reset(wait)
			continue
		}
		a.draw()
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
			style := a.theme[c.Ink]
			if c.Ink == InkGrey {
				style = grey(a.colors, c.Fore, c.Back)
			}
			a.screen.SetContent(x, y, c.Rune, marks, style)
		}
	}
	a.shown, a.drawn = g, time.Now()
	a.screen.Show()
}

// namedKeys are the keys without a letter, as the table of keys calls them.
func namedKeys() map[tcell.Key]string {
	keys := map[tcell.Key]string{}
	for i := range 26 {
		keys[tcell.KeyCtrlA+tcell.Key(i)] = "ctrl-" + string(rune('a'+i))
	}
	for i := range 12 {
		keys[tcell.KeyF1+tcell.Key(i)] = "f" + itoa(int64(i+1))
	}
	for key, name := range map[tcell.Key]string{
		tcell.KeyLeft: "left", tcell.KeyRight: "right", tcell.KeyUp: "up", tcell.KeyDown: "down",
		tcell.KeyHome: "home", tcell.KeyEnd: "end", tcell.KeyPgUp: "pgup", tcell.KeyPgDn: "pgdn",
		tcell.KeyEnter: "enter", tcell.KeyEsc: "esc", tcell.KeyCtrlC: "ctrl-c", tcell.KeyTab: "tab",
		tcell.KeyBackspace: "back", tcell.KeyBackspace2: "back", tcell.KeyDelete: "delete", tcell.KeyInsert: "insert",
	} {
		keys[key] = name
	}
	return keys
}

var keyNames = namedKeys()

func keyOf(ev *tcell.EventKey) string {
	if ev.Key() == tcell.KeyRune {
		if ev.Rune() == ' ' {
			return "space"
		}
		return string(ev.Rune())
	}
	if name, ok := keyNames[ev.Key()]; ok {
		return name
	}
	return "another key"
}
