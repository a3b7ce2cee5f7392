package main

import (
	"bytes"
	"os"
	"path/filepath"
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

// What a key sets at the screen, the command that the screen shows sets too: the
// document is the same to the letter.
func TestDialsAndCommandsDoTheSame(t *testing.T) {
	dir := t.TempDir()
	base := filepath.Join(dir, "score")
	voice := lostScore(t, base, 4)
	must := func(args ...string) {
		t.Helper()
		var said bytes.Buffer
		if code := run(args, strings.NewReader(""), &said, &said); code != 0 {
			t.Fatalf("%v: exit code %d: %s", args, code, &said)
		}
	}
	f, err := score.Open(base)
	if err != nil {
		t.Fatal(err)
	}
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	layer := s.Layers[0].Name
	f.Close()
	must("--score", base, "layer", "set", layer, "--group", "choir")
	must("--score", base, "sing", layer, "--input", voice)
	of := func(o job.DialOf, pairs ...string) (out [][3]string) {
		for i := 0; i < len(pairs); i += 2 {
			out = append(out, [3]string{o.Layer + "/" + o.Group, pairs[i], pairs[i+1]})
		}
		return out
	}
	l, g, w := job.DialOf{Layer: layer}, job.DialOf{Group: "choir"}, job.DialOf{}
	cases := map[job.DialOf][][3]string{
		l: of(l, "retune", "amount=80 speed_ms=90", "retime", "to=hits amount=50", "retune", "off", "colour", "low-brass", "colour", "drive 6 dB; lowpass 900 Hz",
			"colour", "off", "trim", "db=-3", "compressor", "threshold_db=-20 ratio=4", "compressor", "off", "room", "db=-12", "echo", "-9", "room", "off"),
		g: of(g, "eq-low", "hz=110 db=2", "de-ess", "threshold_db=-30", "de-ess", "off", "room", "db=-9", "room", "off"),
		w: of(w, "room", "seconds=2.5 pre_delay_ms=20", "room", "off", "echo", "ms=420", "ride", layer+" depth_db=12", "ride", "off", "limit", "on", "limit", "off",
			"colour", "old-optical", "colour", "academy; gain -2 dB", "colour", "off", "compressor", "threshold_db=-16 ratio=1.5", "eq-high", "off"),
	}
	for o, list := range cases {
		for _, c := range list {
			name, text := c[1], c[2]
			a, b := filepath.Join(t.TempDir(), "a"), filepath.Join(t.TempDir(), "b")
			for _, to := range []string{a, b} {
				if err := os.CopyFS(to, os.DirFS(base)); err != nil {
					t.Fatal(err)
				}
			}
			fa, err := score.Open(a)
			if err != nil {
				t.Fatal(err)
			}
			if err := job.SetDial(t.Context(), fa, o, name, text, job.Stretch{}); err != nil {
				t.Errorf("%v %s %s: %v", o, name, text, err)
			}
			fa.Close()
			line := job.DialCommand(o, name, text)
			args := shellSplit(line)
			must(append([]string{"--score", b}, args[1:]...)...)
			x, err := os.ReadFile(filepath.Join(a, score.FileName))
			if err != nil {
				t.Fatal(err)
			}
			y, err := os.ReadFile(filepath.Join(b, score.FileName))
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(x, y) {
				t.Errorf("%v %s %q: the screen and %s differ:\n%s\n---\n%s", o, name, text, line, x, y)
			}
		}
	}
}

// The same of what keys do to bars of the map.
func TestBarKeysAndCommandsDoTheSame(t *testing.T) {
	base := filepath.Join(t.TempDir(), "score")
	lostScore(t, base, 12)
	command(t, "-s", base, "map", "--tempo", "120")
	before, err := os.ReadFile(filepath.Join(base, score.FileName))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		do   func(f *score.Folder) (string, error)
		args []string
	}{
		{func(f *score.Folder) (string, error) { return job.ChangeBars(f, job.BarsMetre, 2, 3, " 3/4 ") }, []string{"metre", "2", "3", "3/4"}},
		{func(f *score.Folder) (string, error) { return job.ChangeBars(f, job.BarsTempo, 2, 2, "96") }, []string{"scale", "2", "2", "--bpm", "96"}},
		{func(f *score.Folder) (string, error) { return job.ChangeBars(f, job.BarsInsert, 3, 3, "") }, []string{"bar", "insert", "3"}},
		{func(f *score.Folder) (string, error) { return job.ChangeBars(f, job.BarsDelete, 2, 3, "") }, []string{"bar", "delete", "2", "3"}},
		{func(f *score.Folder) (string, error) { return job.HoldNearest(f, 13, "12") }, []string{"hold", "1.2", "12"}},
	} {
		a, b := filepath.Join(t.TempDir(), "a"), filepath.Join(t.TempDir(), "b")
		for _, to := range []string{a, b} {
			if err := os.CopyFS(to, os.DirFS(base)); err != nil {
				t.Fatal(err)
			}
		}
		f, err := score.Open(a)
		if err != nil {
			t.Fatal(err)
		}
		said, err := c.do(f)
		f.Close()
		if err != nil || said == "" {
			t.Errorf("%v: %q, %v", c.args, said, err)
		}
		command(t, append([]string{"-s", b, "map"}, c.args...)...)
		x, _ := os.ReadFile(filepath.Join(a, score.FileName))
		y, _ := os.ReadFile(filepath.Join(b, score.FileName))
		if len(x) == 0 || !bytes.Equal(x, y) || bytes.Equal(x, before) {
			t.Errorf("%v: the screen and the command differ, or nothing changed", c.args)
		}
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
