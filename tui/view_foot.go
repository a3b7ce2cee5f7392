package tui

import (
	"fmt"
	"strings"
)

// gateLinesFull is how many lines tell all of what is in the gate.
const gateLinesFull = 8

// line is a row of the foot: what it is about, and words.
type line struct {
	name  string
	words string
	ink   Ink
}

// foot tells what is in the gate: where it is, what falls on it, what is sung.
func (v *view) foot() {
	b := v.layout.gate
	if b.rows == 0 {
		return
	}
	end := v.W
	if v.layout.beside {
		end = v.W / 2
	}
	lines := v.gateLines(b.rows >= gateLinesFull)
	for row := 0; row < b.rows && row < len(lines); row++ {
		v.name(b.at+row, lines[row].name, InkQuiet)
		v.text(v.x(0), b.at+row, end-v.x(0)-1, lines[row].words, lines[row].ink)
	}
}

func (v *view) gateLines(full bool) []line {
	where := []line{{"gate", v.whereWords(), InkPlain}}
	if shot := v.shotWords(); full {
		where = append(where, line{"shot", shot, InkPlain}, line{"bar", nameOr(v.barWords(true), "no map here"), InkPlain})
	} else {
		where[0].words = joined("  ", where[0].words, shot, v.barWords(false))
	}
	cut, hit := v.cutWords(), v.hitWords()
	name, note, mend := v.voiceWords(), v.noteWords(), v.mendWords()
	chord := v.chordLine()
	if full {
		where = append(where, chord...)
		return append(where, line{"picture", cut, InkPlain}, line{"hit", hit, InkPlain},
			line{"voice", name, InkPlain}, line{"note", note, InkPlain}, line{"to mend", mend, InkFinding})
	}
	voice := line{"voice", joined("  ", name, note), InkPlain}
	if mend != "" {
		voice.words = joined("  ", note, mend) // the name stands beside it
		voice.ink = InkFinding
	}
	on := line{"here", joined("; ", cut, hit), InkPlain}
	if v.onHit() { // what falls on the frame itself comes first
		on.words = joined("; ", hit, cut)
	}
	if len(chord) > 0 {
		on = chord[0]
	}
	return append(where, on, voice)
}

// chordLine is how the layers fit together where the gate is, in Check alone.
func (v *view) chordLine() []line {
	if v.Stage != Check {
		return nil
	}
	_, end := v.sheet.span(v.Frame)
	c := v.sheet.chordAt(end - 1)
	switch {
	case c == nil:
		return nil
	case c.Sour:
		return []line{{"chord", c.Words, InkFinding}}
	}
	return []line{{"chord", c.Words, InkPlain}}
}

// joined joins the words that are there.
func joined(sep string, words ...string) string {
	var out []string
	for _, w := range words {
		if w != "" {
			out = append(out, w)
		}
	}
	return strings.Join(out, sep)
}

func (v *view) whereWords() string {
	if v.sheet.Frames == 0 {
		return "no reference yet"
	}
	return fmt.Sprintf("frame %d  %s", v.Frame, v.sheet.timecode(v.Frame))
}

func (v *view) shotWords() string {
	i := v.sheet.shotAt(v.Frame)
	if i < 0 {
		return ""
	}
	sh := v.sheet.shots[i]
	name := "shot " + itoa(int64(sh.Number))
	if sh.Gone {
		name = "faded out"
	}
	return fmt.Sprintf("%s, %d of %d frames", name, v.Frame-sh.From+1, sh.End-sh.From)
}

// barWords is bar and beat, "bar 14.2"; in full with tempo and metre.
func (v *view) barWords(full bool) string {
	i := v.sheet.barAt(v.Frame)
	if i < 0 {
		return ""
	}
	bar := v.sheet.Bars[i]
	words := "bar " + itoa(int64(bar.Number))
	if beat := v.beatAt(bar); beat > 0 {
		words += "." + itoa(int64(beat))
	}
	if full {
		words += ", " + tempoText(bar)
	}
	return words
}

