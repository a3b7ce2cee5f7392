package score

import (
	"fmt"
	"reflect"
	"slices"
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

func TestMergeFound(t *testing.T) {
	cases := []struct {
		name, old string
		gone      []Withdrawn
		found     string
		want      string
		said      Refound
	}{
		{"nothing by hand: what is found stands", "100 200", nil, "100 204 300", "100 204 300", Refound{Same: 1, Added: 2, Gone: 1}},
		{"by hand stays though not found", "100!", nil, "", "100!", Refound{Kept: 1}},
		{"found 3 frames from one by hand", "100!", nil, "103", "100!", Refound{Kept: 1, LeftOut: 1}},
		{"found 4 frames from one by hand", "100!", nil, "104", "100! 104", Refound{Kept: 1, Added: 1}},
		{"found where one was removed", "", []Withdrawn{{Frame: 100, End: 100}}, "98", "", Refound{LeftOut: 1}},
		{"found where one was moved away", "110!", []Withdrawn{{Frame: 100, End: 100, Moved: true, To: 110}}, "101", "110!", Refound{Kept: 1, LeftOut: 1}},
		{"found inside a dissolve by hand", "100-120d!", nil, "110", "100-120d!", Refound{Kept: 1, LeftOut: 1}},
		{"a dissolve found over a cut by hand", "110!", nil, "100-120d", "110!", Refound{Kept: 1, LeftOut: 1}},
		{"a dissolve found where one was removed", "", []Withdrawn{{Frame: 100, End: 120}}, "106-123d", "", Refound{LeftOut: 1}},
		{"the kind that a person gave stays", "100!", nil, "100-112d", "100!", Refound{Kept: 1, LeftOut: 1}},
		{"a name is by hand", "100:door", nil, "101", "100:door", Refound{Kept: 1, LeftOut: 1}},
		{"a person left both: both stay", "100! 102", nil, "102", "100! 102", Refound{Kept: 1, Same: 1}},
		{"a fade-in was named: its fade-out stays", "100-112o 112-120i:sea!", nil, "100-112o 112-120i", "100-112o 112-120i!:sea", Refound{Kept: 1, Same: 1, LeftOut: 1}},
		{"removed beside one that was left", "103", []Withdrawn{{Frame: 100, End: 100}}, "100 103", "103", Refound{Same: 1, LeftOut: 1}},
		{"a new reading of a kept neighbour", "100! 106", nil, "105", "100! 105", Refound{Kept: 1, Added: 1, Gone: 1}},
	}
	for _, c := range cases {
		old := cutsOf(t, strings.ReplaceAll(c.old, "i:sea!", "i!:sea"))
		got, said := MergeFound(old, c.gone, cutsOf(t, c.found))
		if wordsOf(got) != c.want || said != c.said {
			t.Errorf("%s: %s, %+v, want %s, %+v", c.name, wordsOf(got), said, c.want, c.said)
		}
	}
}

// A cut of full confidence, in a score older than the mark, is a person's; a
// found one never has it.
func TestFullConfidenceIsAPersons(t *testing.T) {
	sure := cutlist.Cut{Frame: 50, End: 50, Kind: cutlist.HardCut, Confidence: 1}
	got, _ := MergeFound([]cutlist.Cut{sure}, nil, []cutlist.Cut{{Frame: 70, End: 70, Kind: cutlist.HardCut, Confidence: 1}})
	if len(got) != 2 || got[0] != sure || !(got[1].Confidence < 1) {
		t.Errorf("%+v", got)
	}
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

func TestImportCuts(t *testing.T) {
	for _, c := range []struct {
		name, old, list string
		replace         bool
		want, gone      string
		said            Imported
	}{
		{"what is in common stays", "100 200:door", "100 200", false, "100 200:door", "", Imported{Cuts: 2}},
		{"what is new is by hand", "100", "100 300", false, "100 300!", "", Imported{Cuts: 2, New: 1}},
		{"a name is new", "100", "100:door", false, "100!:door", "", Imported{Cuts: 1, New: 1}},
		{"a found one beside it gives way", "100", "102", false, "102!", "100", Imported{Cuts: 1, New: 1, GaveWay: 1}},
		{"one by hand beside it stays", "100!", "102", false, "100! 102!", "", Imported{Cuts: 1, New: 1}},
		{"one by hand under it gives way", "100!", "95-110d", false, "95-110d!", "", Imported{Cuts: 1, New: 1, GaveWay: 1}},
		{"replace", "100 200 300!", "200", true, "200", "100", Imported{Cuts: 1, GaveWay: 2}},
	} {
		s := film(t, c.old)
		said := s.ImportCuts(cutsOf(t, c.list), c.replace)
		if wordsOf(s.Cuts) != c.want || goneWords(s) != c.gone || said != c.said {
			t.Errorf("%s: %s, gone %s, %+v, want %s, %s, %+v", c.name, wordsOf(s.Cuts), goneWords(s), said, c.want, c.gone, c.said)
		}
	}
}

func TestImportMarkers(t *testing.T) {
	s := film(t, "")
	s.Hits = []tempo.Hit{{Frame: 100, Must: true, Lands: "bar", Name: "door"}}
	made := s.ImportMarkers([]cutlist.Marker{{Frame: 50, Name: "roof"}, {Frame: 100, Name: "other"}, {Frame: 50, Name: "again"}})
	want := []tempo.Hit{{Frame: 50, Tolerance: 1, Lands: "bar", Name: "roof"}, {Frame: 100, Must: true, Lands: "bar", Name: "door"}}
	if made != 1 || !reflect.DeepEqual(s.Hits, want) {
		t.Errorf("%d, %+v", made, s.Hits)
	}
}

// After any edits the score is valid and its changes do not overlap, and when
// the cuts are found again as at first, nothing changes.
func TestFindingAgainKeepsWhatAPersonChanged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := film(t, "")
		var found []cutlist.Cut
		for at := rapid.Int64Range(0, 30).Draw(t, "first"); at < 980; {
			c := cutlist.Cut{Frame: at, End: at, Kind: cutlist.HardCut, Confidence: 0.9}
			if n := rapid.Int64Range(0, 14).Draw(t, "length"); n > 6 {
				c.Kind, c.End = rapid.SampledFrom(cutlist.Kinds[1:]).Draw(t, "kind"), at+n
			}
			found = append(found, c)
			at = max(c.End, at+1) + rapid.SampledFrom([]int64{0, 1, 2, 3, 5, 40, 200}).Draw(t, "gap")
		}
		s.TakeFound(found)
		frame := rapid.OneOf(rapid.Int64Range(-5, 1005), rapid.Map(rapid.IntRange(0, 50), func(i int) int64 {
			if len(s.Cuts) == 0 {
				return 0
			}
			return s.Cuts[i%len(s.Cuts)].Frame
		}))
		near := func(t *rapid.T, at int64) int64 { return at + rapid.Int64Range(-6, 6).Draw(t, "by") }
		shot := func(t *rapid.T) Shot {
			x := s.Shots()
			return x[rapid.IntRange(0, 1000).Draw(t, "shot")%len(x)]
		}
		must := func(err error) {
			if err != nil && fault.KindOf(err) == fault.Unexpected {
				t.Fatal(err)
			}
		}
		t.Repeat(map[string]func(*rapid.T){
			"move": func(t *rapid.T) {
				at := frame.Draw(t, "at")
				_, err := s.MoveCut(at, near(t, at))
				must(err)
			},
			"add": func(t *rapid.T) {
				at := near(t, frame.Draw(t, "at"))
				c := cutlist.Cut{Frame: at, End: at, Kind: rapid.SampledFrom(cutlist.Kinds).Draw(t, "kind"), Confidence: 1}
				if c.Kind != cutlist.HardCut {
					c.End += rapid.Int64Range(0, 9).Draw(t, "length")
				}
				must(s.AddCut(c))
			},
			"remove": func(t *rapid.T) { must(s.RemoveCut(frame.Draw(t, "at"))) },
			"join": func(t *rapid.T) {
				_, err := s.JoinShot(shot(t))
				must(err)
			},
			"name": func(t *rapid.T) {
				if x := shot(t); x.Number > 0 {
					must(s.NameShot(x, "a name"))
				}
			},
			"change": func(t *rapid.T) {
				at := frame.Draw(t, "at")
				must(s.ChangeCut(at, rapid.SampledFrom(cutlist.Kinds).Draw(t, "kind"), at+rapid.Int64Range(0, 9).Draw(t, "length")))
			},
			"import": func(t *rapid.T) {
				c := cutlist.Cut{Frame: rapid.Int64Range(1, 970).Draw(t, "at"), Kind: cutlist.HardCut, Confidence: 1}
				if c.End = c.Frame; rapid.Bool().Draw(t, "soft") {
					c.Kind, c.End = cutlist.Dissolve, c.Frame+12
				}
				s.ImportCuts([]cutlist.Cut{c}, rapid.IntRange(0, 9).Draw(t, "replace") == 0)
			},
			"": func(t *rapid.T) {
				if err := s.Validate(); err != nil {
					t.Fatal(err)
				}
				for i := 1; i < len(s.Cuts); i++ {
					if overlap(s.Cuts[i-1], s.Cuts[i]) {
						t.Fatalf("%s overlap", wordsOf(s.Cuts[i-1:i+1]))
					}
				}
				before := slices.Clone(s.Cuts)
				s.TakeFound(found)
				if wordsOf(before) != wordsOf(s.Cuts) {
					t.Fatalf("finding again changed\n%s (gone %s) to\n%s", wordsOf(before), goneWords(s), wordsOf(s.Cuts))
				}
			},
		})
	})
}

// The ruler finds what looking at every cut finds, also when they overlap.
func TestRulerFindsWhatASlowSearchFinds(t *testing.T) {
	cut := rapid.Custom(func(t *rapid.T) cutlist.Cut {
		at := rapid.Int64Range(0, 60).Draw(t, "at")
		return cutlist.Cut{Frame: at, End: at + rapid.Int64Range(0, 30).Draw(t, "length"), Kind: cutlist.Dissolve}
	})
	rapid.Check(t, func(t *rapid.T) {
		list, c := rapid.SliceOfN(cut, 0, 12).Draw(t, "list"), cut.Draw(t, "cut")
		best, near, same := int64(0), false, false
		for _, o := range list {
			same = same || sameChange(o, c)
			if o.Frame-NearFrames <= lastFrame(c) && lastFrame(o)+NearFrames >= c.Frame && (!near || distance(o.Frame, c.Frame) < best) {
				best, near = distance(o.Frame, c.Frame), true
			}
		}
		r := ruled(list)
		if d, ok := r.nearest(c); d != best || ok != near || r.holds(c) != same {
			t.Fatalf("%d %v, holds %v; slowly %d %v, %v", d, ok, r.holds(c), best, near, same)
		}
	})
}
