package score

import "cuechoir/engine/cutlist"

// The form of the cuts in score.toml.
type (
	fileCut struct {
		Frame      int64   `toml:"frame"`
		End        int64   `toml:"end,omitempty"` // absent: that of a hard cut, == frame
		Kind       string  `toml:"kind"`
		Confidence float64 `toml:"confidence"`
		Name       string  `toml:"name,omitempty"`
		Hand       bool    `toml:"hand,omitempty"`
	}
	fileGone struct {
		Frame   int64  `toml:"frame"`
		End     int64  `toml:"end,omitempty"`
		MovedTo *int64 `toml:"moved_to,omitempty"` // a pointer, since a fade may be moved to frame 0
	}
)

func (f *fileScore) setCuts(s *Score) {
	f.FirstShot = s.FirstShot
	for _, c := range s.Cuts {
		f.Cuts = append(f.Cuts, fileCut{c.Frame, endOrNone(c.Frame, c.End), string(c.Kind), c.Confidence, c.Name, c.Hand})
	}
	for _, w := range s.Withdrawn {
		g := fileGone{Frame: w.Frame, End: endOrNone(w.Frame, w.End)}
		if w.Moved {
			g.MovedTo = &w.To
		}
		f.Withdrawn = append(f.Withdrawn, g)
	}
}

func (f *fileScore) readCuts(s *Score) {
	s.FirstShot = f.FirstShot
	for _, c := range f.Cuts {
		s.Cuts = append(s.Cuts, cutlist.Cut{Frame: c.Frame, End: endOr(c.Frame, c.End), Kind: cutlist.Kind(c.Kind),
			Confidence: c.Confidence, Name: c.Name, Hand: c.Hand})
	}
	for _, g := range f.Withdrawn {
		w := Withdrawn{Frame: g.Frame, End: endOr(g.Frame, g.End)}
		if g.MovedTo != nil {
			w.Moved, w.To = true, *g.MovedTo
		}
		s.Withdrawn = append(s.Withdrawn, w)
	}
}

func endOrNone(frame, end int64) int64 {
	if end == frame {
		return 0
	}
	return end
}

func endOr(frame, end int64) int64 {
	if end == 0 {
		return frame
	}
	return end
}
