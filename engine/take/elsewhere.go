package take

import (
	"math"

	"cuechoir/internal/fault"
)

// Elsewhere says how a recording that was made elsewhere came to its place.
type Elsewhere struct {
	File       string  `json:"file"`        // its name, as it came
	Way        string  `json:"way"`         // what it was aligned by, in words
	Points     int     `json:"points"`      // chirps, clicks or notes that agree
	PPM        float64 `json:"ppm"`         // how fast its clock was; mended
	PPMKnown   bool    `json:"ppm_known"`   // false: the clock was taken to be right
	ResidualMs float64 `json:"residual_ms"` // the farthest point from its place
	WithinMs   float64 `json:"within_ms"`   // the take lies within ± this
	Confidence float64 `json:"confidence"`  // 0 to 1: that it is this place and no other
	Notes      string  `json:"notes,omitempty"`
}

// maxElsewhereMs bounds what a take may be off by: an hour.
const maxElsewhereMs = 3600e3

// check holds it against the bounds; NaN is within none.
func (e *Elsewhere) check() *fault.Error {
	if e == nil {
		return nil
	}
	if len(e.File) > maxTextBytes || len(e.Way) > maxTextBytes || len(e.Notes) > maxTextBytes {
		return fault.New(fault.OverLimit, "a text of over %d bytes", maxTextBytes)
	}
	within := func(x, low, high float64) bool { return x >= low && x <= high }
	if e.Points < 0 || !within(math.Abs(e.PPM), 0, 1e6) || !within(e.ResidualMs, 0, maxElsewhereMs) ||
		!within(e.WithinMs, 0, maxElsewhereMs) || !within(e.Confidence, 0, 1) {
		return fault.New(fault.Malformed, "elsewhere: %d points, %v ppm, %v and %v ms or a confidence of %v is out of range",
			e.Points, e.PPM, e.ResidualMs, e.WithinMs, e.Confidence)
	}
	return nil
}
