package tui

import (
	"strings"

	"cuechoir/internal/fault"
)

// Stage is one of the six rooms that the work walks through.
type Stage int

const (
	Spot Stage = iota
	Map
	Sing
	Check
	Mix
	Bounce
	stageCount
)

// Word is the stage's name.
func (s Stage) Word() string {
	return [inDials + 1]string{"Spot", "Map", "Sing", "Check", "Mix", "Bounce", "Dials"}[s]
}

// stages is the walk, with the key of each.
func stages() []Stage { return []Stage{Spot, Map, Sing, Check, Mix, Bounce} }

// walk draws the six stages as a strip of six frames; the one on the screen is
// lit, and told from the others without colour by its brackets.
func (v *view) walk(end int) int {
	width := 0
	for _, st := range stages() {
		width += len(st.Word()) + 3
	}
	x := end - width
	for i, st := range stages() {
		word, ink := st.Word(), InkQuiet
		left, right := ' ', ' '
		if st == v.Stage {
			ink, left, right = InkGate, '[', ']'
		}
		v.put(x, 0, rune('1'+i), InkKey)
		v.put(x+1, 0, left, ink)
		v.text(x+2, 0, len(word), word, ink)
		v.put(x+2+len(word), 0, right, ink)
		x += len(word) + 3
	}
	return end - width
}

// goTo goes to another stage. What a stage shows first it wishes for.
func (s *State) goTo(st Stage) {
	s.Stage, s.dial.open = st, false
	if s.run.busy() && s.run.wish.Do != DoReady {
		return
	}
	switch {
	case (st == Check || st == Bounce) && s.unjudged():
		s.wish(Wish{Do: DoCheck})
	case st == Mix && s.mix == nil && s.sheet.sung > 0:
		s.wish(Wish{Do: DoMeasure})
	}
}

// unjudged reports a layer that is sung and was not listened to.
func (s *State) unjudged() bool {
	for i := range s.sheet.layers {
		if l := &s.sheet.layers[i]; l.Sung && !l.Judged {
			return true
		}
	}
	return false
}

// stageAt is the stage whose name stands at a place of the screen.
func (s *State) stageAt(x, y int) (Stage, bool) {
	if y != 0 || s.Width < walkFrom {
		return 0, false
	}
	at := s.Width - 1
	for i := len(stages()) - 1; i >= 0; i-- {
		from := at - len(stages()[i].Word()) - 3
		if x >= from && x < at {
			return stages()[i], true
		}
		at = from
	}
	return 0, false
}

// ParseStage reads a stage by its name, in any case. Errors: Usage.
func ParseStage(word string) (Stage, error) {
	for _, st := range stages() {
		if strings.EqualFold(word, st.Word()) {
			return st, nil
		}
	}
	return 0, fault.New(fault.Usage, "%q is no stage", word).Mended("choose spot, map, sing, check, mix or bounce")
}