// beatAt is the last beat of a bar begun by the frame in the gate, 0 when the
// map does not tell its beats.
func (v *view) beatAt(bar Bar) int {
	_, end := v.sheet.span(v.Frame)
	beat := 0
	for i, at := range bar.Beats {
		if at < end {
			beat = i + 1
		}
	}
	return beat
}

// cutWords is the change of picture on the frame, or how far the next one is.
func (v *view) cutWords() string {
	s := v.sheet
	if i := s.cutFrom(v.Frame); i < len(s.Cuts) && s.Cuts[i].Frame == v.Frame {
		return changeWords(s.Cuts[i].Kind)
	}
	if i := s.changeAt(v.Frame); i >= 0 {
		c := s.Cuts[i]
		return fmt.Sprintf("%s, %d of %d frames", changeWords(c.Kind), v.Frame-c.Frame+1, c.End-c.Frame)
	}
	i := s.cutFrom(v.Frame + 1)
	switch {
	case i < len(s.Cuts):
		return changeWords(s.Cuts[i].Kind) + " in " + frameCount(s.Cuts[i].Frame-v.Frame)
	case len(s.Cuts) == 0:
		return "no cuts"
	}
	return "no cut after this"
}

func frameCount(n int64) string {
	if n == 1 {
		return "1 frame"
	}
	return itoa(n) + " frames"
}

func changeWords(kind string) string {
	switch kind {
	case "cut", "":
		return "cut"
	case "fade-in":
		return "fade in"
	case "fade-out":
		return "fade out"
	}
	return kind
}

func (v *view) onHit() bool {
	i := v.sheet.hitFrom(v.Frame)
	return i < len(v.sheet.Hits) && v.sheet.Hits[i].Frame == v.Frame
}

// hitWords is the hit on the frame, or how far the next one is.
func (v *view) hitWords() string {
	s := v.sheet
	i := s.hitFrom(v.Frame)
	switch {
	case len(s.Hits) == 0:
		return "no hits"
	case i >= len(s.Hits):
		return "no hit after this"
	}
	h := s.Hits[i]
	mark, weight := v.glyphs.want, "want"
	if h.Must {
		mark, weight = v.glyphs.must, "must"
	}
	name := joined(" ", string(mark), weight, h.Name)
	if h.Frame > v.Frame {
		return name + " in " + frameCount(h.Frame-v.Frame)
	}
	return name + landing(h)
}

// landing is how a hit falls on the map.
func landing(h Hit) string {
	if h.Place == "" {
		return ""
	}
	words := ", beat on the frame"
	switch h.Error.Sign() {
	case 1:
		words = fmt.Sprintf(", beat %s f late", framesText(h.Error))
	case -1:
		words = fmt.Sprintf(", beat %s f early", framesText(h.Error))
	}
	if !h.Caught {
		words += ", not caught"
	}
	return " at " + h.Place + words
}

func (v *view) voiceWords() string {
	voice := v.voice()
	if voice == nil {
		return "no layers yet"
	}
	words := nameOr(voice.Name, "unnamed")
	if voice.Group != "" {
		words += " in " + voice.Group
	}
	switch {
	case voice.Sung && voice.Take != "":
		words += ", take " + voice.Take
	case voice.Sung:
		words += ", sung"
	default:
		words += ", not sung yet"
	}
	if voice.Muted {
		words += ", muted"
	}
	return fmt.Sprintf("%s (%d of %d)", words, v.Layer+1, len(v.sheet.layers))
}

// noteWords is the chosen layer's note on the frame.
func (v *view) noteWords() string {
	voice := v.voice()
	if voice == nil {
		return ""
	}
	from, end := v.sheet.span(v.Frame)
	i := voice.noteIn(from, end)
	if i < 0 {
		return "silent here"
	}
	n := voice.Notes[i]
	return fmt.Sprintf("%s, frames %d to %d", v.noteName(n), v.sheet.nearestFrame(n.Start), v.sheet.nearestFrame(n.End))
}

