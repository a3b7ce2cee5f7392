package compass

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"cuechoir/engine/part"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

func notes(t *testing.T, keys ...string) []part.Note {
	t.Helper()
	var out []part.Note
	for i, k := range keys {
		n := part.Note{Start: timecode.Int(int64(i)), Length: timecode.Int(1)}
		if k == "x" {
			n.Unpitched = true
		} else {
			key, err := part.ParseKey(k)
			if err != nil {
				t.Fatal(err)
			}
			n.Key = key
		}
		out = append(out, n)
	}
	return out
}

// Four notes a bar. The range is A2 to E4.
func TestWherePartsLeave(t *testing.T) {
	r := Range{45, 64}
	bar := func(i int) int { return i/4 + 1 }
	for _, c := range []struct {
		keys  string
		words []string
		whole int
		fits  bool
	}{
		{"A2 C3 E4 A3", nil, 0, true},
		{"A3 G4 A3 x", []string{"bar 1: G4 is 3 semitones above your range; sing it an octave down and let it be raised"}, -1, true},
		{"F4 G4 x A4 A4", []string{
			"bar 1: A4 and 3 notes beside it are, by up to 5 semitones, above your range; sing them an octave down and let them be raised",
			"bar 2: A4 is 5 semitones above your range; sing it an octave down and let it be raised"}, -1, true},
		{"G#2 F4 A3 A3", []string{
			"bar 1: G#2 is 1 semitone below your range; sing it an octave up and let it be lowered",
			"bar 1: F4 is 1 semitone above your range; sing it an octave down and let it be raised"}, 0, false},
		{"F4 A3 F4", []string{
			"bar 1: F4 is 1 semitone above your range; sing it an octave down and let it be raised",
			"bar 1: F4 is 1 semitone above your range; sing it an octave down and let it be raised"}, -1, true},
		{"A5 G1", []string{
			"bar 1: A5 is 17 semitones above your range; sing it 2 octaves down and let it be raised",
			"bar 1: G1 is 14 semitones below your range; sing it 2 octaves up and let it be lowered"}, 0, false},
		{"A2 A3 x x C2 D2 C3", []string{"bar 2: C2 and 1 note beside it are, by up to 9 semitones, below your range; sing them an octave up and let them be lowered"}, 0, false},
	} {
		p := notes(t, strings.Fields(c.keys)...)
		var got []string
		for _, l := range Check(p, r, bar) {
			got = append(got, l.Words())
		}
		if !reflect.DeepEqual(got, c.words) {
			t.Errorf("%s:\n%s\nwant\n%s", c.keys, strings.Join(got, "\n"), strings.Join(c.words, "\n"))
		}
		if by, ok := r.WholeOctaves(p); by != c.whole || ok != c.fits {
			t.Errorf("%s: as a whole by %d octaves, %v", c.keys, by, ok)
		}
	}
	narrow := Range{60, 62}
	l := Check(notes(t, "F4"), narrow, bar)
	if len(l) != 1 || !strings.Contains(l[0].Words(), "leave it to another voice") {
		t.Errorf("%+v", l)
	}
}

func TestStoreKeepsSingers(t *testing.T) {
	s := Store{Path: filepath.Join(t.TempDir(), "deep", "singers.json")}
	if list, err := s.Load(); err != nil || len(list) != 0 {
		t.Fatal(list, err)
	}
	when := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	for _, x := range []Singer{{"me", 45, 64, true, when}, {"Ana", 55, 76, false, when}, {"me", 44, 65, false, when}} {
		if err := s.Put(x); err != nil {
			t.Fatal(err)
		}
	}
	list, err := s.Load()
	if err != nil || len(list) != 2 || list[0].Name != "Ana" || list[1] != (Singer{"me", 44, 65, false, when}) {
		t.Fatalf("%+v %v", list, err)
	}
	if got, ok, err := s.Get("me"); err != nil || !ok || got.Range() != (Range{44, 65}) {
		t.Errorf("%+v %v %v", got, ok, err)
	}
	if ok, err := s.Remove("me"); !ok || err != nil {
		t.Error(ok, err)
	}
	if ok, err := s.Remove("me"); ok || err != nil {
		t.Error(ok, err)
	}
	for _, x := range []Singer{{"", 45, 64, true, when}, {"a\x1b[2J", 45, 64, true, when}, {"me", 64, 45, true, when}, {"me", 45, 200, true, when}} {
		if err := s.Put(x); err == nil {
			t.Errorf("%+v was kept", x)
		}
	}
	if err := os.WriteFile(s.Path, []byte(`{"version": 7}`), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Load(); fault.KindOf(err) != fault.Unsupported {
		t.Error(err)
	}
	if err := s.Put(Singer{"me", 45, 64, true, when}); err == nil {
		t.Error("a file of a newer program was written over")
	}
}

// FuzzSingers: any file gives singers that may stand and can be written back,
// or an error.
func FuzzSingers(f *testing.F) {
	for _, s := range []string{`{"version":1,"singers":[{"name":"me","low":45,"high":64,"measured":true,"when":"2026-01-02T03:04:05Z"}]}`,
		`{"version":1}`, `{"version":2}`, `{"version":1,"singers":[{"name":"","low":300}]}`, `[]`, ``, `{"version":1,"singers":[{"name":"a","low":9,"high":3}]}`,
		`{"version":1,"singers":[{"name":"a"},{"name":"a"}]}`, `{"version":1,"singers":[{"name":"\u202e"}]}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		list, err := parse(text, "singers.json")
		if err != nil {
			return
		}
		back, err := json.Marshal(storeFile{storeVersion, list})
		if err != nil {
			t.Fatal(err)
		}
		again, err := parse(back, "singers.json")
		if err != nil || len(again) != len(list) {
			t.Fatalf("%v: %s", err, back)
		}
	})
}
