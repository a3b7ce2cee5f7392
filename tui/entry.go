package tui

import "unicode/utf8"

// entry is a line that a person types: what for, what it holds, and what is
// done with it.
type entry struct {
	ask  string
	text string
	done func(s *State, text string)
}

// maxEntry bounds what is typed, in bytes.
const maxEntry = 120

func (s *State) ask(ask, text string, done func(*State, string)) {
	s.entry = &entry{ask: ask, text: text, done: done}
}

// typed is the state after a key while a line is typed.
func (s State) typed(key string) State {
	e := *s.entry
	switch {
	case key == "esc" || key == "ctrl-c":
		s.entry = nil
		return s
	case key == "enter":
		s.entry = nil
		e.done(&s, e.text)
		s.clamp()
		return s
	case key == "back":
		if _, n := utf8.DecodeLastRuneInString(e.text); n > 0 {
			e.text = e.text[:len(e.text)-n]
		}
	case key == "space":
		e.text += " "
	case utf8.RuneCountInString(key) == 1 && len(e.text)+len(key) <= maxEntry:
		e.text += key
	}
	s.entry = &e
	return s
}
