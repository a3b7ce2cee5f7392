package tuning

import (
	"math"

	"cuechoir/internal/dsp"
)

// Scale is the set of pitch classes that belong to it, 0 = C. The zero value
// stands for all twelve.
type Scale [12]bool

// Major is the major scale on a tonic (0 = C); its relative minor shares it.
func Major(tonic int) Scale {
	var s Scale
	for _, step := range []int{0, 2, 4, 5, 7, 9, 11} {
		s[((tonic+step)%12+12)%12] = true
	}
	return s
}

// Nearest is the key of the scale nearest to absolute cents, and the
// deviation from it in cents.
func (s Scale) Nearest(cents float64) (key int, off float64) {
	if s == (Scale{}) {
		key = int(math.Round(cents / 100))
		return key, cents - 100*float64(key)
	}
	best := math.Inf(1)
	mid := int(math.Round(cents / 100))
	for k := mid - 6; k <= mid+6; k++ {
		if d := cents - 100*float64(k); s[(k%12+12)%12] && math.Abs(d) < math.Abs(best) {
			key, best = k, d
		}
	}
	return key, best
}

// Tuning is a free standard pitch: A4Hz, how many cents that is over 440 Hz,
// and how well the notes agree on it (the mean resultant length, 0 to 1).
type Tuning struct{ A4Hz, Cents, Agreement float64 }

// FindA4 estimates the standard pitch that the notes share, within half a
// semitone of 440 Hz: the circular mean of their places between semitones
// (Mardia & Jupp 2000, section 2.2), then the median about it. Weights may be nil.
func FindA4(cents, weights []float64) Tuning {
	t := direction(cents, weights)
	if t.Agreement == 0 {
		return Tuning{A4Hz: 440}
	}
	rest := make([]float64, len(cents))
	for i, c := range cents {
		rest[i] = wrap(c - t.Cents)
	}
	t.Cents = wrap(t.Cents + dsp.Median(rest))
	t.A4Hz = 440 * math.Exp2(t.Cents/1200)
	return t
}

// direction is the circular mean of places between semitones; no Agreement of
// nothing.
func direction(cents, weights []float64) Tuning {
	var x, y, sum float64
	for i, c := range cents {
		w := 1.0
		if weights != nil {
			w = weights[i]
		}
		a := 2 * math.Pi * c / 100
		x, y, sum = x+w*math.Cos(a), y+w*math.Sin(a), sum+w
	}
	if !(sum > 0) {
		return Tuning{}
	}
	return Tuning{Agreement: math.Hypot(x, y) / sum, Cents: 100 * math.Atan2(y, x) / (2 * math.Pi)}
}

// wrap puts cents into -50 to 50 of the nearest semitone.
func wrap(c float64) float64 { return c - 100*math.Round(c/100) }

// Free judges notes without a part: each against the nearest note of a scale,
// while the scale follows the singer. Cents is the deviation of each note from
// equal temperament at 440 Hz, carried on past half a semitone as the singer
// drifts; Keys the notes they stand for.
type Free struct {
	Cents []float64
	Keys  []int
	A4    Tuning
}

// follow is how many notes back the running reference looks.
const follow = 9

// JudgeFree reads a line of notes (absolute cents, in order of time).
func JudgeFree(cents []float64, s Scale) Free {
	f := Free{Cents: make([]float64, len(cents)), Keys: make([]int, len(cents)), A4: FindA4(cents, nil)}
	// The opening notes say where the singer starts; all of them where it lies.
	ref := f.A4.Cents
	if n := min(len(cents), 2*follow); n >= 4 {
		if head := FindA4(cents[:n], nil); head.Agreement > 0.7 {
			ref = head.Cents
		}
	}
	var recent []float64
	for i, c := range cents {
		key, off := s.Nearest(c - ref)
		f.Keys[i], f.Cents[i] = key, off+ref
		recent = append(recent, off+ref)
		if len(recent) > follow {
			recent = recent[1:]
		}
		if len(recent) == follow {
			ref = dsp.Median(recent)
		}
	}
	return f
}
