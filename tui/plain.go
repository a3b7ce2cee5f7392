package tui

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"cuechoir/internal/fault"
)

// maxPlainLine bounds a line that is typed, in bytes.
const maxPlainLine = 1000

// RunPlain is the workstation as lines: it reads words, a line each, and
// answers in sentences, with no pictures, colours or moving marks, so that a
// screen reader says all of it. A word is an action of the table of keys, its
// key, or one of a few words of its own; "help" lists them. It ends when the
// person quits or in ends (nil), when ctx ends (fault.Interrupted), or when the
// first reading fails.
func RunPlain(ctx context.Context, in io.Reader, out io.Writer, desk Desk, o Options) error {
	first := <-read(ctx, desk)
	if first.panicked != nil {
		panic(first.panicked)
	}
	if first.err != nil {
		return first.err
	}
	p := &plain{out: out, lanes: newLanes(ctx, desk)}
	defer p.lanes.abandon()
	p.state = newState(first.sheet, plainGlyphs(), 80, 24)
	p.state.Stage, p.state.ready = o.Stage, true // no pictures are shown
	if o.Keys != nil {
		p.state.keys = o.Keys
	}
	p.state.chooseTakeInUse()
	p.say("%s. %d frames at %s. help lists the words, quit ends.", nameOr(first.sheet.Title, "untitled score"), first.sheet.Frames, first.sheet.Rate)
	p.list()
	return p.loop(ctx, lines(in))
}

// lines reads a text line by line beside the loop.
func lines(in io.Reader) <-chan string {
	out := make(chan string)
	go func() {
		defer close(out)
		s := bufio.NewScanner(in)
		s.Buffer(nil, maxPlainLine)
		for s.Scan() {
			out <- s.Text()
		}
	}()
	return out
}

type plain struct {
	out   io.Writer
	lanes *lanes
	state State
	wait  bool // for the run's end, before the next line
	tenth int64
}

func (p *plain) say(format string, args ...any) {
	for _, r := range fmt.Sprintf(format, args...) {
		fmt.Fprint(p.out, string(safeLine(r)))
	}
	fmt.Fprintln(p.out)
}

// safeLine keeps line ends and makes other strange runes safe.
func safeLine(r rune) rune {
	if r == '\n' {
		return r
	}
	return safe(r)
}

func (p *plain) loop(ctx context.Context, words <-chan string) error {
	p.prompt()
	for {
		from := words
		if p.wait || p.lanes.editing || p.lanes.reads {
			from = nil // what was asked for is answered first
		}
		select {
		case <-ctx.Done():
			p.state = p.lanes.finish(p.state)
			return fault.New(fault.Interrupted, "stopped").Because(context.Cause(ctx))
		case n := <-p.lanes.news:
			p.change(n)
		case <-p.lanes.told.ready:
			if t, ok := p.lanes.told.take(); ok {
				p.hear(t)
			}
		case word, ok := <-from:
			if !ok {
				p.state = p.lanes.finish(p.state)
				return nil
			}
			p.word(strings.TrimSpace(word))
		}
		p.state = p.lanes.take(p.state)
		if p.wait = p.wait && p.lanes.running; p.state.quit {
			p.state = p.lanes.finish(p.state)
			p.say("Done.")
			return nil
		}
	}
}

// change takes in what came back from the desk, and says it.
func (p *plain) change(n func(State) State) {
	p.state.News = ""
	p.state = n(p.state)
	for _, words := range p.state.notice {
		p.say("%s.", words)
	}
	p.state.notice = nil
	if p.state.News != "" {
		p.say("%s.", p.state.News)
		p.state.News = ""
		p.prompt()
	}
}

// hear says how work goes: a note, and each tenth of the way.
func (p *plain) hear(t Told) {
	before := p.state.run.told.Note
	p.state = p.state.hear(t)
	if t.Note != "" && t.Note != before {
		p.say("%s.", t.Note)
	}
	if t.Total <= 0 {
		return
	}
	if tenth := 10 * t.Done / t.Total; tenth != p.tenth {
		p.tenth = tenth
		p.say("%s: %d percent.", t.What, 10*tenth)
	}
}

