package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile/audiotest"
)

// The command that the screen shows for a line of a layer's or a group's sound,
// run on a copy of the score, gives the document that the screen gives.
func TestShownCommandsDoWhatTheScreenDoes(t *testing.T) {
	one := filepath.Join(t.TempDir(), "one")
	cuechoir := func(dir string, args ...string) {
		t.Helper()
		var errw bytes.Buffer
		if code := run(append([]string{"--score", dir}, args...), nil, io.Discard, &errw); code != 0 {
			t.Fatalf("%q ends with %d: %s", args, code, errw.String())
		}
	}
	sound, rate := filepath.Join(t.TempDir(), "guide.wav"), timecode.Rate24
	if err := audiotest.Write(sound, 48000, 24, make([]float32, 48000)); err != nil {
		t.Fatal(err)
	}
	if _, err := job.New(t.Context(), one, job.NewOptions{Reference: sound, Rate: &rate}); err != nil {
		t.Fatal(err)
	}
	cuechoir(one, "layer", "add", "alto", "--group", "choir")
	document := func(dir string) string {
		b, err := os.ReadFile(filepath.Join(dir, score.FileName))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	f, err := score.Open(one)
	if err != nil {
		t.Fatal(err)
	}
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	layer, err := job.LayerLines(s, "alto")
	if err != nil {
		t.Fatal(err)
	}
	group := job.GroupLines(s, "choir")
	f.Close()
	for i, l := range append(layer, group...) {
		dir := filepath.Join(t.TempDir(), "copy")
		if err := os.CopyFS(dir, os.DirFS(one)); err != nil {
			t.Fatal(err)
		}
		w := job.LineWish{Name: "alto", Line: l.Name, By: 1}
		if i >= len(layer) {
			w.Name, w.Group = "choir", true
		}
		if f, err = score.Open(one); err != nil {
			t.Fatal(err)
		}
		if _, err := job.SetLine(f, w); err != nil {
			t.Errorf("%s: %v", l.Name, err)
		}
		if l.Name == "colour" { // off, it shows the list
			if s, err = f.Load(); err != nil {
				t.Fatal(err)
			}
			now, _ := job.LayerLines(s, "alto")
			l.Command = now[0].Command
		}
		f.Close()
		words := strings.Fields(strings.TrimPrefix(l.Command, "cuechoir "))
		if before, quoted, ok := strings.Cut(l.Command, "\""); ok {
			words = append(strings.Fields(strings.TrimPrefix(before, "cuechoir ")), strings.TrimSuffix(quoted, "\""))
		}
		cuechoir(dir, words...)
		if a, b := document(one), document(dir); a != b {
			t.Errorf("%s gives another document than the screen:\n%s\n%s", l.Command, a, b)
		}
	}
}
