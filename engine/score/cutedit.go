package score

import (
	"cmp"
	"fmt"
	"slices"
	"sort"

	"cuechoir/engine/cutlist"
	"cuechoir/internal/fault"
)

// The corrections that a person makes to the cuts. Each leaves the score as
// it was when it reports an error, and marks what it changed as made by hand,
// so that finding cuts again keeps it.

// AddCut puts a cut into the list, in the place of one at the same frame.
func (s *Score) AddCut(c cutlist.Cut) error {
	i := s.cutIndex(c.Frame)
	if err := s.room(c, i); err != nil {
		return err
	}
	s.Cuts = cutlist.Merge(s.Cuts, []cutlist.Cut{s.byPerson(c)})
	return nil
}

// byPerson marks a cut as a person's. Where one was found, the confidence
// stays below 1: it tells later that there is something to be found.
func (s *Score) byPerson(c cutlist.Cut) cutlist.Cut {
	c.Hand = true
	if o, ok := s.Cut(c.Frame); ok {
		c.Confidence = min(c.Confidence, o.Confidence)
	}
	for i, w := range s.Withdrawn {
		if w.Frame == c.Frame && !w.Moved {
			c.Confidence = min(c.Confidence, mostFoundSure)
			s.Withdrawn = slices.Delete(slices.Clone(s.Withdrawn), i, i+1)
			break
		}
	}
	return c
}

// SplitShot makes a hard cut inside a shot: at is the first frame of the new
// shot.
func (s *Score) SplitShot(at int64) error {
	if i := s.cutIndex(at); i >= 0 {
		return fault.New(fault.Conflict, "a %s stands at frame %d already", s.Cuts[i].Kind, at).Mended("split at another frame")
	}
	return s.AddCut(cutlist.Cut{Frame: at, End: at, Kind: cutlist.HardCut, Confidence: 1})
}

// MoveCut moves a cut to another frame, between its neighbours; a dissolve,
// wipe or fade keeps its length. A hit on the cut goes with it, unless
// another stands there; hit reports that.
func (s *Score) MoveCut(from, to int64) (hit bool, err error) {
	i, err := s.findCut(from)
	if err != nil || from == to {
		return false, err
	}
	c := s.Cuts[i]
	if i > 0 && to <= s.Cuts[i-1].Frame {
		return false, pastNeighbour(to, s.Cuts[i-1])
	}
	if i+1 < len(s.Cuts) && to >= s.Cuts[i+1].Frame {
		return false, pastNeighbour(to, s.Cuts[i+1])
	}
	c.Frame, c.End, c.Hand = to, to+c.End-c.Frame, true
	if err := s.room(c, i); err != nil {
		return false, err
	}
	s.withdraw(s.Cuts[i], true, to)
	s.Cuts = slices.Clone(s.Cuts)
	s.Cuts[i] = c
	return s.moveHit(from, to), nil
}

func pastNeighbour(to int64, o cutlist.Cut) error {
	return fault.New(fault.Usage, "frame %d lies on or past the next change of picture, the %s at frame %d", to, o.Kind, o.Frame).
		Mended("move it between its neighbours, or remove that one first: cuechoir cuts remove %d", o.Frame)
}

func (s *Score) moveHit(from, to int64) bool {
	at := -1
	for i, h := range s.Hits {
		switch h.Frame {
		case from:
			at = i
		case to:
			return false
		}
	}
	if at < 0 {
		return false
	}
	s.Hits = slices.Clone(s.Hits)
	s.Hits[at].Frame = to
	sort.Slice(s.Hits, func(i, j int) bool { return s.Hits[i].Frame < s.Hits[j].Frame })
	return true
}

// RemoveCut removes the cut at a frame; the hits on it stay.
func (s *Score) RemoveCut(frame int64) error {
	i, err := s.findCut(frame)
	if err != nil {
		return err
	}
	s.removeCut(i)
	return nil
}

func (s *Score) removeCut(i int) {
	s.withdraw(s.Cuts[i], false, 0)
	s.Cuts = slices.Delete(slices.Clone(s.Cuts), i, i+1)
}

// JoinShot joins a shot to the one before it: every change of picture between
// the two goes. It reports how many went.
func (s *Score) JoinShot(x Shot) (removed int, err error) {
	if x.Number <= 1 {
		return 0, fault.New(fault.Usage, "shot s1 has no shot before it").Mended("name the later one of the two shots")
	}
	shots := s.Shots()
	before := slices.IndexFunc(shots, func(o Shot) bool { return o.Number == x.Number-1 })
	for i := x.cut; i > shots[before].cut && i >= 0; i-- {
		s.removeCut(i)
		removed++
	}
	return removed, nil
}

// NameShot names a shot; "" takes the name away.
func (s *Score) NameShot(x Shot, name string) error {
	if err := checkText(name, maxTitleLen); err != nil {
		return fault.New(fault.Usage, "that cannot be a name").Because(err)
	}
	if x.First == 0 {
		s.FirstShot = name
	}
	if x.cut < 0 {
		return nil
	}
	s.Cuts = slices.Clone(s.Cuts)
	s.Cuts[x.cut].Name, s.Cuts[x.cut].Hand = name, true
	return nil
}

