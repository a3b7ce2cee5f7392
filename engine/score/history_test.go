package score

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

// unsynced is the disk without flushing, for tests that make many edits.
type unsynced struct{ disk }

func (unsynced) sync(*os.File) error            { return nil }
func (unsynced) syncDir(*os.Root, string) error { return nil }

func readDoc(t rapid.TB, f *Folder) []byte {
	t.Helper()
	data, err := os.ReadFile(f.Path(FileName))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func titled(t rapid.TB, title string) []byte {
	s := sample()
	s.Title = title
	data, err := Encode(s)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func retitle(f *Folder, title string) error {
	_, err := f.Edit("title "+title, func(s *Score) error { s.Title = title; return nil })
	return err
}

// model is what a history should be: texts, which is current, and labels.
type model struct {
	texts  [][]byte
	labels []string
	at     int
}

func (m *model) edit(text []byte, label string) {
	if bytes.Equal(text, m.texts[m.at]) {
		return
	}
	m.texts = append(m.texts[:m.at+1], text)
	m.labels = append(m.labels[:m.at], label)
	m.at++
}

func (m *model) title() string {
	s, err := Decode(m.texts[m.at], FileName)
	if err != nil {
		return ""
	}
	return s.Title
}

func (m *model) compare(t rapid.TB, f *Folder) {
	t.Helper()
	if got := readDoc(t, f); !bytes.Equal(got, m.texts[m.at]) {
		t.Fatalf("the document is\n%s\nwant\n%s", got, m.texts[m.at])
	}
	h, err := f.History()
	if err != nil {
		t.Fatal(err)
	}
	if h.Undoes != m.at || h.Redoes != len(m.texts)-1-m.at || len(h.Steps) != len(m.labels) {
		t.Fatalf("%d undoes, %d redoes, %d steps, want %d, %d, %d", h.Undoes, h.Redoes, len(h.Steps), m.at, len(m.texts)-1-m.at, len(m.labels))
	}
	for i, s := range h.Steps {
		if s.Label != m.labels[i] || s.Undone != (i >= m.at) || s.Outside != (s.Label == outsideLabel) {
			t.Fatalf("step %d is %+v, want %q", i, s, m.labels[i])
		}
	}
}

// Any sequence of edits, undos, redos, edits outside the program and restarts
// is what a list of texts with a finger on it is.
func TestHistoryIsAListOfTexts(t *testing.T) {
	if raceBuild { // each file operation costs many times as much
		was := flag.Lookup("rapid.checks").Value.String()
		flag.Set("rapid.checks", "15")
		defer flag.Set("rapid.checks", was)
	}
	parent := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp(parent, "")
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, FileName), titled(t, "new"), 0o666); err != nil {
			t.Fatal(err)
		}
		var f *Folder
		open := func() {
			if f, err = Open(dir); err != nil {
				t.Fatal(err)
			}
			f.disk = unsynced{}
		}
		open()
		defer func() { f.Close() }()
		m := &model{texts: [][]byte{readDoc(t, f)}} // the history begins with the first edit
		if err := retitle(f, "begun"); err != nil {
			t.Fatal(err)
		}
		m.edit(titled(t, "begun"), "title begun")
		title := rapid.SampledFrom([]string{"a", "b", "c", "d"})
		t.Repeat(map[string]func(*rapid.T){
			"edit": func(t *rapid.T) {
				x := title.Draw(t, "title")
				if err := retitle(f, x); err != nil {
					t.Fatal(err)
				}
				if m.title() != x { // else nothing changes, and nothing is written
					m.edit(titled(t, x), "title "+x)
				}
			},
			"outside": func(t *rapid.T) {
				text := append(titled(t, title.Draw(t, "title")), "\n# by hand\n"...)
				if err := os.WriteFile(f.Path(FileName), text, 0o666); err != nil {
					t.Fatal(err)
				}
				if bytes.Equal(text, m.texts[m.at]) {
					return
				}
				m.edit(text, outsideLabel)
				m.compare(t, f)
				if rapid.Bool().Draw(t, "undo it") { // a second edit outside would come as one with the first
					if _, _, err := f.Undo(1); err != nil {
						t.Fatal(err)
					}
					m.at--
				} else if err := retitle(f, "seen"); err != nil {
					t.Fatal(err)
				} else {
					m.edit(titled(t, "seen"), "title seen")
				}
			},
			"undo": func(t *rapid.T) {
				n := rapid.IntRange(1, 4).Draw(t, "n")
				_, steps, err := f.Undo(n)
				if n > m.at {
					if fault.KindOf(err) != fault.Missing {
						t.Fatalf("undo of %d of %d: %v", n, m.at, err)
					}
					return
				}
				if err != nil || len(steps) != n || steps[0].Label != m.labels[m.at-1] {
					t.Fatalf("undo of %d: %v, %v", n, err, steps)
				}
				m.at -= n
			},
			"redo": func(t *rapid.T) {
				n := rapid.IntRange(1, 4).Draw(t, "n")
				_, steps, err := f.Redo(n)
				if n > len(m.texts)-1-m.at {
					if fault.KindOf(err) != fault.Missing {
						t.Fatalf("redo of %d: %v", n, err)
					}
					return
				}
				if err != nil || len(steps) != n || steps[0].Label != m.labels[m.at] {
					t.Fatalf("redo of %d: %v, %v", n, err, steps)
				}
				m.at += n
			},
			"restart": func(*rapid.T) { f.Close(); open() },
			"":        func(t *rapid.T) { m.compare(t, f) },
		})
	})
}

