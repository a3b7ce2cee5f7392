package tui

import (
	"strings"
	"testing"

	"cuechoir/internal/fault"
)

func TestReadKeys(t *testing.T) {
	k, err := ReadKeys(strings.NewReader("# mine\nmust = m f5 # both\n\nplay = p\nstar =\npin = ctrl-p\ncomp = P\n"), "keys.txt")
	if err != nil {
		t.Fatal(err)
	}
	s := stageOf(t, Spot)
	s.keys = k
	if _, got := wished(s, "f5"); len(got) != 1 || got[0].Do != DoHit {
		t.Errorf("f5: %v", got)
	}
	if _, got := wished(s, "p"); len(got) != 1 || got[0].Do != DoPlay {
		t.Errorf("p: %v", got)
	}
	if after, got := wished(s, "space"); len(got) != 0 || after.News == "" {
		t.Errorf("space still plays: %v", got)
	}
	if s = s.resized(200, 50); !strings.Contains(View(s).String(), " p play ") {
		t.Error("the foot shows the old key")
	}
	s.Stage = Sing
	if _, got := wished(s, "*"); len(got) != 0 {
		t.Errorf("a key that was taken away: %v", got)
	}
	if n := len(k.Lines()); n != len(UsualKeys().Lines()) || n < 60 {
		t.Errorf("%d lines", n)
	}
}

func TestReadKeysRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"must m":                 "line 1",
		"\n\nfly = f":            "line 3",
		"must = mm":              "is no key",
		"must = q":               "would do",
		"out =":                  "no key quits",
		"must = ctrl-1":          "is no key",
		"= m":                    "equals sign",
		strings.Repeat("#", 999): "cannot be read",
	} {
		_, err := ReadKeys(strings.NewReader(text), "keys.txt")
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "keys.txt") {
			t.Errorf("%.20q: %v, want a word of %q", text, err, want)
		}
	}
	if _, err := ReadKeys(strings.NewReader(strings.Repeat("#\n", maxKeyBytes)), "keys.txt"); fault.KindOf(err) != fault.OverLimit {
		t.Errorf("a file that is too long: %v", err)
	}
}

func FuzzReadKeys(f *testing.F) {
	for _, s := range []string{"must = m f5\nplay = p", "# x", "out = q\nkeys = ?", "star =", "a=b=c", "\ufeffmust = ü", "must = \x00"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		k, err := ReadKeys(strings.NewReader(text), "f")
		if err != nil {
			return
		}
		for _, st := range stages() {
			seen := map[string]bool{}
			for _, b := range k.of(st) {
				for _, key := range b.Keys {
					if seen[key] {
						t.Fatalf("%s twice in %s", key, st.Word())
					}
					seen[key] = true
				}
			}
		}
	})
}
