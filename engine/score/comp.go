package score

import (
	"fmt"
	"slices"
)

// Bounds of comps and of what is kept of takes.
const (
	maxSpans     = 2_000
	maxMarks     = 100_000
	MaxRating    = 5
	MaxNudge     = 3600 * 96_000      // samples: an hour at the highest rate
	MaxFade      = 96_000             // samples, of a crossfade
	MaxMove      = 96_000             // samples, of a joint from where it was wished
	maxTimeline  = 24 * 3600 * 96_000 // samples: a day at the highest rate
	settleShare  = 4                  // a joint moves at most this part of the way to its neighbour
	maxTakeWords = 200                // bytes of a note on a take
)

// Span is a stretch of a comp: from In.At to Out.At the layer sounds from Take.
// From and To (left out) are what was wished, In.At and Out.At where the
// crossfades found a quiet moment near by; all are timeline samples.
type Span struct {
	Take     string
	From, To int64
	In, Out  Joint
}

// Joint is the middle of a crossfade and its length, in samples.
type Joint struct{ At, Fade int64 }

// Mark is what a person has said of a take.
type Mark struct {
	Take   string
	Nudge  int64  // samples by which it is moved, later when positive
	Rating int    // 1 to MaxRating; 0: not rated
	Note   string // words
}

// empty reports a mark that says nothing.
func (m Mark) empty() bool { return m.Nudge == 0 && m.Rating == 0 && m.Note == "" }

// MarkOf is what is known of a take; all but its name is zero when nothing is.
func (l *Layer) MarkOf(take string) Mark {
	for _, m := range l.Marks {
		if m.Take == take {
			return m
		}
	}
	return Mark{Take: take}
}

// SetMark keeps what is said of a take, in the takes' order.
func (l *Layer) SetMark(m Mark) {
	l.Marks = slices.DeleteFunc(slices.Clone(l.Marks), func(x Mark) bool { return x.Take == m.Take })
	if m.empty() {
		return
	}
	at, _ := slices.BinarySearchFunc(l.Marks, m, func(a, b Mark) int { return compareTakes(a.Take, b.Take) })
	l.Marks = slices.Insert(l.Marks, at, m)
}

// InComp reports whether a take is one that the comp lays over the take in use.
func (l *Layer) InComp(take string) bool {
	return slices.ContainsFunc(l.Comp, func(s Span) bool { return s.Take == take })
}

// compareTakes puts takes in the order of their numbers: 999 before 1000.
func compareTakes(a, b string) int {
	if len(a) != len(b) {
		return len(a) - len(b)
	}
	if a < b {
		return -1
	}
	return 1
}

// SetSpan has the layer sound from a take over a wished stretch: what the comp
// held there gives way. The take in use leaves the stretch open. An end within
// near samples of one that is there becomes that one, so that no sliver is left
// between two. It reports the wished places of all joints that are new or have
// new neighbours: each stands on its wish until MoveJoint is told.
func (l *Layer) SetSpan(take string, from, to, fade, near int64) []int64 {
	if a, b := l.nearest(from, near), l.nearest(to, near); a < b {
		from, to = a, b
	}
	old := l.joints()
	var out []Span
	put := func(s Span) {
		if s.From >= s.To {
			return
		}
		if n := len(out); n > 0 && out[n-1].To == s.From && out[n-1].Take == s.Take {
			out[n-1].To, out[n-1].Out = s.To, s.Out
			return
		}
		out = append(out, s)
	}
	added := take == l.Use
	add := func() {
		if !added {
			put(Span{take, from, to, Joint{from, fade}, Joint{to, fade}})
			added = true
		}
	}
	for _, s := range l.Comp {
		left, right := s, s
		if left.To > from {
			left.To, left.Out = from, Joint{from, fade}
		}
		if right.From < to {
			right.From, right.In = to, Joint{to, fade}
		}
		put(left)
		if s.To > from {
			add()
		}
		put(right)
	}
	add()
	l.Comp = out
	l.agree()
	return l.settle(old)
}

// nearest is the wished place of a joint within near samples of at, or at.
func (l *Layer) nearest(at, near int64) int64 {
	best, least := at, near+1
	for _, s := range l.Comp {
		for _, x := range []int64{s.From, s.To} {
			if d := max(x-at, at-x); d < least {
				best, least = x, d
			}
		}
	}
	return best
}

// agree makes one joint of two that stand at one place: the later word counts.
func (l *Layer) agree() {
	for i := 1; i < len(l.Comp); i++ {
		if a, b := &l.Comp[i-1], &l.Comp[i]; a.To == b.From {
			j := Joint{b.From, min(a.Out.Fade, b.In.Fade)}
			if a.Out == b.In {
				j = b.In
			}
			a.Out, b.In = j, j
		}
	}
}

// side is what meets at a joint: the takes before and after it, "" being the
// take in use.
type side struct{ before, after string }

// joints are the comp's joints by their wished places.
func (l *Layer) joints() map[int64]side {
	out := map[int64]side{}
	for _, s := range l.Comp {
		x := out[s.From]
		x.after = s.Take
		out[s.From] = x
		x = out[s.To]
		x.before = s.Take
		out[s.To] = x
	}
	return out
}

