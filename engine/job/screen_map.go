package job

import (
	"context"

	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
)

// OfferMaps finds tempo maps as SolveMap does, and stores none. With wishes
// that cannot all be met it gives the nearest maps beside an error of kind
// NotMet.
func OfferMaps(ctx context.Context, s *score.Score, o tempo.Options) ([]tempo.Answer, error) {
	o.Rate, o.Frames = s.Reference.Rate, s.Reference.Frames
	if s.Map != nil {
		o.Pins = s.Map.Pins
	}
	return tempo.Solve(ctx, s.Hits, o)
}

// KeepMap stores a map that OfferMaps gave. gone is what the old map had by
// hand and this one has not. Errors: Malformed (it does not lie on the
// reference, or breaks a beat that was pinned since).
func KeepMap(f *score.Folder, m tempo.Map, label string) (gone []string, err error) {
	_, err = f.Edit(label, func(s *score.Score) error {
		if s.Map != nil {
			m.Pins = s.Map.Pins
		}
		if _, err := tempo.NewGrid(m, s.Reference.Rate, s.Reference.Frames); err != nil {
			return fault.New(fault.KindOf(err), "this map cannot be kept").Because(err).Mended("solve again")
		}
		gone = byHand(s.Map)
		s.Map = &m
		return nil
	})
	return gone, err
}

// PinNearest pins the beat nearest to a frame on that frame, or lets it go
// when it is pinned there already. It reports the beat, and whether it is
// pinned now.
func PinNearest(f *score.Folder, frame int64) (p tempo.Pin, pinned bool, err error) {
	_, err = f.EditAs(func(s *score.Score) (string, error) {
		grid, err := Grid(s)
		if err != nil {
			return "", err
		}
		var m tempo.Map
		for _, x := range s.Map.Pins {
			if x.Frame != frame {
				continue
			}
			p = x
			if m, err = grid.Unpin(x.Bar, x.Beat); err != nil {
				return "", err
			}
			s.Map = &m
			return "beat " + x.String() + " unpinned", nil
		}
		place := grid.PlaceOn(frame, tempo.LandsBeat)
		p, pinned = tempo.Pin{Bar: place.Bar, Beat: place.Beat, Frame: frame}, true
		if m, err = grid.PinBeat(p.Bar, p.Beat, frame); err != nil {
			return "", err
		}
		s.Map = &m
		return "beat " + p.String() + " pinned", nil
	})
	return p, pinned, err
}
