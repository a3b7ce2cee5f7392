package score

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"

	"cuechoir/internal/fault"
)

func TestDamagedHistoryIsTold(t *testing.T) {
	f := makeFolder(t)
	for _, x := range []string{"one", "two"} {
		if err := retitle(f, x); err != nil {
			t.Fatal(err)
		}
	}
	two := readDoc(t, f)
	name := f.Path(textName(hashOf(titled(t, "one"))))
	os.WriteFile(name, titled(t, "two"), 0o666)
	if err := f.VerifyHistory(); fault.KindOf(err) != fault.Malformed {
		t.Errorf("verify: %v", err)
	}
	if _, _, err := f.Undo(1); fault.KindOf(err) != fault.Malformed || !bytes.Equal(readDoc(t, f), two) {
		t.Errorf("a changed text: %v", err)
	}
	os.Remove(name)
	if _, _, err := f.Undo(1); fault.KindOf(err) != fault.Missing || !bytes.Equal(readDoc(t, f), two) {
		t.Errorf("a text that is gone: %v", err)
	}
	if _, _, err := f.Undo(2); err != nil {
		t.Errorf("past the text that is gone: %v", err)
	}
	log := f.Path(journalName)
	good, _ := os.ReadFile(log)
	os.WriteFile(log, append([]byte("{\"did\":\"fly\"}\n"), good...), 0o666)
	err := retitle(f, "three")
	if fault.KindOf(err) != fault.Malformed || !strings.Contains(err.Error(), "line 1") || !strings.Contains(err.Error(), journalName) {
		t.Errorf("a broken journal: %v", err)
	}
	os.RemoveAll(f.Path(HistoryDir))
	if err := retitle(f, "three"); err != nil {
		t.Errorf("without its history the score cannot be edited: %v", err)
	}
}

// What should be the history and is none is told at once: a folder, a pipe, a
// link that leads out.
func TestHistoryThatIsNoFile(t *testing.T) {
	for name, put := range map[string]func(f *Folder) error{
		"a folder":          func(f *Folder) error { return os.MkdirAll(f.Path(journalName), 0o777) },
		"a file for folder": func(f *Folder) error { return os.WriteFile(f.Path(HistoryDir), nil, 0o666) },
		"a link out": func(f *Folder) error {
			return errors.Join(os.Mkdir(f.Path(HistoryDir), 0o777), os.Symlink("/etc/passwd", f.Path(journalName)))
		},
		"a folder out": func(f *Folder) error { return os.Symlink(t.TempDir(), f.Path(HistoryDir)) },
		"a pipe": func(f *Folder) error {
			return errors.Join(os.Mkdir(f.Path(HistoryDir), 0o777), makePipe(f.Path(journalName)))
		},
	} {
		f := makeFolder(t)
		if err := put(f); err != nil {
			t.Logf("%s: cannot be made here: %v", name, err)
			continue
		}
		before := readDoc(t, f)
		err := retitle(f, "x")
		if kind := fault.KindOf(err); kind != fault.Malformed || err == nil || !bytes.Equal(readDoc(t, f), before) {
			t.Errorf("%s: %v (%v)", name, err, kind)
		}
	}
}
