package score

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

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
