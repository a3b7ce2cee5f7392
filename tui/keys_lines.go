package tui

import "fmt"

// Line is one line of what is done to a layer's or a group's sound.
type Line struct {
	Name, Text string // Text "": it is off
	Command    string // does the same
}

func lineKeys() []binding {
	return []binding{
		{"lines", []string{"i"}, "i sound", "its sound line by line", func(s *State) { s.toggle(&s.lines, "its sound: n goes to a line, . and , turn a number", "the faders") }},
		{"line-on", []string{"n"}, "", "next line of its sound", func(s *State) { s.toLine(1) }},
		{"line-back", []string{"N"}, "", "line before", func(s *State) { s.toLine(-1) }},
		{"number-on", []string{"o"}, "", "next number of the line", func(s *State) { s.toNumber(1) }},
		{"number-back", []string{"O"}, "", "number before", func(s *State) { s.toNumber(-1) }},
		{"type", []string{"enter"}, "", "type the line", func(s *State) { s.typeLine() }},
		{"line-off", []string{"d"}, "", "take the line off", func(s *State) { s.changeLine("off") }},
	}
}

// soundLines are those of the chosen layer, or of its group.
func (s *State) soundLines() (lines []Line, of string) {
	if g := s.chosenGroup(); g != nil {
		return g.Lines, g.Name
	}
	if v := s.voice(); v != nil {
		return v.Lines, v.Name
	}
	return nil, ""
}

// soundLine is the chosen line, nil when there is none.
func (s *State) soundLine() *Line {
	lines, _ := s.soundLines()
	if len(lines) == 0 {
		s.News = "this score has no layers yet"
		return nil
	}
	s.line = max(0, min(s.line, len(lines)-1))
	return &lines[s.line]
}

func (s *State) toLine(by int) {
	if !s.lines {
		s.lines = true
	} else {
		s.line = max(0, s.line+by)
	}
	s.number = 0
	if l := s.soundLine(); l != nil {
		s.News = l.Name + ": " + nameOr(l.Text, "off")
	}
}

// toNumber chooses among the numbers of the line.
func (s *State) toNumber(by int) {
	s.lines = true
	l := s.soundLine()
	if l == nil {
		return
	}
	words := fieldsOf(l.Text)
	s.number = max(0, min(s.number+by, len(words)-1))
	s.News = l.Name + " is off: . starts it"
	if len(words) > 0 {
		s.News = l.Name + ": . and , turn " + words[s.number]
	}
}

// turn has a number of the line go a step on.
func (s *State) turn(by int) {
	if l := s.soundLine(); l != nil {
		w := Wish{Do: DoTurn, Name: l.Name, Index: max(0, min(s.number, len(fieldsOf(l.Text))-1)), By: float64(by)}
		s.lineOf(w)
	}
}

// lineOf wishes for something of the layer's lines, or of its group's.
func (s *State) lineOf(w Wish) {
	if g := s.chosenGroup(); g != nil {
		w.Group = g.Name
	} else {
		w.Layer = s.voice().Name
	}
	s.wish(w)
}

// typeLine asks for the line as a whole.
func (s *State) typeLine() {
	s.lines = true
	l := s.soundLine()
	if l == nil {
		return
	}
	s.ask(fmt.Sprintf("%s (off: none)", l.Name), l.Text, func(s *State, text string) { s.changeLine(text) })
}

func (s *State) changeLine(text string) {
	s.lines = true
	if l := s.soundLine(); l != nil {
		s.lineOf(Wish{Do: DoLine, Name: l.Name, Style: nameOr(text, "off")})
	}
}