// mendWords are the findings on the frame, or in the note that sounds on it.
func (v *view) mendWords() string {
	voice := v.voice()
	if voice == nil {
		return ""
	}
	from, end := v.sheet.span(v.Frame)
	if i := voice.noteIn(from, end); i >= 0 {
		from, end = min(from, voice.Notes[i].Start), max(end, voice.Notes[i].End)
	}
	const most = 3
	var words []string
	for k := voice.findingFrom(from); k < len(voice.Findings) && voice.Findings[k].Sample < end; k++ {
		if len(words) == most {
			words = append(words, "and more")
			break
		}
		words = append(words, v.findingWords(voice.Findings[k]))
	}
	return strings.Join(words, "; ")
}

func (v *view) findingWords(f Finding) string {
	return joined(" ", string(v.glyphs.mark(f.Kind)), nameOr(f.Words, f.Kind))
}

// worst is what the chosen layer, or all, need first.
func (v *view) worst() {
	b := v.layout.worst
	if b.rows == 0 {
		return
	}
	x := v.x(0)
	if v.layout.beside {
		x = v.W/2 + 1
	} else {
		v.name(b.at, "worst", InkQuiet)
	}
	n, nothing := v.worstCount()
	if n == 0 {
		v.text(x, b.at, v.W-x, nothing, InkQuiet)
		return
	}
	of := "in this layer"
	if v.all {
		of = "in all layers"
	}
	first, rows := b.at, b.rows
	if v.layout.beside {
		v.text(x, b.at, v.W-x, fmt.Sprintf("worst first, %d %s", n, of), InkQuiet)
		first, rows = b.at+1, b.rows-1
	} else {
		for i, words := range []string{fmt.Sprintf("of %d", n), of} {
			if b.rows > i+1 {
				v.name(b.at+i+1, words, InkQuiet)
			}
		}
	}
	top := max(0, min(v.Worst-rows/2, n-rows))
	for row := 0; row < rows && top+row < n; row++ {
		if v.all {
			v.fixRow(top+row, x, first+row)
			continue
		}
		v.worstRow(v.voice(), top+row, x, first+row)
	}
}

// worstCount is how many rows the list has, and what to say when it has none.
func (v *view) worstCount() (n int, nothing string) {
	voice := v.voice()
	switch {
	case v.all && v.unjudged():
		return len(v.sheet.Fixes), "not all layers are listened to yet"
	case v.all:
		return len(v.sheet.Fixes), "nothing to mend in any layer"
	case voice == nil:
		return 0, ""
	case !voice.Sung:
		return len(voice.worst), "not sung yet: nothing to judge"
	case !voice.Judged:
		return len(voice.worst), "not listened to yet"
	}
	return len(voice.worst), "nothing to mend in this layer"
}

// fixRow is a line of the list of all layers.
func (v *view) fixRow(rank, x, y int) {
	f := v.sheet.Fixes[rank]
	ink := InkPlain
	if rank == v.Worst {
		v.put(x, y, v.glyphs.chosen, InkKey)
		ink = InkChosen
	}
	v.text(x+1, y, 14, f.Layer, InkFinding)
	v.right(x+20, y, 5, fmt.Sprintf("%.0f%%", 100*f.Gain), InkQuiet)
	v.text(x+21, y, v.W-x-22, f.Words, ink)
}

func (v *view) worstRow(voice *voice, rank, x, y int) {
	f := voice.Findings[voice.worst[rank]]
	ink := InkPlain
	if rank == v.Worst {
		v.put(x, y, v.glyphs.chosen, InkKey)
		ink = InkChosen
	}
	v.put(x+1, y, v.glyphs.mark(f.Kind), InkFinding)
	kind := v.text(x+3, y, 10, f.Kind, InkFinding)
	at := v.text(max(kind+1, x+9), y, 12, "f"+itoa(v.sheet.nearestFrame(f.Sample)), InkQuiet)
	words := max(at+1, x+16)
	v.text(words, y, v.W-words-1, f.Words, ink)
}
