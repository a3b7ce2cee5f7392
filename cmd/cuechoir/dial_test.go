package main

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
)

// shellSplit takes a command line apart as a shell does, as far as quotes go.
func shellSplit(line string) (words []string) {
	word, quoted, any := "", false, false
	for i := 0; i < len(line); i++ {
		switch c := line[i]; {
		case c == '\'':
			quoted, any = !quoted, true
		case c == '\\' && !quoted:
			i++
			word += string(line[i])
		case c == ' ' && !quoted:
			if any || word != "" {
				words = append(words, word)
			}
			word, any = "", false
		default:
			word += string(c)
		}
	}
	if any || word != "" {
		words = append(words, word)
	}
	return words
}

// sameByCommand does a thing to one copy of a score, and runs a command on
// another: both documents must be the same to the letter.
func sameByCommand(t *testing.T, base string, args []string, do func(*score.Folder) error) {
	t.Helper()
	var texts [2][]byte
	for i := range texts {
		dir := filepath.Join(t.TempDir(), "copy")
		if err := os.CopyFS(dir, os.DirFS(base)); err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			f, err := score.Open(dir)
			if err != nil {
				t.Fatal(err)
			}
			if err := do(f); err != nil {
				t.Errorf("%v: %v", args, err)
			}
			f.Close()
		} else {
			command(t, append([]string{"-s", dir}, args...)...)
		}
		var err error
		if texts[i], err = os.ReadFile(filepath.Join(dir, score.FileName)); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(texts[0], texts[1]) {
		t.Errorf("the screen and %v differ:\n%s\n---\n%s", args, texts[0], texts[1])
	}
}

// What a key sets at the screen, the command that the screen shows sets too.
func TestDialsAndCommandsDoTheSame(t *testing.T) {
	base := filepath.Join(t.TempDir(), "score")
	voice := lostScore(t, base, 4) // with a layer a
	command(t, "-s", base, "layer", "set", "a", "--group", "choir")
	command(t, "-s", base, "sing", "a", "--input", voice)
	for of, list := range map[job.DialOf][]string{ // dials and their texts in turn
		{Layer: "a"}: {"retune", "amount=80 speed_ms=90", "retime", "to=hits amount=50", "retune", "off", "colour", "low-brass",
			"colour", "drive 6 dB; lowpass 900 Hz", "colour", "off", "trim", "db=-3", "compressor", "threshold_db=-20 ratio=4", "compressor", "off",
			"room", "db=-12", "echo", "-9", "room", "off"},
		{Group: "choir"}: {"eq-low", "hz=110 db=2", "de-ess", "threshold_db=-30", "de-ess", "off", "room", "db=-9", "room", "off"},
		{}: {"room", "seconds=2.5 pre_delay_ms=20", "room", "off", "echo", "ms=420", "ride", "a depth_db=12", "ride", "off", "limit", "on", "limit", "off",
			"colour", "old-optical", "colour", "academy; gain -2 dB", "colour", "off", "compressor", "threshold_db=-16 ratio=1.5", "eq-high", "off"},
	} {
		for i := 0; i < len(list); i += 2 {
			name, text := list[i], list[i+1]
			sameByCommand(t, base, shellSplit(job.DialCommand(of, name, text))[1:], func(f *score.Folder) error {
				return job.SetDial(t.Context(), f, of, name, text, job.Stretch{})
			})
		}
	}
}

// The same of what keys do to bars of the map.
func TestBarKeysAndCommandsDoTheSame(t *testing.T) {
	base := filepath.Join(t.TempDir(), "score")
	lostScore(t, base, 12)
	command(t, "-s", base, "map", "--tempo", "120")
	for line, do := range map[string]func(f *score.Folder) (string, error){
		"map metre 2 3 3/4":      func(f *score.Folder) (string, error) { return job.ChangeBars(f, job.BarsMetre, 2, 3, " 3/4 ") },
		"map scale 2 2 --bpm 96": func(f *score.Folder) (string, error) { return job.ChangeBars(f, job.BarsTempo, 2, 2, "96") },
		"map bar insert 3":       func(f *score.Folder) (string, error) { return job.ChangeBars(f, job.BarsInsert, 3, 3, "") },
		"map bar delete 2 3":     func(f *score.Folder) (string, error) { return job.ChangeBars(f, job.BarsDelete, 2, 3, "") },
		"map hold 1.2 12":        func(f *score.Folder) (string, error) { return job.HoldNearest(f, 13, "12") },
	} {
		sameByCommand(t, base, strings.Fields(line), func(f *score.Folder) error {
			before, err := f.Load()
			if err != nil {
				return err
			}
			said, err := do(f)
			if after, loaded := f.Load(); err == nil && (loaded != nil || said == "" || reflect.DeepEqual(before.Map, after.Map)) {
				t.Errorf("%s: %q, and the map is as it was", line, said)
			}
			return err
		})
	}
	f, err := score.Open(base)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for what, text := range map[string]string{job.BarsMetre: "waltz", job.BarsTempo: "quick", "shine": ""} {
		if _, err := job.ChangeBars(f, what, 1, 1, text); err == nil {
			t.Errorf("%s %q was done", what, text)
		}
	}
	if _, err := job.HoldNearest(f, 3, "long"); err == nil {
		t.Error("a hold of no number was done")
	}
}
