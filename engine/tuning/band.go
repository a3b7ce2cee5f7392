package tuning

import (
	"math"

	"cuechoir/internal/dsp"
)

// Band is what a deviation asks for.
type Band int

// Listeners take a note for in tune within about 10 cents when it stands in a
// chord, and begin to reject sung melody intervals at 25 cents and more (Hill
// & Summers 2007; Larrouy-Maestri 2018; figures from memory).
const (
	Good   Band = iota // within GoodCents
	Listen             // within ListenCents: listen again
	Resing             // beyond: sing it again
)

// Bounds of the bands, cents.
const (
	GoodCents   = 10.0
	ListenCents = 25.0
)

func (b Band) String() string { return [...]string{"good", "listen again", "re-sing"}[b] }

// BandOf a deviation in cents.
func BandOf(cents float64) Band {
	switch c := math.Abs(cents); {
	case c <= GoodCents:
		return Good
	case c <= ListenCents:
		return Listen
	default:
		return Resing
	}
}

// Summary of a layer's deviations. Error is the median of their sizes, Bias
// their median, Spread 1.4826 times the median absolute deviation from it, the
// shares are 0 to 1.
type Summary struct {
	ErrorCents                   float64
	BiasCents, SpreadCents       float64
	Within10, Within25, Within50 float64
	Notes                        int
}

// Summarise deviations in cents.
func Summarise(cents []float64) Summary {
	s := Summary{Notes: len(cents), BiasCents: dsp.Median(cents)}
	if len(cents) == 0 {
		return s
	}
	dev, size := make([]float64, len(cents)), make([]float64, len(cents))
	for i, c := range cents {
		dev[i] = math.Abs(c - s.BiasCents)
		a := math.Abs(c)
		size[i] = a
		for _, b := range []struct {
			limit float64
			share *float64
		}{{10, &s.Within10}, {25, &s.Within25}, {50, &s.Within50}} {
			if a <= b.limit {
				*b.share += 1 / float64(len(cents))
			}
		}
	}
	s.SpreadCents, s.ErrorCents = 1.4826*dsp.Median(dev), dsp.Median(size)
	return s
}

// A whole layer is tuned low or high when its median is this far off, and so
// many standard errors, and the notes agree.
const (
	BiasCents   = 12.0
	biasErrors  = 4.0
	biasNotes   = 6
	biasScatter = 25.0
)

// Biased says whether the layer as a whole lies low or high.
func (s Summary) Biased() bool {
	err := 1.2533 * s.SpreadCents / math.Sqrt(math.Max(1, float64(s.Notes))) // of a median
	return s.Notes >= biasNotes && math.Abs(s.BiasCents) > BiasCents &&
		s.SpreadCents < biasScatter && math.Abs(s.BiasCents) > biasErrors*err
}