func (p *plain) prompt() {
	if p.state.entry != nil {
		fmt.Fprintf(p.out, "%s? ", p.state.entry.ask)
		return
	}
	fmt.Fprintf(p.out, "%s> ", strings.ToLower(p.state.place().Word()))
}

// word does what a line asks for.
func (p *plain) word(text string) {
	defer func() {
		if !p.lanes.editing && !p.state.quit && len(p.state.wishes) == 0 {
			p.prompt()
		}
	}()
	p.state.News = ""
	if e := p.state.entry; e != nil {
		p.state.entry = nil
		e.done(&p.state, text)
		return
	}
	name, rest, _ := strings.Cut(text, " ")
	switch name {
	case "":
		return
	case "help":
		p.help()
		return
	case "where":
		p.where(true)
		return
	case "list":
		p.list()
		return
	case "wait":
		p.wait = p.lanes.running
		return
	case "quit":
		p.state.quit = true
		return
	case "to":
		p.to(rest)
		return
	}
	p.action(name, rest)
}

// action does a binding, so many times when a number follows.
func (p *plain) action(name, rest string) {
	i := slices.IndexFunc(p.state.keys.of(p.state.place()), func(b binding) bool {
		return string(b.Do) == name || slices.Contains(b.Keys, name)
	})
	times, err := strconv.Atoi(nameOr(rest, "1"))
	if i < 0 || err != nil || times < 1 || times > 10_000 {
		p.say("%q is no word here; help lists them.", strings.TrimSpace(name+" "+rest))
		return
	}
	b := p.state.keys.of(p.state.place())[i]
	if b.Do == "keys" {
		p.help()
		return
	}
	before := p.state
	for range times {
		p.state = p.state.act(b)
	}
	p.tell(before)
}

// tell says what an action changed.
func (p *plain) tell(before State) {
	s := &p.state
	switch {
	case s.News != "":
		p.say("%s.", s.News)
	case s.Stage != before.Stage || s.dial.open != before.dial.open || s.dial.whole != before.dial.whole:
		p.list()
	case s.dial != before.dial:
		if d, _, ok := s.theDial(); ok {
			p.say("%s.", d.words())
		}
	case s.Layer != before.Layer:
		p.say("%s.", p.view().voiceWords())
	case s.Worst != before.Worst && s.Worst >= 0:
		v := s.voice()
		p.say("%s", v.Findings[v.worst[s.Worst]].Words)
	case s.Frame != before.Frame:
		p.where(false)
	case s.Offer != before.Offer || s.Take != before.Take:
		p.list()
	case s.Bits != before.Bits || s.Target != before.Target:
		p.say("%s.", p.view().bounceWords())
	}
}

func (p *plain) view() *view {
	return &view{State: p.state, Grid: newGrid(1, 1, p.state.glyphs), window: p.state.window()}
}

// where says what is in the gate.
func (p *plain) where(full bool) {
	for _, l := range p.view().gateLines(full) {
		if l.words != "" && (full || l.name != "voice") {
			p.say("%s: %s.", l.name, l.words)
		}
	}
}

// to goes to a frame, or to a bar: "240" or "bar 12".
func (p *plain) to(rest string) {
	before := p.state
	bar, isBar := strings.CutPrefix(rest, "bar ")
	n, err := strconv.ParseInt(strings.TrimSpace(bar), 10, 64)
	if err != nil {
		p.say("say to and a frame, or to bar and its number.")
		return
	}
	if isBar {
		i := slices.IndexFunc(p.state.sheet.Bars, func(b Bar) bool { return int64(b.Number) == n })
		if i < 0 {
			p.say("there is no bar %d.", n)
			return
		}
		n = p.state.sheet.barsAt[i]
	}
	p.state = p.state.act(binding{run: func(s *State) { s.move(n) }})
	p.tell(before)
}

func (p *plain) help() {
	p.say("where says what is in the gate; list says what the stage holds; to 240 goes to a frame, to bar 12 to a bar;")
	p.say("wait waits for what runs; quit ends. A number after a word does it so often: frame-on 10.")
	for _, b := range p.state.keys.of(p.state.place()) {
		if b.Do != "closer" && b.Do != "wider" && b.Do != "whole" && len(b.Keys) > 0 {
			p.say("%s (%s): %s", b.Do, b.Keys[0], b.Words)
		}
	}
}