// settle puts joints back on their wish where other takes meet than before, or
// where one strays too far towards its neighbour; it reports those.
func (l *Layer) settle(old map[int64]side) []int64 {
	moved := []int64{}
	for at, now := range l.joints() {
		before, there := old[at]
		if !there || before != now || l.JointAt(at).strays(at, l.Reach(at)) {
			moved = append(moved, at)
		}
	}
	slices.Sort(moved)
	for _, at := range moved {
		l.MoveJoint(at, at)
	}
	return moved
}

func (j Joint) strays(wish, reach int64) bool { return j.At > wish+reach || j.At < wish-reach }

// JointAt is the joint whose wished place is at; the zero Joint when none is.
func (l *Layer) JointAt(at int64) Joint {
	for _, s := range l.Comp {
		switch at {
		case s.From:
			return s.In
		case s.To:
			return s.Out
		}
	}
	return Joint{}
}

// Meet is what meets at the joint whose wished place is at: takes by name, the
// take in use for "".
func (l *Layer) Meet(at int64) (before, after string) {
	x := l.joints()[at]
	return x.before, x.after
}

// Reach is how far the joint whose wished place is at may move, in samples, so
// that joints stay in order whatever each does.
func (l *Layer) Reach(at int64) int64 {
	reach := int64(MaxMove)
	for _, s := range l.Comp {
		for _, x := range []int64{s.From, s.To} {
			if x != at {
				reach = min(reach, max(x-at, at-x)/settleShare)
			}
		}
	}
	return reach
}

// MoveJoint puts the joint whose wished place is at somewhere near by, held to
// its Reach.
func (l *Layer) MoveJoint(at, place int64) {
	reach := l.Reach(at)
	place = min(max(place, at-reach), at+reach)
	for i := range l.Comp {
		if s := &l.Comp[i]; s.From == at {
			s.In.At = place
		} else if s.To == at {
			s.Out.At = place
		}
	}
}

// validateTakes reports what cannot stand in a layer's comp and marks.
func (l Layer) validateTakes() error {
	if len(l.Comp) > maxSpans {
		return fmt.Errorf("comp: more than %d stretches", maxSpans)
	}
	if len(l.Comp) > 0 && l.Use == "" {
		return fmt.Errorf("comp: a comp lies over one take, so the layer must say which is in use (use = \"001\")")
	}
	for i, s := range l.Comp {
		if err := s.validate(); err != nil {
			return fmt.Errorf("comp: stretch %d: %w", i+1, err)
		}
		if i == 0 {
			continue
		}
		switch before := l.Comp[i-1]; {
		case s.From < before.To || s.In.At < before.Out.At:
			return fmt.Errorf("comp: stretch %d overlaps the one before", i+1)
		case s.From == before.To && s.In != before.Out:
			return fmt.Errorf("comp: stretches %d and %d meet at sample %d, but their crossfades differ", i, i+1, s.From)
		}
	}
	return validateMarks(l.Marks)
}

func (s Span) validate() error {
	if err := CheckName(s.Take); err != nil {
		return fmt.Errorf("take: %w", err)
	}
	for _, x := range []struct {
		name string
		wish int64
		Joint
	}{{"in", s.From, s.In}, {"out", s.To, s.Out}} {
		switch {
		case x.wish < -maxTimeline || x.wish > maxTimeline:
			return fmt.Errorf("sample %d is outside a day", x.wish)
		case x.strays(x.wish, MaxMove):
			return fmt.Errorf("%s: the crossfade at %d is further than %d samples from %d", x.name, x.At, MaxMove, x.wish)
		case x.Fade < 0 || x.Fade > MaxFade:
			return fmt.Errorf("%s_fade: a crossfade of %d samples is outside 0 to %d", x.name, x.Fade, MaxFade)
		}
	}
	if s.To <= s.From || s.Out.At <= s.In.At {
		return fmt.Errorf("from %d (%d) to %d (%d) is empty", s.From, s.In.At, s.To, s.Out.At)
	}
	return nil
}

func validateMarks(marks []Mark) error {
	if len(marks) > maxMarks {
		return fmt.Errorf("takes: more than %d", maxMarks)
	}
	seen := map[string]bool{}
	for i, m := range marks {
		place := fmt.Sprintf("takes: %d", i+1)
		if err := CheckName(m.Take); err != nil {
			return fmt.Errorf("%s: take: %w", place, err)
		}
		switch {
		case seen[m.Take]:
			return fmt.Errorf("%s: take %s comes twice", place, m.Take)
		case m.Nudge < -MaxNudge || m.Nudge > MaxNudge:
			return fmt.Errorf("%s: nudge: %d samples are outside %d to %d", place, m.Nudge, -MaxNudge, MaxNudge)
		case m.Rating < 0 || m.Rating > MaxRating:
			return fmt.Errorf("%s: rating: %d is outside 0 to %d", place, m.Rating, MaxRating)
		}
		if err := checkText(m.Note, maxTakeWords); err != nil {
			return fmt.Errorf("%s: note: %w", place, err)
		}
		seen[m.Take] = true
	}
	return nil
}
