package tui

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// dialing is the list of what can be set of a sound, over the Mix stage. Its keys
// are a table of their own, the place inDials.
type dialing struct {
	open   bool
	whole  bool // of the whole mix; else of the chosen layer or its group
	at     int  // line
	number int  // of the line's numbers

	// What was wished for last, so that keys faster than the desk add up: the
	// dial, and its text until the score is read with it.
	about, said string
}

// inDials is the place of the keys while dials are shown: no stage of the walk.
const inDials = stageCount

// place is where keys are looked up.
func (s *State) place() Stage {
	if s.dial.open {
		return inDials
	}
	return s.Stage
}

func dialKeys() []binding {
	return []binding{
		{"dial-on", []string{"o", "down"}, "o other", "next line", func(s *State) { s.toDial(1) }},
		{"dial-back", []string{"O", "up"}, "", "line before", func(s *State) { s.toDial(-1) }},
		{"dial-type", []string{"enter"}, "enter type", "type what it says", func(s *State) { s.typeDial() }},
		{"dial-more", []string{"."}, ". more", "more of the number, or the next", func(s *State) { s.turnDial(1) }},
		{"dial-less", []string{","}, ", less", "less of it, or the one before", func(s *State) { s.turnDial(-1) }},
		{"dial-number", []string{"n", "right"}, "n number", "next number of the line", func(s *State) { s.dial.number++ }},
		{"dial-number-back", []string{"N", "left"}, "", "number before", func(s *State) { s.dial.number-- }},
		{"dial-off", []string{"d"}, "d on, off", "take it away, or begin with it", func(s *State) { s.switchDial() }},
		{"dial-whole", []string{"w"}, "w whole", "of the whole mix, or the layer", func(s *State) { s.dial.whole, s.dial.at = !s.dial.whole, 0 }},
		{"dial-group", []string{"g"}, "g group", "of the layer's group, or it", func(s *State) { s.dial.whole, s.dial.at = false, 0; s.wholeGroup() }},
		{"alone", []string{"y"}, "", "hear it alone, or all", func(s *State) { s.toggle(&s.alone, "alone", "all layers") }},
		{"measure", []string{"j"}, "", "measure the mix", func(s *State) { s.wish(Wish{Do: DoMeasure}) }},
		{"dial-close", []string{"e"}, "e done", "back to the faders", func(s *State) { s.dial.open = false }},
	}
}

// dialWalking is what walks while dials are shown: the arrows go along the list.
func dialWalking() []binding {
	out := walking()
	for i := range out {
		out[i].Keys = slices.DeleteFunc(slices.Clone(out[i].Keys), func(k string) bool {
			return k == "up" || k == "down" || k == "left" || k == "right"
		})
	}
	return out
}

// openDials shows what can be set of the chosen layer, or of the whole mix.
func (s *State) openDials(whole bool) {
	if s.voice() == nil && !whole {
		s.News = "this score has no layers yet"
		return
	}
	s.Stage, s.dial = Mix, dialing{open: true, whole: whole}
}

// dials are those that are shown, and the beginning of a wish for one.
func (s *State) dials() (of string, list []Dial, w Wish) {
	w.Do = DoDial
	v := s.voice()
	switch g := s.chosenGroup(); {
	case s.dial.whole || v == nil:
		return "the whole mix", s.sheet.Dials, w
	case g != nil:
		w.Group = g.Name
		return "group " + g.Name, g.Dials, w
	}
	w.Layer = v.Name
	return v.Name, v.Dials, w
}

// theDial is the chosen one; ok is false when there is none.
func (s *State) theDial() (d Dial, w Wish, ok bool) {
	_, list, w := s.dials()
	if s.dial.at < 0 || s.dial.at >= len(list) {
		return d, w, false
	}
	d = list[s.dial.at]
	w.Name = d.Name
	if s.dial.said != "" && s.dial.about == w.Layer+"/"+w.Group+"/"+w.Name {
		if d.Text = s.dial.said; d.Text == "off" {
			d.Text = ""
		}
	}
	if from, to, picked := s.pickSamples(); picked && isMend(d.Name) && w.Layer != "" {
		w.From, w.To = from, to
	}
	return d, w, true
}

func isMend(dial string) bool { return dial == "retune" || dial == "retime" }

func (s *State) toDial(by int) {
	_, list, _ := s.dials()
	if n := len(list); n > 0 {
		s.dial.at, s.dial.number = ((s.dial.at+by)%n+n)%n, 0
	}
}

// usual is a line to begin with; a layer that it needs is the chosen one.
func (s *State) usual(d Dial) string {
	if v := s.voice(); v != nil {
		return strings.Replace(d.Usual, "LAYER", v.Name, 1)
	}
	return d.Usual
}

func (s *State) setDial(w Wish, text string) {
	w.Text = text
	s.dial.about, s.dial.said = w.Layer+"/"+w.Group+"/"+w.Name, text
	s.wish(w)
}

// heardOfDial forgets what was wished for once the score says so.
func (s *State) heardOfDial() {
	_, list, w := s.dials()
	for _, d := range list {
		text := nameOr(d.Text, "off")
		if s.dial.about == w.Layer+"/"+w.Group+"/"+d.Name && s.dial.said == text {
			s.dial.said = ""
		}
	}
}