func TestOutsideEditIsAStep(t *testing.T) {
	f := makeFolder(t)
	first := readDoc(t, f)
	if err := retitle(f, "one"); err != nil {
		t.Fatal(err)
	}
	broken := []byte("version = 1\ntitle = 'half a th")
	os.WriteFile(f.Path(FileName), broken, 0o666)
	if err := retitle(f, "two"); fault.KindOf(err) != fault.Malformed {
		t.Fatalf("an edit of a broken document: %v", err)
	}
	if h, err := f.History(); err != nil || h.Undoes != 2 || !h.Steps[1].Outside {
		t.Fatalf("%+v, %v", h, err)
	}
	if _, steps, err := f.Undo(1); err != nil || !steps[0].Outside || !bytes.Equal(readDoc(t, f), titled(t, "one")) {
		t.Fatalf("the broken text could not be taken back: %v", err)
	}
	if _, _, err := f.Redo(1); fault.KindOf(err) != fault.Malformed || !strings.Contains(err.Error(), hashOf(broken)) {
		t.Errorf("redo of a broken text: %v, want an error that says where it lies", err)
	}
	if kept, _ := os.ReadFile(f.Path(textName(hashOf(broken)))); !bytes.Equal(kept, broken) {
		t.Error("the broken text was lost")
	}
	if _, _, err := f.Undo(1); err != nil || !bytes.Equal(readDoc(t, f), first) {
		t.Errorf("undo to the beginning: %v", err)
	}
}

// Somebody saves the file in an editor while a long edit runs.
func TestOutsideEditDuringAnEdit(t *testing.T) {
	f := makeFolder(t)
	if err := retitle(f, "one"); err != nil {
		t.Fatal(err)
	}
	outside := titled(t, "theirs")
	_, err := f.Edit("mine", func(s *Score) error {
		s.Title = "mine"
		return os.WriteFile(f.Path(FileName), outside, 0o666)
	})
	if fault.KindOf(err) != fault.Conflict || !bytes.Equal(readDoc(t, f), outside) {
		t.Fatalf("%v, the document is %s", err, readDoc(t, f))
	}
	h, err := f.History()
	if err != nil || len(h.Steps) != 2 || !h.Steps[1].Outside {
		t.Errorf("%+v, %v", h, err)
	}
}

