package score

import (
	"fmt"
	"strings"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

// film is a score of 1000 frames with these cuts: "100" is a hard cut found,
// "100!" one by hand, "200-212d" a dissolve (fade-out o, fade-in i, wipe w) whose
// last mixed frame is 211, "x" after it a name.
func film(t rapid.TB, words string) *Score {
	t.Helper()
	s := sample()
	s.Reference.Frames, s.Cuts, s.Withdrawn, s.Hits, s.FirstShot = 1000, cutsOf(t, words), nil, nil, ""
	return s
}

func cutsOf(t rapid.TB, words string) (out []cutlist.Cut) {
	t.Helper()
	kinds := map[byte]cutlist.Kind{'d': cutlist.Dissolve, 'o': cutlist.FadeOut, 'i': cutlist.FadeIn, 'w': cutlist.Wipe}
	for _, w := range strings.Fields(words) {
		c := cutlist.Cut{Kind: cutlist.HardCut, Confidence: 0.9}
		w, c.Name, _ = strings.Cut(w, ":")
		if w, c.Hand = strings.CutSuffix(w, "!"); c.Hand {
			c.Confidence = 1
		}
		if k, ok := kinds[w[len(w)-1]]; ok {
			c.Kind, w = k, w[:len(w)-1]
		}
		n, err := fmt.Sscanf(w, "%d-%d", &c.Frame, &c.End)
		if n == 0 {
			t.Fatalf("%q: %v", w, err)
		}
		if n == 1 {
			c.End = c.Frame
		}
		out = append(out, c)
	}
	return out
}

// wordsOf is the inverse of cutsOf, without confidence.
func wordsOf(cuts []cutlist.Cut) string {
	letters := map[cutlist.Kind]string{cutlist.Dissolve: "d", cutlist.FadeOut: "o", cutlist.FadeIn: "i", cutlist.Wipe: "w"}
	var out []string
	for _, c := range cuts {
		w := fmt.Sprint(c.Frame)
		if c.End != c.Frame {
			w += fmt.Sprintf("-%d%s", c.End, letters[c.Kind])
		}
		if c.Hand {
			w += "!"
		}
		if c.Name != "" {
			w += ":" + c.Name
		}
		out = append(out, w)
	}
	return strings.Join(out, " ")
}

func TestCutEdits(t *testing.T) {
	cases := []struct {
		name, cuts string
		do         func(*Score) error
		want       string // "" with an error
		gone       string
		says       string
	}{
		{"move", "100 200", func(s *Score) error { _, err := s.MoveCut(100, 103); return err }, "103! 200", "100>103", ""},
		{"move twice keeps where it was found", "100", twice(100, 103, 105), "105!", "100>105", ""},
		{"move there and back", "100", twice(100, 103, 100), "100!", "", ""},
		{"move what is by hand", "100!", func(s *Score) error { _, err := s.MoveCut(100, 103); return err }, "103!", "", ""},
		{"move a dissolve with its length", "100-112d", func(s *Score) error { _, err := s.MoveCut(100, 90); return err }, "90-102d!", "100-112>90", ""},
		{"move onto a neighbour", "100 200", func(s *Score) error { _, err := s.MoveCut(100, 200); return err }, "", "", "on or past"},
		{"move past a neighbour", "100 200", func(s *Score) error { _, err := s.MoveCut(200, 99); return err }, "", "", "cuts remove 100"},
		{"move into a dissolve", "100-112d 200", func(s *Score) error { _, err := s.MoveCut(200, 111); return err }, "", "", "overlap the dissolve of the frames 100 to 111"},
		{"move to the end of a dissolve", "100-112d 200", func(s *Score) error { _, err := s.MoveCut(200, 112); return err }, "100-112d 112!", "200>112", ""},
		{"move a dissolve over a cut", "100-112d 115", func(s *Score) error { _, err := s.MoveCut(100, 104); return err }, "", "", "overlap the cut at frame 115"},
		{"move a dissolve beyond the end", "900-912d", func(s *Score) error { _, err := s.MoveCut(900, 995); return err }, "", "", "end 1007"},
		{"move to frame 0", "100", func(s *Score) error { _, err := s.MoveCut(100, 0); return err }, "", "", "no shot comes before"},
		{"move what is not there", "100", func(s *Score) error { _, err := s.MoveCut(101, 105); return err }, "", "", "the nearest is the cut at frame 100"},
		{"a fade-in may begin the film", "5-20i", func(s *Score) error { _, err := s.MoveCut(5, 0); return err }, "0-15i!", "5-20>0", ""},
		{"split", "100", func(s *Score) error { return s.SplitShot(50) }, "50! 100", "", ""},
		{"split at a cut", "100", func(s *Score) error { return s.SplitShot(100) }, "", "", "stands at frame 100 already"},
		{"split inside a dissolve", "100-112d", func(s *Score) error { return s.SplitShot(105) }, "", "", "overlap"},
		{"split at 0", "", func(s *Score) error { return s.SplitShot(0) }, "", "", "from 1 on"},
		{"split beyond the end", "", func(s *Score) error { return s.SplitShot(1000) }, "", "", "outside the reference"},
		{"remove what was found", "100 200", func(s *Score) error { return s.RemoveCut(100) }, "200", "100", ""},
		{"remove what is by hand", "100!", func(s *Score) error { return s.RemoveCut(100) }, "", "", ""},
		{"remove what was moved", "100", func(s *Score) error {
			if _, err := s.MoveCut(100, 110); err != nil {
				return err
			}
			return s.RemoveCut(110)
		}, "", "100", ""},
		{"remove and add again", "100", func(s *Score) error {
			if err := s.RemoveCut(100); err != nil {
				return err
			}
			return s.SplitShot(100)
		}, "100!", "", ""},
		{"join two shots", "100 200", join("s3"), "100", "200", ""},
		{"join over the dark", "100 200-212o 240-250i 300", join("s3"), "100 300", "200-212,240-250", ""},
		{"join by a position", "100 200", join("150"), "200", "100", ""},
		{"join the first", "100", join("s1"), "", "", "no shot before it"},
		{"join what is not there", "100", join("s9"), "", "", "s1 to s2"},
		{"join in the dark", "200-212o 240-250i", join("220"), "", "", "in the dark"},
		{"name", "100 200", name("s2", "door"), "100!:door 200", "", ""},
		{"name by a position", "100 200", name("150", "door"), "100!:door 200", "", ""},
		{"a name that garbles", "100", name("s2", "\x1b[2J"), "", "", "control character"},
		{"kind", "100", func(s *Score) error { return s.ChangeCut(100, cutlist.Dissolve, 112) }, "100-112d!", "", ""},
		{"kind without an end", "100", func(s *Score) error { return s.ChangeCut(100, cutlist.Wipe, 0) }, "", "", "needs an end"},
		{"kind keeps the end", "100-112d", func(s *Score) error { return s.ChangeCut(100, cutlist.Wipe, 0) }, "100-112w!", "", ""},
		{"kind to a hard cut", "100-112d", func(s *Score) error { return s.ChangeCut(100, cutlist.HardCut, 0) }, "100!", "", ""},
		{"an end of a hard cut", "100", func(s *Score) error { return s.ChangeCut(100, cutlist.HardCut, 110) }, "", "", "has no end"},
		{"an end over the next", "100-112d 120", func(s *Score) error { return s.ChangeCut(100, cutlist.Dissolve, 121) }, "", "", "overlap the cut at frame 120"},
		{"an end before its frame", "100-112d", func(s *Score) error { return s.ChangeCut(100, cutlist.Dissolve, 50) }, "", "", "end 50"},
		{"an unknown kind", "100", func(s *Score) error { return s.ChangeCut(100, "wobble", 0) }, "", "", "wobble"},
	}
	for _, c := range cases {
		s := film(t, c.cuts)
		before := fmt.Sprintf("%+v", *s)
		err := c.do(s)
		if c.says != "" {
			if err == nil || !strings.Contains(err.Error(), c.says) || fault.KindOf(err) == fault.Unexpected {
				t.Errorf("%s: %v, want an error that says %q", c.name, err, c.says)
			}
			if got := fmt.Sprintf("%+v", *s); got != before {
				t.Errorf("%s: it was refused, but the score changed", c.name)
			}
			continue
		}
		if err != nil || wordsOf(s.Cuts) != c.want || goneWords(s) != c.gone {
			t.Errorf("%s: %v, %q, gone %q, want %q, %q", c.name, err, wordsOf(s.Cuts), goneWords(s), c.want, c.gone)
		}
		if err := s.Validate(); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func goneWords(s *Score) string {
	var out []string
	for _, w := range s.Withdrawn {
		x := fmt.Sprint(w.Frame)
		if w.End != w.Frame {
			x += fmt.Sprintf("-%d", w.End)
		}
		if w.Moved {
			x += fmt.Sprintf(">%d", w.To)
		}
		out = append(out, x)
	}
	return strings.Join(out, ",")
}

func twice(a, b, c int64) func(*Score) error {
	return func(s *Score) error {
		if _, err := s.MoveCut(a, b); err != nil {
			return err
		}
		_, err := s.MoveCut(b, c)
		return err
	}
}

func join(word string) func(*Score) error {
	return func(s *Score) error {
		x, err := s.Shot(word)
		if err == nil {
			_, err = s.JoinShot(x)
		}
		return err
	}
}

func name(word, name string) func(*Score) error {
	return func(s *Score) error {
		x, err := s.Shot(word)
		if err == nil {
			err = s.NameShot(x, name)
		}
		return err
	}
}

func TestAHitGoesWithItsCut(t *testing.T) {
	s := film(t, "100 200")
	s.Hits = []tempo.Hit{{Frame: 100, Must: true, Lands: "bar", Name: "door"}, {Frame: 104, Lands: "bar"}}
	if hit, err := s.MoveCut(100, 108); err != nil || !hit || s.Hits[0].Frame != 104 || s.Hits[1].Frame != 108 || s.Hits[1].Name != "door" {
		t.Errorf("%v, %v, %+v", hit, err, s.Hits)
	}
	if hit, err := s.MoveCut(108, 104); err != nil || hit || s.Hits[1].Frame != 108 {
		t.Errorf("onto another hit: %v, %v, %+v", hit, err, s.Hits)
	}
}

func TestShots(t *testing.T) {
	for _, c := range []struct{ cuts, want string }{
		{"", "s1:0-999"},
		{"100 200-212d", "s1:0-99 s2:100-199/cut s3:200-999/dissolve"},
		{"100 200-212o 240-250i", "s1:0-99 s2:100-211/cut dark:212-239 s3:240-999/fade-in"},
		{"200-212o 212-220i", "s1:0-211 s2:212-999/fade-in"},
		{"0-10i 100", "s1:0-99/fade-in s2:100-999/cut"},
		{"990-1000o", "s1:0-999"},
	} {
		var got []string
		for _, x := range film(t, c.cuts).Shots() {
			w := x.Word()
			if w == "" {
				w = "dark"
			}
			w += fmt.Sprintf(":%d-%d", x.First, x.Last)
			if x.Begins != "" && x.Number > 0 {
				w += "/" + string(x.Begins)
			}
			got = append(got, w)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: %s, want %s", c.cuts, strings.Join(got, " "), c.want)
		}
	}
}

func TestTheFirstShotHasAName(t *testing.T) {
	for _, cuts := range []string{"100", "0-10i 100"} {
		s := film(t, cuts)
		if err := name("s1", "the quay")(s); err != nil || s.Shots()[0].Name != "the quay" {
			t.Errorf("%s: %v, %+v", cuts, err, s.Shots()[0])
		}
		if err := name("5", "")(s); err != nil || s.Shots()[0].Name != "" {
			t.Errorf("%s: the name stays: %v, %+v", cuts, err, s.Shots()[0])
		}
	}
}
