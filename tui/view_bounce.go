package tui

import (
	"fmt"
	"strings"
)

// needLines are the list of what a stem needs, in so many rows: what is in the
// way, then what is worth a look, then what is met.
func (v *view) needLines(rows int) (out []line) {
	add := func(n Need, mark rune, ink Ink) {
		name := ""
		if len(out) == 0 {
			name = "what it needs"
		}
		out = append(out, line{name, fmt.Sprintf("%c %s", mark, joined(": ", n.Layer, n.Words)), ink})
	}
	for _, n := range v.openNeeds() {
		mark, ink := v.glyphs.must, InkMust
		if n.Stand == Look {
			mark, ink = v.glyphs.want, InkWant
		}
		add(n, mark, ink)
	}
	for _, n := range v.sheet.Needs {
		if n.Stand == Met {
			add(n, v.glyphs.done, InkSung)
		}
	}
	if len(out) <= rows {
		return out
	}
	cut := out[:max(0, rows-1)]
	more := len(out) - len(cut)
	return append(cut, line{"", fmt.Sprintf("%c and %s more: cuechoir ready lists them", v.glyphs.open, plural(more, "line")), InkQuiet})
}

// openNeeds are those that are not met, what is in the way first.
func (s *State) openNeeds() (out []Need) {
	for _, stand := range []Stand{InTheWay, Look} {
		for _, n := range s.sheet.Needs {
			if n.Stand == stand {
				out = append(out, n)
			}
		}
	}
	return out
}

// toNeed goes to the stage where the next open need is mended, to its layer.
func (s *State) toNeed() {
	open := s.openNeeds()
	if len(open) == 0 {
		s.News = "nothing is open"
		return
	}
	n := open[s.need%len(open)]
	s.need = (s.need + 1) % len(open)
	for i := range s.sheet.layers {
		if s.sheet.layers[i].Name == n.Layer {
			s.toLayer(i)
		}
	}
	if st, ok := needStage[n.What]; ok && !(n.What == "hits" && len(s.sheet.Hits) == 0) && !strings.Contains(n.Words, "muted") {
		s.goTo(st)
	} else if n.What == "hits" {
		s.goTo(Spot)
	} else if n.What == "layers" {
		s.goTo(Mix)
	}
	s.News = joined(": ", n.Layer, n.Words)
}

// needStage is where a need is mended; the others by writing the stem.
var needStage = map[string]Stage{"map": Map, "hits": Map, "layers": Sing, "sound": Check, "tuning": Check, "time": Check, "unsure": Check,
	"takes": Sing, "peak": Mix, "loudness": Mix}

func plural(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// bouncing is the list, the wishes, and what was written.
func (v *view) bouncing() {
	b := v.layout.body
	stem := append([]line{{"the stem", v.bounceWords(), InkPlain}}, v.bouncedLines()...)
	lines := append(v.needLines(max(3, b.rows-len(stem))), stem...)
	if over := len(lines) - b.rows; over > 0 && v.bounced != nil { // the result comes first
		lines = lines[over:]
	}
	for row := 0; row < b.rows && row < len(lines); row++ {
		v.name(b.at+row, lines[row].name, InkQuiet)
		v.text(v.x(0), b.at+row, v.W-v.x(0)-1, lines[row].words, lines[row].ink)
	}
}

// bounceWords are the wishes for the next bounce.
func (v *view) bounceWords() string {
	words := fmt.Sprintf("%d bits", v.Bits)
	if v.Bits == 32 {
		words = "32 bits, floating"
	}
	if t := targets()[v.Target]; t != 0 {
		words += fmt.Sprintf(", brought to %.0f LUFS", t)
	} else {
		words += ", as loud as mixed"
	}
	words += ", true peak at most -1 dBTP"
	if v.Stems {
		words += ", a stem for each group too"
	}
	return words
}

func (v *view) bouncedLines() []line {
	r := v.bounced
	if r == nil {
		return []line{{"", "enter writes it", InkQuiet}}
	}
	exact := "exactly the reference's"
	if r.Samples != v.sheet.lastSample() {
		exact = fmt.Sprintf("NOT the reference's %d", v.sheet.lastSample())
	}
	out := []line{
		{"written", fmt.Sprintf("%d samples at %d Hz, %s", r.Samples, r.SampleRate, exact), InkTitle},
		{"", fmt.Sprintf("%.1f LUFS, true peak %.1f dBTP, range %.1f LU", r.LUFS, r.PeakDBTP, r.RangeLU), InkPlain},
		{"", fmt.Sprintf("%d bits, %d layers, gain %.1f dB", r.Bits, r.Layers, r.GainDB), InkPlain},
	}
	if n := len(r.LeftOut); n > 0 {
		out = append(out, line{"left out", joined(", ", r.LeftOut...), InkWant})
	}
	for i, f := range r.Files {
		name := ""
		if i == 0 {
			name = "it lies at"
		}
		out = append(out, line{name, f, InkSung})
	}
	return out
}
