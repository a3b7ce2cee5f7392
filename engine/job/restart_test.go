package job

import (
	"os"
	"testing"

	"cuechoir/engine/score"
)

// What is decided of takes is undone and redone by a program that was started anew,
// to the letter of the document, step by step, and the sound that is heard follows.
func TestDecisionsOfTakesAreUndoneAfterARestart(t *testing.T) {
	f, sounds := sungScore(t)
	addTake(t, f, sounds[0], 0)
	read := func() string {
		text, err := os.ReadFile(f.Path(score.FileName))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	restart := func() {
		f.Close()
		again, err := score.Open(f.Dir)
		if err != nil {
			t.Fatal(err)
		}
		*f = *again
	}
	steps := []struct {
		name string
		do   func() error
	}{
		{"use", func() error { return UseTake(f, "alto", "001") }},
		{"rate", func() error { _, err := RateTake(f, "alto", "002", 5); return err }},
		{"note", func() error { _, err := NoteTake(f, "alto", "002", "warm"); return err }},
		{"nudge", func() error { _, err := NudgeTake(f, "alto", "001", "+480"); return err }},
		{"comp", func() error {
			_, err := SetComp(f, CompWish{Layer: "alto", Take: "002", From: 48_000, To: 96_000})
			return err
		}},
		{"clear", func() error { _, err := ClearComp(f, "alto"); return err }},
	}
	texts := []string{read()}
	for _, s := range steps {
		if err := s.do(); err != nil {
			t.Fatalf("%s: %v", s.name, err)
		}
		restart()
		if texts = append(texts, read()); texts[len(texts)-1] == texts[len(texts)-2] {
			t.Fatalf("%s changed nothing", s.name)
		}
	}
	for i := len(steps) - 1; i >= 0; i-- {
		if _, _, err := f.Undo(1); err != nil {
			t.Fatal(err)
		}
		if restart(); read() != texts[i] {
			t.Errorf("%s was not undone to the letter", steps[i].name)
		}
	}
	for i, s := range steps {
		if _, _, err := f.Redo(1); err != nil {
			t.Fatal(err)
		}
		if restart(); read() != texts[i+1] {
			t.Errorf("%s was not redone to the letter", s.name)
		}
		if s.name == "nudge" {
			if snd, _ := soundNow(t, f); snd.takes[0].Start != 480 {
				t.Errorf("the take is heard from sample %d, nudged by 480", snd.takes[0].Start)
			}
		}
	}
}
