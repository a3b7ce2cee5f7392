package job

import (
	"fmt"
	"slices"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
)

// MarkHit marks a frame as a hit of a weight. A hit of the other weight that
// stands there changes its weight; one of the same weight is taken away. It
// reports whether a hit stands there now.
func MarkHit(f *score.Folder, frame int64, must bool) (there bool, err error) {
	weight, tolerance := "want", int64(score.DefaultWantTolerance)
	if must {
		weight, tolerance = "must", 0
	}
	_, err = f.EditAs(func(s *score.Score) (string, error) {
		if frame < 0 || frame >= s.Reference.Frames {
			return "", fault.New(fault.Usage, "frame %d is outside the reference", frame)
		}
		h := tempo.Hit{Frame: frame, Must: must, Lands: tempo.LandsBar, Tolerance: tolerance}
		if i := hitAt(s, frame); i >= 0 {
			if s.Hits[i].Must == must {
				s.Hits = slices.Delete(s.Hits, i, i+1)
				return fmt.Sprintf("%s-hit at frame %d taken away", weight, frame), nil
			}
			h = s.Hits[i]
			h.Must, h.Tolerance = must, tolerance
		}
		there = true
		s.Hits = score.MergeHits(s.Hits, []tempo.Hit{h})
		return fmt.Sprintf("%s-hit at frame %d", weight, frame), nil
	})
	return there && err == nil, err
}

// NameHit gives the hit at a frame a name; "" takes it away. Errors: Missing.
func NameHit(f *score.Folder, frame int64, name string) error {
	return changeHit(f, frame, "named", func(h *tempo.Hit) { h.Name = name })
}

// LandHit says on what the hit at a frame has to fall: the next of bar, beat,
// half after what it has. It reports the new one. Errors: Missing.
func LandHit(f *score.Folder, frame int64) (on tempo.Lands, err error) {
	order := []tempo.Lands{tempo.LandsBar, tempo.LandsBeat, tempo.LandsHalf}
	err = changeHit(f, frame, "falls elsewhere", func(h *tempo.Hit) {
		h.Lands = order[(slices.Index(order, h.Lands)+1)%len(order)]
		on = h.Lands
	})
	return on, err
}

func changeHit(f *score.Folder, frame int64, done string, change func(*tempo.Hit)) error {
	_, err := f.Edit(fmt.Sprintf("hit at frame %d %s", frame, done), func(s *score.Score) error {
		i := hitAt(s, frame)
		if i < 0 {
			return fault.New(fault.Missing, "there is no hit at frame %d", frame).Mended("mark one first")
		}
		change(&s.Hits[i])
		return nil
	})
	return err
}

func hitAt(s *score.Score, frame int64) int {
	return slices.IndexFunc(s.Hits, func(h tempo.Hit) bool { return h.Frame == frame })
}

// ToggleCut makes a hard cut at a frame, or takes away the change of picture
// that begins there. It reports whether one stands there now.
func ToggleCut(f *score.Folder, frame int64) (there bool, err error) {
	_, err = f.EditAs(func(s *score.Score) (string, error) {
		if _, ok := s.Cut(frame); ok {
			return fmt.Sprintf("cut at frame %d taken away", frame), s.RemoveCut(frame)
		}
		there = true
		return fmt.Sprintf("cut at frame %d", frame), s.AddCut(cutlist.Cut{Frame: frame, End: frame, Kind: cutlist.HardCut, Confidence: 1, Hand: true})
	})
	return there && err == nil, err
}

// AddTaps adds taps of the beat, samples of the timeline, to those there.
func AddTaps(f *score.Folder, taps []int64) error {
	_, err := f.Edit(score.CountLabel(len(taps), "tap", "added"), func(s *score.Score) error {
		s.Taps = append(s.Taps, taps...)
		slices.Sort(s.Taps)
		s.Taps = slices.Compact(s.Taps)
		return nil
	})
	return err
}
