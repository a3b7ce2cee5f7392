package tempo

import (
	"fmt"
	"math/big"

	"cuechoir/engine/timecode"
)

// Landing is where a hit falls on a map.
type Landing struct {
	Hit         int            // index of the hit as given
	Place       Place          // nearest place of the kind the hit asks for, or the one it is pinned to
	ErrorFrames timecode.Ratio // place minus hit: above 0 when the beat comes late
	Caught      bool           // within the hit's tolerance, half a frame at least
	InSync      bool           // heard as together with the picture all the same (SyncEBU)
	WouldCost   string         // for a hit that is missed: what catching it takes, in plain words
}

// Landings reports any map against hits, in the hits' order. It fails as
// NewGrid does.
func Landings(m Map, hits []Hit, rate timecode.Rate) ([]Landing, error) {
	last := int64(0)
	for _, h := range hits {
		last = max(last, h.Frame+1)
	}
	g, err := NewGrid(m, rate, last)
	if err != nil {
		return nil, err
	}
	return g.Landings(hits), nil
}

// Landings reports hits against the grid, in the hits' order.
func (g *Grid) Landings(hits []Hit) []Landing {
	out := make([]Landing, len(hits))
	for i, h := range hits {
		p := g.placeOfHit(h)
		out[i] = Landing{Hit: i, Place: p, ErrorFrames: p.ErrorFrames, Caught: within(p.ErrorFrames, h.Tolerance),
			InSync: SyncEBU.Holds(p.ErrorFrames, g.rate)}
		if !out[i].Caught {
			out[i].WouldCost = missWords(h, p)
		}
	}
	return out
}

// ErrorSamples is how many samples after the start of its frame a hit's
// landing sounds; below 0 when it sounds before.
func (g *Grid) ErrorSamples(l Landing, h Hit, sampleRate int) int64 {
	return g.SampleAt(l.Place.Quarter, sampleRate) - g.rate.SampleOf(h.Frame, sampleRate)
}

func (g *Grid) placeOfHit(h Hit) Place {
	switch {
	case h.Bar == 0 && h.Beat == 0:
		return g.PlaceOn(h.Frame, h.Lands)
	case h.Bar != 0 && h.Beat != 0:
		return g.At(h.Bar, h.Beat, h.Frame)
	case h.Bar == 0: // a given beat of the nearest bar
		return g.nearestOf(h.Frame, h.Beat)
	}
	return g.nearestIn(h.Bar, h.Lands, h.Frame)
}

// nearestOf is the nearest place of a given beat number.
func (g *Grid) nearestOf(frame int64, beat int) Place {
	bar := g.barAt(g.quarterOfFrame(new(big.Rat).SetInt64(frame)))
	best := g.At(bar-1, beat, frame)
	for _, b := range []int{bar, bar + 1} {
		if p := g.At(b, beat, frame); cmpAbs(p.ErrorFrames.Rat(), best.ErrorFrames.Rat()) < 0 {
			best = p
		}
	}
	return best
}

// nearestIn is the nearest landing of a kind within a given bar.
func (g *Grid) nearestIn(bar int, on Lands, frame int64) Place {
	want := new(big.Rat).SetInt64(frame)
	step, n := landingStep(g.metreOfBar(bar).metre, on)
	best := g.placeOf(bar, 0, step, on, want)
	for k := 1; k < n; k++ {
		if p := g.placeOf(bar, k, step, on, want); cmpAbs(p.ErrorFrames.Rat(), best.ErrorFrames.Rat()) < 0 {
			best = p
		}
	}
	return best
}

// within reports |err| <= max(tolerance, 1/2): half a frame rounds to the frame.
func within(err timecode.Ratio, tolerance int64) bool {
	limit := big.NewRat(1, 2)
	if tolerance > 0 {
		limit.SetInt64(tolerance)
	}
	return cmpAbs(err.Rat(), limit) <= 0
}

func missWords(h Hit, p Place) string {
	kind := map[Lands]string{"": "bar line", LandsBar: "bar line", LandsBeat: "beat", LandsHalf: "half beat"}[h.Lands]
	if h.Bar != 0 || h.Beat != 0 {
		kind = "place asked for"
	}
	e := p.ErrorFrames.Float()
	if e < 0 {
		return fmt.Sprintf("the nearest %s, %s, falls %s early", kind, p, framesWords(-e))
	}
	return fmt.Sprintf("the nearest %s, %s, falls %s late", kind, p, framesWords(e))
}

func framesWords(frames float64) string {
	if frames == 1 {
		return "1 frame"
	}
	return fmt.Sprintf("%.3g frames", frames)
}