func TestHistoryIsBounded(t *testing.T) {
	size := int64(len(titled(t, "00")))
	for _, c := range []struct {
		steps       int
		bytes       int64
		least, most int
	}{{10, 1 << 30, 9, 10}, {1000, 10 * size, 7, 9}, {1000, 1, 1, 1}} {
		f := makeFolder(t)
		f.disk, f.maxSteps, f.maxBytes = unsynced{}, c.steps, c.bytes
		for n := range 50 {
			if err := retitle(f, fmt.Sprintf("%02d", n)); err != nil {
				t.Fatal(err)
			}
		}
		h, err := f.History()
		if err != nil || h.Undoes < c.least || h.Undoes > c.most {
			t.Fatalf("%d steps, %v, want %d to %d", h.Undoes, err, c.least, c.most)
		}
		files, _ := filepath.Glob(f.Path(HistoryDir + "/*.toml"))
		if len(files) != h.Undoes+1 {
			t.Errorf("%d texts for %d steps", len(files), h.Undoes)
		}
		if _, _, err := f.Undo(h.Undoes); err != nil || !bytes.Equal(readDoc(t, f), titled(t, fmt.Sprintf("%02d", 49-h.Undoes))) {
			t.Errorf("back to the oldest: %v", err)
		}
	}
}

// A reader beside an editor never takes the edits of the program for a hand's.
func TestHistoryBesideAnEditor(t *testing.T) {
	f := makeFolder(t)
	f.disk = unsynced{}
	done := make(chan error)
	go func() {
		var err error
		for n := 0; n < 60 && err == nil; n++ {
			err = retitle(f, fmt.Sprint(n))
		}
		done <- err
	}()
	g, err := Open(f.Dir)
	if err != nil {
		t.Fatal(err)
	}
	defer g.Close()
	for {
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
			return
		default:
		}
		h, err := g.History()
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range h.Steps {
			if s.Outside {
				t.Fatalf("%+v", h)
			}
		}
	}
}

func TestNothingIsWrittenWhenNothingChanges(t *testing.T) {
	f := makeFolder(t)
	byHand := append(readDoc(t, f), "# a remark\n"...)
	os.WriteFile(f.Path(FileName), byHand, 0o666)
	if _, err := f.Edit("nothing", func(*Score) error { return nil }); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(f.Path(HistoryDir)); !errors.Is(err, os.ErrNotExist) || !bytes.Equal(readDoc(t, f), byHand) {
		t.Errorf("something was written: %v", err)
	}
	if _, _, err := f.Undo(1); fault.KindOf(err) != fault.Missing {
		t.Errorf("undo without a history: %v", err)
	}
}

func TestLabelsAreClean(t *testing.T) {
	f := makeFolder(t)
	label := "cuts \x1b[2Jimported\nfrom \u202e" + strings.Repeat("ü", 200)
	if _, err := f.Edit(label, func(s *Score) error { s.Title = "x"; return nil }); err != nil {
		t.Fatal(err)
	}
	h, err := f.History()
	if err != nil || checkText(h.Steps[0].Label, maxLabelLen) != nil || !strings.HasPrefix(h.Steps[0].Label, "cuts  [2Jimported from") {
		t.Errorf("%v, %q", err, h.Steps[0].Label)
	}
}

func TestUndoTouchesTheDocumentAlone(t *testing.T) {
	f := makeFolder(t)
	for _, name := range []string{"takes/a.wav", "bounces/stem.wav", "reference/sound.wav"} {
		os.WriteFile(f.Path(name), []byte(name), 0o666)
	}
	if err := retitle(f, "one"); err != nil {
		t.Fatal(err)
	}
	if _, _, err := f.Undo(1); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"takes/a.wav", "bounces/stem.wav", "reference/sound.wav"} {
		if got, _ := os.ReadFile(f.Path(name)); string(got) != name {
			t.Errorf("%s was touched", name)
		}
	}
}
