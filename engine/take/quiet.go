package take

import (
	"errors"
	"io"
	"math"

	"cuechoir/internal/fault"
)

// MaxSearch bounds how far, in samples, QuietPlace looks to either side.
const MaxSearch = 96_000

// QuietPlace is the timeline sample within search samples of at about which a
// crossfade of the given length is heard least: where both voices together have
// the least energy over that length, the nearest to at when several are alike.
// Only places are looked at where both have sound; there is none: at itself.
// Errors: Usage, and those of reading.
func QuietPlace(a, b Voice, at, search, length int64) (int64, error) {
	if search < 0 || search > MaxSearch || length < 0 || length > MaxFade {
		return at, fault.New(fault.Usage, "a search of %d samples for a crossfade of %d is out of range", search, length)
	}
	before := length / 2
	from := max(at-search-before, a.Start, b.Start)
	to := min(at+search-before+length, a.End(), b.End())
	if length == 0 || to-from < length {
		return at, nil
	}
	energy := make([]float64, to-from+1) // running sum
	x := make([]float32, to-from)
	for _, v := range []Voice{a, b} {
		if err := readAt(v, x, from); err != nil {
			return at, err
		}
		sum := 0.0
		for i, y := range x {
			sum += float64(y) * float64(y)
			energy[i+1] += sum
		}
	}
	best, least := at, math.Inf(1)
	for i := int64(0); i+length <= to-from; i++ {
		e, place := energy[i+length]-energy[i], from+i+before
		if e < least || e == least && distance(place, at) < distance(best, at) {
			best, least = place, e
		}
	}
	return best, nil
}

func distance(a, b int64) int64 { return max(a-b, b-a) }

// readAt fills x from timeline sample at on.
func readAt(v Voice, x []float32, at int64) error {
	if err := v.Sound.SeekSample(at - v.Start); err != nil {
		return err
	}
	return readFull(v, x)
}

// readFull fills x from where the voice's sound stands.
func readFull(v Voice, x []float32) error {
	for n := 0; n < len(x); {
		k, err := v.Sound.Read(x[n:])
		n += k
		switch {
		case n == len(x):
		case errors.Is(err, io.EOF):
			return fault.New(fault.Malformed, "take %s ends before its time", v.ID).Mended("put the take's own file back from a copy")
		case err != nil:
			return err
		}
	}
	return nil
}
