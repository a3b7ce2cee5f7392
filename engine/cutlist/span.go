package cutlist

import (
	"fmt"
	"strconv"
	"strings"
)

// span is what a list of shots knows about one stretch of picture. Lists of
// shots (EDL, OpenTimelineIO) say how long each shot stands; cuts are where
// one span gives way to the next. Spans lie in order, end to end.
type span struct {
	at, end int64 // frames of the reference, exclusive end; an empty span only says from what a mix comes
	black   bool
	name    string
	into    *mix // how the picture comes into this span; nil is a hard cut
	carried carried
	where   Problem // its place in the file
}

// mix is a transition into a span.
type mix struct {
	from, to int64 // first mixed frame; first whole frame
	wipe     bool
}

// carried is what a cut has and the spans do not show: a list of ours says it
// in a comment or in metadata. The zero value says nothing.
type carried struct {
	kind       Kind
	frames     *int64 // End - Frame
	confidence *float64
	hand       bool
	name       *string
}

// cutInto is the cut with which the picture comes into s, and false when the
// picture does not change there. prev is the span before, nil at the start.
func (s span) cutInto(prev *span) (Cut, bool) {
	fromBlack := prev == nil || prev.black
	c := Cut{Frame: s.at, End: s.at, Kind: HardCut, Confidence: 1, Name: s.name}
	is := true
	switch {
	case s.into != nil:
		c.Frame, c.End, c.Kind = s.into.from, s.into.to, Dissolve
		switch {
		case s.into.wipe:
			c.Kind = Wipe
		case fromBlack && !s.black:
			c.Kind = FadeIn
		case !fromBlack && s.black:
			c.Kind = FadeOut
		}
	case s.at == s.end, prev == nil, s.at == 0, fromBlack && s.black:
		is = s.carried.kind != ""
	}
	return s.carried.onto(c), is
}

func (k carried) onto(c Cut) Cut {
	if k.kind != "" {
		c.Kind = k.kind
	}
	if k.frames != nil {
		c.End = c.Frame + *k.frames
	}
	if k.confidence != nil {
		c.Confidence = *k.confidence
	}
	if k.name != nil {
		c.Name = *k.name
	}
	c.Hand = k.hand
	return c
}

// difference is what must be carried so that a reader who finds the cut seen
// (or none, when is is false) makes it want.
func difference(seen Cut, is bool, want Cut) carried {
	var k carried
	if !is || seen.Kind != want.Kind {
		k.kind = want.Kind
	}
	if seen.End-seen.Frame != want.End-want.Frame {
		n := want.End - want.Frame
		k.frames = &n
	}
	if seen.Confidence != want.Confidence {
		k.confidence = &want.Confidence
	}
	if seen.Name != want.Name {
		k.name = &want.Name
	}
	k.hand = want.Hand
	return k
}

func (k carried) empty() bool {
	return k.kind == "" && k.frames == nil && k.confidence == nil && !k.hand && k.name == nil
}

// words is k as one line: kind=fade-in frames=12 confidence=0.5 hand. The
// name has a place of its own in every line form.
func (k carried) words() string {
	var w []string
	if k.kind != "" {
		w = append(w, "kind="+string(k.kind))
	}
	if k.frames != nil {
		w = append(w, "frames="+frameWord(*k.frames))
	}
	if k.confidence != nil {
		w = append(w, "confidence="+strconv.FormatFloat(*k.confidence, 'g', -1, 64))
	}
	if k.hand {
		w = append(w, "hand")
	}
	return strings.Join(w, " ")
}

// parseCarried reads what words wrote.
func parseCarried(line string) (carried, error) {
	var k carried
	for _, w := range strings.Fields(line) {
		key, v, _ := strings.Cut(w, "=")
		switch key {
		case "kind":
			if k.kind = Kind(v); !k.kind.known() {
				return carried{}, fmt.Errorf("kind %q is not one of %s", clip(v), kindWords())
			}
		case "frames":
			n, err := strconv.ParseInt(v, 10, 48)
			if err != nil || n < 0 {
				return carried{}, fmt.Errorf("frames %q is not a number of frames", clip(v))
			}
			k.frames = &n
		case "confidence":
			x, err := strconv.ParseFloat(v, 64)
			if err != nil || !(x >= 0 && x <= 1) {
				return carried{}, fmt.Errorf("confidence %q is not between 0 and 1", clip(v))
			}
			k.confidence = &x
		case "hand":
			k.hand = true
		default:
			return carried{}, fmt.Errorf("%q is not one of kind, frames, confidence, hand", clip(w))
		}
	}
	return k, nil
}

// cutsOf reads the cuts off spans. A cut that cannot stand in a reference of
// the given length comes back as a problem at the span's place.
func cutsOf(spans []span, frames int64) ([]Cut, []Problem) {
	var cuts []Cut
	var problems []Problem
	var prev *span
	for i := range spans {
		s := &spans[i]
		c, is := s.cutInto(prev)
		prev = s
		if !is {
			continue
		}
		p := s.where
		if c.Frame < frames && c.End > frames {
			c.End = frames
			p.What, p.Kept = fmt.Sprintf("the transition is cut short at the reference's end, frame %d", frames), true
			problems = append(problems, p)
		}
		if err := c.Validate(frames); err != nil {
			p.What, p.Kept = err.Error(), false
			problems = append(problems, p)
			continue
		}
		cuts = append(cuts, c)
	}
	return cuts, problems
}

// layOut is a list of cuts as spans that fill the reference, the second
// result the cut that each span begins (nil where none does). A fade-in out
// of a picture comes from an empty black span, so that every reader sees a
// fade. A transition ends with its span at the latest: no format can say that
// it runs on under the next cut.
func layOut(cuts []Cut, frames int64) ([]span, []*Cut) {
	var spans []span
	var begun []*Cut
	add := func(s span, c *Cut) { spans, begun = append(spans, s), append(begun, c) }
	next := frames
	if len(cuts) > 0 {
		next = cuts[0].Frame
	}
	if next > 0 {
		add(span{at: 0, end: next}, nil)
	}
	for i := range cuts {
		c := &cuts[i]
		next = frames
		if i+1 < len(cuts) {
			next = cuts[i+1].Frame
		}
		s := span{at: c.Frame, end: next, black: c.Kind == FadeOut, name: c.Name}
		if c.Kind != HardCut {
			s.into = &mix{from: c.Frame, to: min(c.End, next), wipe: c.Kind == Wipe}
		}
		if c.Kind == FadeIn && len(spans) > 0 && !spans[len(spans)-1].black {
			add(span{at: c.Frame, end: c.Frame, black: true}, nil)
		}
		add(s, c)
	}
	return spans, begun
}

// markCarried sets on each span what its cut has and the spans do not show.
func markCarried(spans []span, begun []*Cut) {
	var prev *span
	for i := range spans {
		s := &spans[i]
		if begun[i] != nil {
			seen, is := s.cutInto(prev)
			s.carried = difference(seen, is, *begun[i])
		}
		prev = s
	}
}