// ChangeCut gives the cut at a frame another kind and end: the first frame
// that is whole again. End 0 keeps the end that it has; a hard cut has none.
func (s *Score) ChangeCut(frame int64, kind cutlist.Kind, end int64) error {
	i, err := s.findCut(frame)
	if err != nil {
		return err
	}
	c := s.Cuts[i]
	c.Kind, c.Hand = kind, true
	switch {
	case kind == cutlist.HardCut && end > frame:
		return fault.New(fault.Usage, "a hard cut has no end").Mended("give it another kind: cuechoir cuts kind %d dissolve --end %d", frame, end)
	case kind == cutlist.HardCut:
		c.End = frame
	case end != 0:
		c.End = end
	}
	if err := s.room(c, i); err != nil {
		return err
	}
	s.Cuts = slices.Clone(s.Cuts)
	s.Cuts[i] = c
	return nil
}

// Cut is the cut at a frame; ok is false when there is none.
func (s *Score) Cut(frame int64) (c cutlist.Cut, ok bool) {
	if i := s.cutIndex(frame); i >= 0 {
		return s.Cuts[i], true
	}
	return c, false
}

// cutIndex is the place of the cut at a frame, -1 when there is none.
func (s *Score) cutIndex(frame int64) int {
	i, ok := slices.BinarySearchFunc(s.Cuts, frame, func(c cutlist.Cut, f int64) int { return cmp.Compare(c.Frame, f) })
	if !ok {
		return -1
	}
	return i
}

func (s *Score) findCut(frame int64) (int, error) {
	if i := s.cutIndex(frame); i >= 0 {
		return i, nil
	}
	e := fault.New(fault.Missing, "there is no cut at frame %d", frame)
	if len(s.Cuts) == 0 {
		return -1, e.Mended("add one: cuechoir cuts add %d", frame)
	}
	near := s.Cuts[0]
	for _, c := range s.Cuts {
		if distance(c.Frame, frame) < distance(near.Frame, frame) {
			near = c
		}
	}
	return -1, e.Mended("the nearest is the %s at frame %d; list them: cuechoir cuts", near.Kind, near.Frame)
}

// room reports why a cut cannot stand among the others, but for the one in
// its place (-1: none).
func (s *Score) room(c cutlist.Cut, place int) error {
	if err := c.Validate(s.Reference.Frames); err != nil {
		return fault.New(fault.Usage, "").Because(err)
	}
	soft := c.Kind != cutlist.HardCut
	switch {
	case soft && c.End == c.Frame:
		return fault.New(fault.Usage, "a %s needs an end after frame %d", c.Kind, c.Frame).Mended("give the first frame that is whole again with --end")
	case !soft && c.End != c.Frame:
		return fault.New(fault.Usage, "a hard cut has no end").Mended("leave --end away, or give the kind with --kind")
	case !MayBegin(c):
		return fault.New(fault.Usage, "the reference begins at frame 0, so no shot comes before a %s there", c.Kind).Mended("give a frame from 1 on")
	}
	for i, o := range s.Cuts {
		if i == place {
			continue
		}
		if o.Frame < c.Frame && o.End > c.Frame || o.Frame >= c.Frame && o.Frame < max(c.End, c.Frame+1) {
			return fault.New(fault.Usage, "%s would overlap the %s", spanWords(c), spanWords(o)).
				Mended("keep them apart, or remove the other first: cuechoir cuts remove %d", o.Frame)
		}
	}
	return nil
}

// MayBegin is false for a change at frame 0 that needs a shot before it.
func MayBegin(c cutlist.Cut) bool {
	return c.Frame > 0 || c.Kind == cutlist.FadeIn || c.Kind == cutlist.FadeOut
}

func spanWords(c cutlist.Cut) string {
	if c.End == c.Frame {
		return fmt.Sprintf("%s at frame %d", c.Kind, c.Frame)
	}
	return fmt.Sprintf("%s of the frames %d to %d", c.Kind, c.Frame, c.End-1)
}

// withdraw keeps that a found cut was moved to another frame or taken away.
// What a person made leaves no trace when it goes.
func (s *Score) withdraw(c cutlist.Cut, moved bool, to int64) {
	s.Withdrawn = slices.Clone(s.Withdrawn)
	for i, w := range s.Withdrawn {
		if !w.Moved || w.To != c.Frame {
			continue
		}
		if moved && to == w.Frame { // it is back where it was found
			s.Withdrawn = slices.Delete(s.Withdrawn, i, i+1)
		} else {
			s.Withdrawn[i].Moved, s.Withdrawn[i].To = moved, to
		}
		return
	}
	if c.Confidence == 1 {
		return
	}
	s.Withdrawn = slices.DeleteFunc(s.Withdrawn, func(w Withdrawn) bool { return w.Frame == c.Frame })
	s.Withdrawn = append(s.Withdrawn, Withdrawn{Frame: c.Frame, End: c.End, Moved: moved, To: to})
	sort.Slice(s.Withdrawn, func(i, j int) bool { return s.Withdrawn[i].Frame < s.Withdrawn[j].Frame })
}

func distance(a, b int64) int64 { return max(a-b, b-a) }
