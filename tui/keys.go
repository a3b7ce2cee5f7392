package tui

import "slices"

// Action is what a key asks for.
type Action string

// binding is a line of the table of keys: what it does, the keys that ask for
// it, a short hint for the foot of the screen, and the words in the list.
type binding struct {
	Do    Action
	Keys  []string
	Hint  string
	Words string
	run   func(*State)
}

// walking is the table of keys that work in every stage. One rule carries most
// of it: the first letter of a thing goes on to the next, its capital goes back.
func walking() []binding {
	return []binding{
		{"play", []string{"space"}, "space play", "play or stop", func(s *State) { s.playOrStop() }},
		{"undo", []string{"u"}, "u undo", "take back the last edit", func(s *State) { s.wish(Wish{Do: DoUndo}) }},
		{"redo", []string{"U"}, "", "do it again", func(s *State) { s.wish(Wish{Do: DoRedo}) }},
		{"frame-on", []string{"f", "right"}, "f frame", "next frame", func(s *State) { s.move(s.Frame + 1) }},
		{"frame-back", []string{"F", "left"}, "", "frame before", func(s *State) { s.move(s.Frame - 1) }},
		{"cut-on", []string{"c"}, "c cut", "next cut", func(s *State) { s.toCut(1) }},
		{"cut-back", []string{"C"}, "", "cut before", func(s *State) { s.toCut(-1) }},
		{"hit-on", []string{"h"}, "h hit", "next hit", func(s *State) { s.toHit(1) }},
		{"hit-back", []string{"H"}, "", "hit before", func(s *State) { s.toHit(-1) }},
		{"bar-on", []string{"b"}, "b bar", "next bar", func(s *State) { s.toBar(1) }},
		{"bar-back", []string{"B"}, "", "bar before", func(s *State) { s.toBar(-1) }},
		{"voice-on", []string{"v", "down"}, "v voice", "next layer", func(s *State) { s.toLayer(s.Layer + 1) }},
		{"voice-back", []string{"V", "up"}, "", "layer before", func(s *State) { s.toLayer(s.Layer - 1) }},
		{"first", []string{"home"}, "", "first frame", func(s *State) { s.move(0) }},
		{"last", []string{"end"}, "", "last frame", func(s *State) { s.move(s.sheet.Frames - 1) }},
		{"pick", []string{"x"}, "x bars", "choose bars: first, last", func(s *State) { s.pickBars() }},
		{"unpick", []string{"X"}, "", "choose no bars", func(s *State) { s.pick = picked{} }},
		{"second-on", []string{"s", "pgdn"}, "s second", "a second on", func(s *State) { s.move(s.Frame + s.sheet.Rate.Nominal()) }},
		{"second-back", []string{"S", "pgup"}, "", "a second back", func(s *State) { s.move(s.Frame - s.sheet.Rate.Nominal()) }},
		{"closer", []string{"z", "+", "="}, "z zoom", "zoom in", func(s *State) { s.zoomBy(-1) }},
		{"wider", []string{"Z", "-"}, "", "zoom out", func(s *State) { s.zoomBy(1) }},
		{"whole", []string{"a"}, "", "all of the reference", func(s *State) { s.Zoom = s.zoomMost() }},
		{"loop", []string{"l"}, "", "over and over, or once", func(s *State) { s.toggle(&s.Loop, "over and over", "once") }},
		{"quieter", []string{"("}, "", "headphones quieter", func(s *State) { s.volumeBy(-3) }},
		{"louder", []string{")"}, "", "headphones louder", func(s *State) { s.volumeBy(3) }},
		{"stop", []string{"esc"}, "", "stop what runs", func(s *State) { s.stop() }},
		{"spot", []string{"1"}, "", "stage Spot: cuts and hits", func(s *State) { s.goTo(Spot) }},
		{"map", []string{"2"}, "", "stage Map: the bars", func(s *State) { s.goTo(Map) }},
		{"sing", []string{"3"}, "", "stage Sing: takes", func(s *State) { s.goTo(Sing) }},
		{"check", []string{"4"}, "", "stage Check: what to mend", func(s *State) { s.goTo(Check) }},
		{"mix", []string{"5"}, "", "stage Mix: balance", func(s *State) { s.goTo(Mix) }},
		{"bounce", []string{"6"}, "", "stage Bounce: the stem", func(s *State) { s.goTo(Bounce) }},
		{"stage-on", []string{"tab"}, "", "next stage", func(s *State) { s.goTo((s.Stage + 1) % stageCount) }},
		{"reread", []string{"ctrl-r"}, "", "read the score again", func(s *State) { s.reload = true }},
		{"keys", []string{"?"}, "? keys", "keys and marks", func(s *State) { s.Help, s.Top = !s.Help, 0 }},
		{"out", []string{"q", "ctrl-c"}, "q quit", "quit", func(s *State) { s.quit = true }},
	}
}

// press is the state after a key. On the list of keys, keys scroll or close it.
func (s State) press(key string) State {
	s.News = ""
	switch {
	case s.notice != nil && key != "ctrl-c":
		s.notice = nil
		return s
	case s.entry != nil:
		return s.typed(key)
	case s.Help:
		return s.pressHelp(key)
	}
	for _, b := range s.keys.of(s.place()) {
		if slices.Contains(b.Keys, key) {
			return s.act(b)
		}
	}
	s.News = "that key does nothing here; ? lists the keys"
	return s
}

// act is the state after a binding. What moves the gate while it plays goes on
// playing from there; while a take is sung nothing moves it.
func (s State) act(b binding) State {
	before := s.Frame
	b.run(&s)
	s.clamp()
	if s.Frame == before || !s.run.moving() || s.run.stopping {
		return s
	}
	if s.run.wish.Do == DoSing {
		s.Frame = before
		s.News = "a take is being sung: space or esc ends it, and it is kept"
		return s
	}
	s.wish(s.playWish())
	return s
}

// wheel turns the film by a second, or the list of keys by a line; way is 1 or -1.
func (s State) wheel(way int) State {
	if s.Help {
		s.Top += way
		s.clamp()
		return s
	}
	s.News = ""
	to := s.Frame + int64(way)*s.sheet.Rate.Nominal()
	return s.act(binding{run: func(s *State) { s.move(to) }})
}

func (s State) pressHelp(key string) State {
	switch key {
	case "down", "v":
		s.Top++
	case "up", "V":
		s.Top--
	case "pgdn":
		s.Top += s.Height
	case "pgup":
		s.Top -= s.Height
	case "q", "ctrl-c":
		s.quit = true
	default:
		s.Help = false
	}
	s.clamp()
	return s
}

// click puts what was pointed at into the gate, chooses the layer, or goes to
// another stage.
func (s State) click(x, y int) State {
	if s.Help {
		s.Help, s.News = false, ""
		return s
	}
	s.News = ""
	l := s.layout()
	if st, ok := s.stageAt(x, y); ok {
		return s.act(binding{run: func(s *State) { s.goTo(st) }})
	}
	if row := y - l.choir.at; row >= 0 && row < l.choir.rows {
		if i := s.choirTop(l) + row; i < len(s.sheet.layers) {
			s.toLayer(i)
		}
	}
	col := x - l.gutter
	if col < 0 || col >= s.stripCols() {
		return s
	}
	to := s.Frame
	switch {
	case l.reel.has(y):
		to = int64(col) * s.sheet.Frames / int64(s.stripCols())
	case y >= l.hits.at && y < l.ladder.end() && !l.body.has(y):
		w := s.window()
		to = w.frameAt(col)
	}
	return s.act(binding{run: func(s *State) { s.move(to) }})
}