func (s *State) typeDial() {
	d, w, ok := s.theDial()
	if !ok {
		return
	}
	s.ask(d.Name, nameOr(d.Text, s.usual(d)), func(s *State, text string) { s.setDial(w, text) })
}

// switchDial takes a line away, or begins with the usual one.
func (s *State) switchDial() {
	d, w, ok := s.theDial()
	switch {
	case !ok:
	case d.Text == "":
		s.setDial(w, s.usual(d))
	default:
		s.setDial(w, "off")
	}
}

// turnDial moves the chosen number of the line by a step, or, in a line without
// numbers, goes along what it can be.
func (s *State) turnDial(way int) {
	d, w, ok := s.theDial()
	if !ok {
		return
	}
	if d.Text == "" {
		s.setDial(w, s.usual(d))
		return
	}
	found := numbersIn(d.Text)
	if slices.Contains(s.sheet.Colours, d.Text) || len(found) == 0 {
		if i := slices.Index(s.sheet.Colours, d.Text); i >= 0 && d.Name == "colour" {
			n := len(s.sheet.Colours)
			s.setDial(w, s.sheet.Colours[((i+way)%n+n)%n])
			return
		}
		s.News = "there is no number in it: enter types it"
		return
	}
	at := found[(s.dial.number%len(found)+len(found))%len(found)]
	value, err := strconv.ParseFloat(d.Text[at[0]:at[1]], 64)
	if err != nil {
		return
	}
	next := turned(value, way, d.Text[:at[0]], d.Text[at[1]:])
	s.setDial(w, d.Text[:at[0]]+strconv.FormatFloat(next, 'f', -1, 64)+d.Text[at[1]:])
}

// numbers are those of a line; a digit in a word is none.
var numbers = regexp.MustCompile(`(?:^|[=\s])(-?\d+(?:\.\d+)?)`)

// numbersIn are the places of a line's numbers.
func numbersIn(line string) (out [][]int) {
	for _, m := range numbers.FindAllStringSubmatchIndex(line, -1) {
		out = append(out, m[2:4])
	}
	return out
}

// turned is a number a step on: by a semitone of what is a frequency, by a tenth
// of what is a time, else by what its unit is read by.
func turned(value float64, way int, before, after string) float64 {
	unit := lastWord(before)
	if unit == "" {
		unit, _, _ = strings.Cut(strings.TrimSpace(after), " ")
	}
	step := 1.0
	switch {
	case strings.HasSuffix(unit, "hz") || unit == "Hz":
		return round(value*math.Pow(2, float64(way)/12), 3)
	case strings.HasSuffix(unit, "ms"):
		return max(0, round(value*math.Pow(1.1, float64(way)), 3))
	case unit == "amount" || unit == "%":
		step = 5
	case unit == "ratio":
		step = 0.5
	case unit == "seconds" || unit == "q" || unit == "size" || unit == "s":
		step = 0.1
	case unit == "high_ratio":
		step = 0.05
	}
	return math.Round((value+float64(way)*step)*1000) / 1000
}

// lastWord is the key of a number, as in "threshold_db=".
func lastWord(before string) string {
	if !strings.HasSuffix(before, "=") {
		return ""
	}
	before = strings.TrimSuffix(before, "=")
	return before[strings.LastIndexByte(before, ' ')+1:]
}

// round keeps so many digits of a number.
func round(v float64, digits int) float64 {
	if v == 0 {
		return 0
	}
	p := math.Pow(10, float64(digits)-math.Ceil(math.Log10(math.Abs(v))))
	return math.Round(v*p) / p
}

// showDials draws the dials in so many rows, the chosen one among them.
func (v *view) showDials() {
	b := v.layout.body
	of, list, _ := v.dials()
	n := b.rows - 1
	top := max(0, min(v.dial.at-(n-1)/2, len(list)-n))
	for row := 0; row < n && top+row < len(list); row++ {
		v.dialRow(b.at+row, top+row, list[top+row])
	}
	v.name(b.end()-1, of, InkTitle)
	if d, _, ok := v.theDial(); ok {
		v.text(v.x(0), b.end()-1, v.W-v.x(0)-1, d.Command, InkQuiet)
	}
}

func (v *view) dialRow(y, i int, d Dial) {
	ink := InkPlain
	if i == v.dial.at {
		ink = InkChosen
		v.put(0, y, v.glyphs.chosen, InkKey)
	}
	v.name(y, d.Name, ink)
	x, room := v.x(0), v.W-v.x(0)-1
	if d.Text == "" {
		v.text(x, y, room, joined(" ", "-", d.Uses), InkQuiet)
		return
	}
	v.text(x, y, room, d.Text, InkSung)
	if found := numbersIn(d.Text); i == v.dial.at && len(found) > 0 && !slices.Contains(v.sheet.Colours, d.Text) {
		k := found[(v.dial.number%len(found)+len(found))%len(found)]
		v.text(x+k[0], y, min(k[1]-k[0], room-k[0]), d.Text[k[0]:k[1]], InkChosen)
	}
}

func (d Dial) words() string { return fmt.Sprintf("%s: %s", d.Name, nameOr(d.Text, "none; "+d.Uses)) }
