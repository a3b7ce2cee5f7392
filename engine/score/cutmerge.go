package score

import (
	"slices"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/tempo"
)

// NearFrames is how far, in frames, two readings of one change of picture may
// lie apart: the ends of a dissolve are read to within 3 frames.
const NearFrames = 3

// mostFoundSure is the highest confidence of a found cut: 1 is a person's.
const mostFoundSure = 0.999

// Refound says what finding cuts again changed.
type Refound struct {
	Kept    int // made or changed by a person
	Same    int // found as before
	Added   int // found, and were not there
	Gone    int // were there, and are not found any more
	LeftOut int // found, and left out: a person moved, made or took away one there
}

// MergeFound is the list of cuts after they were found again. What a person
// made or changed stays as it is. A found cut within NearFrames of such a one,
// or of where a person took one away or moved it from, is another reading of it
// and is left out; unless a cut that the person left alone beside it begins
// nearer still. All other cuts give way to what was found.
func MergeFound(old []cutlist.Cut, gone []Withdrawn, found []cutlist.Cut) ([]cutlist.Cut, Refound) {
	var r Refound
	var hand, left []cutlist.Cut
	for _, c := range old {
		if byHand(c) {
			hand = append(hand, c)
		} else {
			left = append(left, c)
		}
	}
	closed := slices.Clone(hand)
	for _, w := range gone {
		closed = append(closed, cutlist.Cut{Frame: w.Frame, End: w.End})
	}
	persons, lefts := ruled(closed), ruled(left)
	var taken []cutlist.Cut
	for _, c := range found {
		c.Hand, c.Confidence = false, min(c.Confidence, mostFoundSure)
		person, isNear := persons.nearest(c)
		before, wasThere := lefts.nearest(c)
		switch {
		case isNear && !(wasThere && before < person):
			r.LeftOut++
			continue
		case lefts.holds(c):
			r.Same++
		default:
			r.Added++
		}
		taken = append(taken, c)
	}
	again := ruled(taken)
	for _, o := range left {
		if !again.holds(o) {
			r.Gone++
		}
	}
	r.Kept = len(hand)
	return cutlist.Merge(taken, hand), r
}

// byHand: a name and full confidence are a person's doing too, in scores that
// do not say so.
func byHand(c cutlist.Cut) bool { return c.Hand || c.Name != "" || c.Confidence == 1 }

func sameChange(a, b cutlist.Cut) bool {
	return a.Frame == b.Frame && a.End == b.End && a.Kind == b.Kind
}

// TakeFound puts found cuts in the place of those that no person touched.
func (s *Score) TakeFound(found []cutlist.Cut) Refound {
	cuts, r := MergeFound(s.Cuts, s.Withdrawn, found)
	s.Cuts = cuts
	return r
}

// Imported says what an import changed.
type Imported struct {
	Cuts    int // in the list that was read
	New     int // of them not in the score as they are
	GaveWay int // cuts of the score that the list replaced
	Hits    int // want-hits made of markers
}

// ImportCuts takes a list of cuts from elsewhere. What the list has in common
// with the score stays as it is, with its name; what is new counts as made by
// hand. With replace the list is all there is. Else a cut of the score gives
// way when one of the list overlaps it, or, when no person touched it, comes
// within NearFrames of where it begins.
func (s *Score) ImportCuts(list []cutlist.Cut, replace bool) Imported {
	r := Imported{Cuts: len(list)}
	var taken []cutlist.Cut
	for _, c := range list {
		if o, ok := s.Cut(c.Frame); ok && sameChange(o, c) && (c.Name == "" || c.Name == o.Name) {
			taken = append(taken, o)
			continue
		}
		r.New++
		taken = append(taken, s.byPerson(c))
	}
	kept, rule := slices.Clone(taken), ruled(taken)
	for _, o := range s.Cuts {
		if rule.at(o.Frame) {
			continue
		}
		near := slices.ContainsFunc(rule.within(o, NearFrames), func(c cutlist.Cut) bool {
			return overlap(c, o) || !byHand(o) && distance(c.Frame, o.Frame) <= NearFrames
		})
		if !replace && !near {
			kept = append(kept, o)
			continue
		}
		s.withdraw(o, false, 0)
		r.GaveWay++
	}
	s.Cuts = cutlist.Merge(nil, kept)
	return r
}

// ImportMarkers makes want-hits of markers, where no hit stands yet, and
// reports how many.
func (s *Score) ImportMarkers(list []cutlist.Marker) (made int) {
	stands := map[int64]bool{}
	for _, h := range s.Hits {
		stands[h.Frame] = true
	}
	var hits []tempo.Hit
	for _, m := range list {
		if !stands[m.Frame] {
			stands[m.Frame] = true
			hits = append(hits, tempo.Hit{Frame: m.Frame, Tolerance: DefaultWantTolerance, Lands: tempo.LandsBar, Name: m.Name})
		}
	}
	s.Hits = MergeHits(s.Hits, hits)
	return len(hits)
}

// Cutlist is what the score hands over to editors: its cuts, and its hits as
// markers.
func (s *Score) Cutlist() cutlist.List {
	l := cutlist.List{Title: s.Title, Cuts: s.Cuts}
	for _, h := range s.Hits {
		l.Markers = append(l.Markers, cutlist.Marker{Frame: h.Frame, Name: h.Name})
	}
	return l
}
