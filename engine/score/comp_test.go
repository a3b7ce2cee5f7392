package score

import (
	"reflect"
	"strings"
	"testing"

	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

// A comp is what a plain table of samples says, whatever is laid over what:
// stretches never overlap, cover what they say, and joints stay in order
// wherever they are moved.
func TestSetSpanProperty(t *testing.T) {
	const length = 400
	takes := []string{"001", "002", "003", "004"}
	rapid.Check(t, func(t *rapid.T) {
		s := sample()
		l := &s.Layers[0]
		l.Use, l.Comp = "001", nil
		var want [length]string
		for i := range want {
			want[i] = l.Use
		}
		for range rapid.IntRange(1, 12).Draw(t, "edits") {
			take := rapid.SampledFrom(takes).Draw(t, "take")
			from := rapid.Int64Range(0, length-1).Draw(t, "from")
			to := rapid.Int64Range(from+1, length).Draw(t, "to")
			fresh := l.SetSpan(take, from, to, rapid.Int64Range(0, 40).Draw(t, "fade"), 0)
			for i := from; i < to; i++ {
				want[i] = take
			}
			for _, at := range fresh {
				if j := l.JointAt(at); j.At != at {
					t.Fatalf("a fresh joint at %d stands at %d", at, j.At)
				}
				l.MoveJoint(at, at+rapid.Int64Range(-200, 200).Draw(t, "move"))
			}
			got := [length]string{}
			for i := range got {
				got[i] = l.Use
			}
			for _, x := range l.Comp {
				for i := x.From; i < x.To; i++ {
					got[i] = x.Take
				}
			}
			if got != want {
				t.Fatalf("%s from %d to %d: %+v", take, from, to, l.Comp)
			}
			for i, x := range l.Comp {
				if i > 0 && l.Comp[i-1].To == x.From && l.Comp[i-1].Take == x.Take {
					t.Fatalf("two stretches are one: %+v", l.Comp)
				}
			}
			if err := s.Validate(); err != nil {
				t.Fatalf("%v in %+v", err, l.Comp)
			}
		}
	})
}

// An end close to a joint becomes that joint; joints that meet the same takes
// as before stay where they were moved to.
func TestSetSpanKeepsJoints(t *testing.T) {
	l := Layer{Use: "001"}
	if fresh := l.SetSpan("002", 100_000, 200_000, 960, 2_400); !reflect.DeepEqual(fresh, []int64{100_000, 200_000}) {
		t.Fatalf("fresh joints %v", fresh)
	}
	l.MoveJoint(100_000, 98_000)
	l.MoveJoint(200_000, 203_000)
	if fresh := l.SetSpan("003", 201_500, 300_000, 480, 2_400); !reflect.DeepEqual(fresh, []int64{200_000, 300_000}) {
		t.Fatalf("fresh joints %v", fresh)
	}
	want := []Span{{"002", 100_000, 200_000, Joint{98_000, 960}, Joint{200_000, 480}}, {"003", 200_000, 300_000, Joint{200_000, 480}, Joint{300_000, 480}}}
	if !reflect.DeepEqual(l.Comp, want) {
		t.Errorf("%+v\nwant %+v", l.Comp, want)
	}
	if a, b := l.Meet(200_000); a != "002" || b != "003" {
		t.Errorf("%q meets %q", a, b)
	}
	l.SetSpan(l.Use, 120_000, 130_000, 77, 0)
	if a, b := l.Comp[0].Out, l.Comp[1].In; a != (Joint{120_000, 77}) || b != (Joint{130_000, 77}) || l.Comp[0].In.At != 98_000 {
		t.Errorf("a stretch cut in two: %+v", l.Comp)
	}
	l.SetSpan(l.Use, 0, 1_000_000, 960, 0)
	if len(l.Comp) != 0 {
		t.Errorf("not cleared: %+v", l.Comp)
	}
}

func TestMarks(t *testing.T) {
	var l Layer
	for _, m := range []Mark{{"1000", 1, 0, ""}, {"002", -480, 4, "breathy"}, {"999", 0, 5, ""}, {"002", 0, 3, "better"}, {"999", 0, 0, ""}} {
		l.SetMark(m)
	}
	want := []Mark{{"002", 0, 3, "better"}, {"1000", 1, 0, ""}}
	if !reflect.DeepEqual(l.Marks, want) {
		t.Errorf("%+v, want %+v", l.Marks, want)
	}
	if m := l.MarkOf("007"); m != (Mark{Take: "007"}) {
		t.Errorf("%+v", m)
	}
}

// What cannot stand in a comp is refused with its place in the file.
func TestCompDecodeRefuses(t *testing.T) {
	good, err := Encode(sample())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, old, repl, says string }{
		{"overlap", "to = 96000", "to = 120000", "stretch 2 overlaps"},
		{"crossfades cross", "out = 95000", "out = 97000", "stretch 2 overlaps"},
		{"crossfades differ", "out_fade = 480", "out_fade = 481", "crossfades differ"},
		{"empty", "from = 48000", "from = 96000", "is empty"},
		{"far away", "in = 48100", "in = -9223372036854775808", "is further than"},
		{"beyond a day", "from = 48000", "from = -9223372036854775808", "outside a day"},
		{"fade", "in_fade = 960", "in_fade = -1", "outside 0 to"},
		{"take climbs out", "{take = '002'", "{take = '../002'", "cannot be a name"},
		{"no take in use", "use = 't1'", "", "must say which is in use"},
		{"rating", "rating = 4", "rating = 6", "outside 0 to 5"},
		{"nudge", "nudge = -480", "nudge = 9000000000000", "nudge"},
		{"note", "'the best breath'", "\"\\u001b[2J\"", "control character"},
		{"twice", "take = '003', rating", "take = '002', rating", "comes twice"},
		{"unknown key", "rating = 4", "ratting = 4", "ratting"},
	} {
		if !strings.Contains(string(good), c.old) {
			t.Fatalf("the sample has no %q:\n%s", c.old, good)
		}
		_, err := Decode([]byte(strings.Replace(string(good), c.old, c.repl, 1)), "score.toml")
		if fault.KindOf(err) != fault.Malformed || !strings.Contains(err.Error(), c.says) || strings.ContainsAny(err.Error(), "\x1b\n") {
			t.Errorf("%s: %v, want it to say %q", c.name, err, c.says)
		}
	}
}
