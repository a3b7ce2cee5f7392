package tui

import (
	"fmt"
	"slices"
	"strings"
)

// keys is the foot of the screen: the keys of the stage, and below them what
// runs, news of the last key, or the keys that walk. With one line, the first
// of these that there is.
func (v *view) keys() {
	b := v.layout.keys
	if b.rows == 0 {
		return
	}
	y := b.end() - 1
	if b.rows > 1 {
		v.hintLine(b.at, v.stageHints())
	}
	switch {
	case v.entry != nil:
		v.entryLine(y)
	case v.News != "":
		v.fill(y, InkNews)
		v.text(1, y, v.W-2, v.News, InkNews)
	case v.run.busy():
		v.runLine(y)
	case b.rows > 1:
		v.hintLine(y, v.walkHints())
	default:
		v.hintLine(y, append(v.stageHints(), v.lastHints()...))
	}
}

func (v *view) fill(y int, ink Ink) {
	for x := range v.W {
		v.put(x, y, ' ', ink)
	}
}

// entryLine is the line that is typed, with a mark where the next letter goes.
func (v *view) entryLine(y int) {
	v.fill(y, InkNews)
	x := v.text(1, y, v.W-2, v.entry.ask+": ", InkNews)
	text := []rune(v.entry.text)
	if room := v.W - x - 20; len(text) > room { // the end is what is typed at
		text = text[max(0, min(len(text), len(text)-room)):]
	}
	x = v.text(x, y, v.W-x-1, string(text), InkNews)
	v.put(x, y, '_', InkNews)
	v.right(v.W-1, y, 18, "enter keep, esc no", InkNews)
}

// runLine tells what runs: where a transport is, how far work has come.
func (v *view) runLine(y int) {
	t, w := v.run.told, v.run.wish
	v.fill(y, InkPlain)
	end := v.right(v.W-1, y, 12, "esc stops", InkQuiet) - 1
	if v.run.moving() {
		mark, words := v.glyphs.playing, "playing"
		if w.Do == DoSing {
			mark, words = v.glyphs.sings, "RECORDING "+w.Layer
		}
		if t.Silent {
			words += " in silence"
		}
		v.put(1, y, mark, InkHot)
		x := v.text(3, y, end-3, words, InkTitle)
		at := v.sheet.timecode(v.Frame)
		if t.At < 0 {
			at = "count-in"
		}
		if w.Loop {
			at += fmt.Sprintf("  pass %d", t.Pass+1)
		}
		x = v.text(x+2, y, end-x-2, at, InkPlain)
		v.text(x+2, y, end-x-2, t.Note, InkQuiet)
		return
	}
	words := nameOr(t.What, runWords(w.Do))
	x := v.text(1, y, end-1, words, InkTitle) + 2
	room := min(40, end-x-6)
	if t.Total <= 0 || room < 4 {
		return
	}
	share := max(0, min(1, float64(t.Done)/float64(t.Total)))
	v.bar(x, y, room, share, InkLevel)
	v.text(x+room+1, y, 5, fmt.Sprintf("%3.0f%%", 100*share), InkPlain)
}

// bar is a filled length of a row of cells.
func (v *view) bar(x, y, width int, share float64, ink Ink) {
	full := int(share*float64(width) + 0.5)
	for i := range width {
		if i < full {
			v.put(x+i, y, v.glyphs.meter, ink)
			continue
		}
		v.put(x+i, y, v.glyphs.track, InkQuiet)
	}
}

// hintLine writes hints, leaving out from the middle what does not fit; the
// last two stay.
func (v *view) hintLine(y int, hints []string) {
	x, gap := 1, 2
	if hintsWidth(hints, gap) > v.W-2 {
		gap = 1
	}
	for len(hints) > 2 && hintsWidth(hints, gap) > v.W-2 {
		hints = slices.Delete(hints, len(hints)-3, len(hints)-2)
	}
	for _, h := range hints {
		key, what, _ := strings.Cut(h, " ")
		x = v.text(x, y, v.W-x, key, InkKey) + 1
		x = v.text(x, y, v.W-x, what, InkQuiet) + gap
	}
	if rule := "capitals go back"; y == v.layout.keys.end()-1 && x+len(rule) < v.W {
		v.text(x+1, y, v.W-x-1, rule, InkQuiet)
	}
}

// stageHints are the hints of the stage's own keys, walkHints of the others.
func (v *view) stageHints() []string { return v.hintsOf(true) }
func (v *view) walkHints() []string  { return v.hintsOf(false) }

func (v *view) hintsOf(own bool) (out []string) {
	n := len(ofStage(v.place()))
	for i, b := range v.State.keys.of(v.place()) {
		if b.Hint != "" && (i < n) == own {
			out = append(out, b.Hint)
		}
	}
	return out
}

// lastHints are those that are never left out: the list of keys, and the way out.
func (v *view) lastHints() []string {
	h := v.walkHints()
	return h[max(0, len(h)-2):]
}

func hintsWidth(hints []string, gap int) int {
	w := -gap
	for _, h := range hints {
		w += len(h) + gap
	}
	return w
}
