package part

import (
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

func q(num, den int64) timecode.Ratio { return timecode.R(num, den) }

// Middle C is C4 = 60 and A4 = 69 (the convention of this program).
func TestPitchNames(t *testing.T) {
	for s, want := range map[string]uint8{"C-1": 0, "C4": 60, "A4": 69, "G9": 127, "C#4": 61, "Db4": 61, "d♭4": 61, "f♯5": 78, "B#3": 60,
		"Cb4": 59, "Bb3": 58, "bb3": 58, "a0": 21, "Ebb4": 62, "F##4": 67} {
		if got, err := ParseKey(s); err != nil || got != want {
			t.Errorf("%q is %d, %v, want %d", s, got, err, want)
		}
	}
	for _, s := range []string{"", "A", "4", "H4", "A4.5", "A+4", "A10", "G#9", "Cb-1", "A-2", "A###4", "A 4", "♯4", "Aé4", "x"} {
		if got, err := ParseKey(s); err == nil {
			t.Errorf("%q read as %d", s, got)
		}
	}
	for k := range uint8(128) {
		if got, err := ParseKey(KeyName(k)); err != nil || got != k {
			t.Errorf("%d -> %s -> %d, %v", k, KeyName(k), got, err)
		}
	}
}

func TestNoteText(t *testing.T) {
	for s, want := range map[string]Note{
		"1/2 1 A4 ah":           {Start: q(1, 2), Length: q(1, 1), Key: 69, Lyric: "ah"},
		"0 0.25 x":              {Start: q(0, 1), Length: q(1, 4), Unpitched: true},
		" -4\t2/3  Eb5  oh my ": {Start: q(-4, 1), Length: q(2, 3), Key: 75, Lyric: "oh my"},
		"7 1 X tk":              {Start: q(7, 1), Length: q(1, 1), Unpitched: true, Lyric: "tk"},
		"0 1 C4 x":              {Start: q(0, 1), Length: q(1, 1), Key: 60, Lyric: "x"},
	} {
		if got, err := ParseNote(s); err != nil || got != want {
			t.Errorf("%q is %+v, %v, want %+v", s, got, err, want)
		}
	}
	for s, kind := range map[string]fault.Kind{"": fault.Malformed, "1": fault.Malformed, "1 2": fault.Malformed, "a 1 A4": fault.Malformed,
		"1 0 A4": fault.Malformed, "1 -1 A4": fault.Malformed, "1 1 Q4": fault.Malformed, "1 1 A4 a\x00b": fault.Malformed, "1 1 A4 \xff": fault.Malformed,
		"9999999 1 A4": fault.OverLimit, "1/9999999 1 A4": fault.OverLimit, "0 1 A4 " + strings.Repeat("a", 300): fault.OverLimit} {
		if got, err := ParseNote(s); err == nil || fault.KindOf(err) != kind {
			t.Errorf("%q read as %+v, %v, want %v", s, got, err, kind)
		}
	}
}

func TestPartIsOneLine(t *testing.T) {
	a, b := Note{Start: q(0, 1), Length: q(1, 1), Key: 60}, Note{Start: q(1, 1), Length: q(1, 2), Key: 62}
	ok := Part{Name: "alto", Notes: []Note{a, b}}
	if err := ok.Validate(); err != nil {
		t.Error(err)
	}
	over := b
	over.Start = q(99, 100)
	for name, p := range map[string]Part{"order": {Notes: []Note{b, a}}, "over each other": {Notes: []Note{a, over}}, "name": {Name: "a\nb"},
		"no length": {Notes: []Note{{}}}, "key": {Notes: []Note{{Length: q(1, 1), Key: 128}}}, "unpitched key": {Notes: []Note{{Length: q(1, 1), Key: 1, Unpitched: true}}}} {
		if p.Validate() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	far := Note{Start: q(32748*maxQuarters/32749, 1).Add(q(1, 32749)), Length: q(1, 32719), Key: 60} // the finest and furthest
	if err := (Part{Notes: []Note{far, {Start: q(maxQuarters, 1), Length: q(1, 1)}}}).Validate(); err != nil {
		t.Error(err)
	}
	for quarter, want := range map[timecode.Ratio]int{q(-1, 8): -1, q(0, 1): 0, q(99, 100): 0, q(1, 1): 1, q(3, 2): -1} {
		if got := ok.At(quarter); got != want {
			t.Errorf("at quarter %s sounds note %d, want %d", quarter, got, want)
		}
	}
	if lo, hi, any := ok.Range(); lo != 60 || hi != 62 || !any {
		t.Errorf("range %d to %d", lo, hi)
	}
}

func randomNote(t *rapid.T, start timecode.Ratio) Note {
	n := Note{Start: start, Length: q(rapid.Int64Range(1, 64).Draw(t, "num"), rapid.SampledFrom([]int64{1, 2, 3, 4, 5, 6, 7, 8, 12, 16}).Draw(t, "den")),
		Lyric: rapid.SampledFrom([]string{"", "ah", "glo-", "ri a", "été", "x", "1/2"}).Draw(t, "lyric")}
	if n.Unpitched = rapid.IntRange(0, 5).Draw(t, "pitched") == 0; !n.Unpitched {
		n.Key = rapid.Uint8Range(0, 127).Draw(t, "key")
	}
	return n
}

func TestNoteTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := randomNote(t, q(rapid.Int64Range(-500, 500).Draw(t, "start"), 7))
		if back, err := ParseNote(n.String()); err != nil || back != n {
			t.Fatalf("%q -> %+v, %v", n, back, err)
		}
	})
}

func FuzzParseNote(f *testing.F) {
	for _, s := range []string{"1/2 1 A4 ah", "0 0.25 x", "-4 2/3 Eb5 oh my", "0 1 C-1", "1 1 A♭4 \u2028", "1//2 1 A4", "1e9 1 A4", "0x1 1 A4", "1 1 A4  "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		n, err := ParseNote(s)
		if err != nil {
			return
		}
		if err := n.Validate(); err != nil {
			t.Fatalf("%q read as a bad note: %v", s, err)
		}
		if back, err := ParseNote(n.String()); err != nil || back != n {
			t.Fatalf("%q -> %q -> %+v, %v", s, n, back, err)
		}
	})
}
