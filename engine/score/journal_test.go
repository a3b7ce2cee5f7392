package score

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"cuechoir/internal/fault"
)

var (
	hashA = strings.Repeat("a", 64)
	hashB = strings.Repeat("b", 64)
	hashC = strings.Repeat("c", 64)
)

const begun = `{"did":"begin","version":1,"to":"HASHA","bytes":3}` + "\n"

func journalText(s string) []byte {
	return []byte(strings.NewReplacer("HASHA", hashA, "HASHB", hashB, "HASHC", hashC).Replace(s))
}

// Whether the last event without its done happened is told by the document.
func TestJournalSettles(t *testing.T) {
	const (
		done  = `{"did":"done"}` + "\n"
		editB = `{"did":"edit","to":"HASHB","bytes":3,"label":"b"}` + "\n"
		editC = `{"did":"edit","to":"HASHC","bytes":3,"label":"c"}` + "\n"
		undo  = `{"did":"undo","steps":1}` + "\n"
	)
	cases := []struct {
		name, text, document string
		states               []string
		at                   int
		outside              bool
		counts               string // the part of the text that counts
	}{
		{"an edit that happened", begun + editB, hashB, []string{hashA, hashB}, 1, false, begun + editB},
		{"an edit that did not", begun + editB, hashA, []string{hashA}, 0, false, begun},
		{"neither: no text is lost", begun + editB, hashC, []string{hashA, hashB}, 1, true, begun + editB},
		{"done, and then an older text is put back by hand", begun + editB + done, hashA, []string{hashA, hashB}, 1, true, begun + editB + done},
		{"an undo that did not happen", begun + editB + done + undo, hashB, []string{hashA, hashB}, 1, false, begun + editB + done},
		{"an undo that happened", begun + editB + done + undo, hashA, []string{hashA, hashB}, 0, false, begun + editB + done + undo},
		{"an edit after an undo that did not happen: redo is back", begun + editB + done + undo + done + editC, hashA, []string{hashA, hashB}, 0, false, begun + editB + done + undo + done},
		{"an edit after an undo", begun + editB + done + undo + done + editC + done, hashC, []string{hashA, hashC}, 1, false, begun + editB + done + undo + done + editC + done},
		{"a torn line did not happen", begun + editB + done + editC[:30], hashB, []string{hashA, hashB}, 1, false, begun + editB + done},
		{"nothing but a torn line", begun[:20], hashA, nil, 0, false, ""},
	}
	for _, c := range cases {
		j, err := readJournal(journalText(c.text), c.document, "j")
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		var hashes []string
		for _, s := range j.states {
			hashes = append(hashes, s.hash)
		}
		if !reflect.DeepEqual(hashes, c.states) || j.at != c.at || j.outside != c.outside || j.size != int64(len(journalText(c.counts))) {
			t.Errorf("%s: %v at %d, outside %v, %d bytes count; want %v at %d, %v, %d", c.name, hashes, j.at, j.outside, j.size,
				c.states, c.at, c.outside, len(journalText(c.counts)))
		}
	}
}

func TestJournalRefuses(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"no beginning":        {`{"did":"done"}` + "\n", "line 1"},
		"two beginnings":      {begun + begun, "line 2"},
		"newer version":       {strings.Replace(begun, `"version":1`, `"version":2`, 1), "version 2"},
		"climbs out":          {strings.Replace(begun, "HASHA", "../../../etc/passwd", 1), "names no text"},
		"unknown word":        {begun + `{"did":"fly"}` + "\n", "line 2"},
		"unknown key":         {begun + `{"did":"done","x":1}` + "\n", "line 2"},
		"undo too far":        {begun + `{"did":"undo","steps":1}` + "\n", "beyond"},
		"undo backwards":      {begun + `{"did":"undo","steps":-1}` + "\n", "-1 steps"},
		"redo too far":        {begun + `{"did":"redo","steps":9}` + "\n", "beyond"},
		"two events a line":   {begun + `{"did":"done"}{"did":"done"}` + "\n", "behind"},
		"terminal codes":      {begun + `{"did":"edit","to":"HASHB","label":"\u001b[2J"}` + "\n", "control character"},
		"absurd size":         {begun + `{"did":"edit","to":"HASHB","bytes":99999999999}` + "\n", "names no text"},
		"a line without end?": {begun + `{"did":"edit","to":"HASHB","label":"` + strings.Repeat("x", 5000) + "\"}\n", "longer than"},
	} {
		_, err := readJournal(journalText(c.text), hashA, "j")
		if fault.KindOf(err) != fault.Malformed || !strings.Contains(err.Error(), c.says) || strings.ContainsAny(err.Error(), "\x1b\n") {
			t.Errorf("%s: %v, want one that says %q", name, err, c.says)
		}
	}
}

func FuzzJournal(f *testing.F) {
	f.Add(journalText(begun), hashA)
	f.Add(journalText(begun+`{"did":"edit","to":"HASHB","bytes":3,"label":"b","when":"2026-01-02T03:04:05Z"}`+"\n"+`{"did":"done"}`+"\n"+`{"did":"undo","steps":1}`+"\n"), hashB)
	f.Add(journalText(begun+`{"did":"outside","to":"HASHC","bytes":9}`+"\n"+`{"did":"done"}`+"\n"+`{"did":"undo","steps":1}`+"\n"+`{"did":"done"}`+"\n"+`{"did":"redo","steps":1}`+"\n"), hashC)
	f.Add([]byte("\n\n"), "")
	f.Add([]byte("{}"), "x")
	f.Fuzz(func(t *testing.T, data []byte, document string) {
		j, err := readJournal(data, document, "j")
		if err != nil {
			if fault.KindOf(err) != fault.Malformed {
				t.Fatalf("an error without its kind: %v", err)
			}
			return
		}
		if len(j.states) == 0 {
			return
		}
		if j.at < 0 || j.at >= len(j.states) || j.size > int64(len(data)) {
			t.Fatalf("at %d of %d, %d bytes of %d", j.at, len(j.states), j.size, len(data))
		}
		text, err := lines(j.events()...)
		if err != nil {
			t.Skip("a year that JSON cannot say")
		}
		back, err := readJournal(text, j.states[j.at].hash, "j")
		if err != nil || back.at != j.at || len(back.states) != len(j.states) {
			t.Fatalf("%v: %d of %d became %d of %d", err, j.at, len(j.states), back.at, len(back.states))
		}
		for i, s := range j.states {
			b := back.states[i]
			s.when, b.when = s.when.Truncate(time.Second), b.when.Truncate(time.Second)
			if s.hash != b.hash || s.label != b.label && i > 0 || !s.when.Equal(b.when) {
				t.Fatalf("state %d was %+v and is %+v", i, s, b)
			}
		}
	})
}
