package tuning

import (
	"math"
	"sort"
	"strings"

	"cuechoir/internal/fault"
)

// Ratio is a just interval, Num:Den.
type Ratio struct{ Num, Den int }

// Cents of the ratio.
func (r Ratio) Cents() float64 { return 1200 * math.Log2(float64(r.Num)/float64(r.Den)) }

// justRatios is the 5-limit chromatic scale, by semitones over the tonic
// (Helmholtz and Ellis 1885, appendix XX, from memory; of the two minor
// sevenths the wider, 9:5, which is a minor third over the fifth).
var justRatios = [12]Ratio{{1, 1}, {16, 15}, {9, 8}, {6, 5}, {5, 4}, {4, 3}, {45, 32}, {3, 2}, {8, 5}, {5, 3}, {9, 5}, {15, 8}}

// JustInterval is the just ratio of an interval of so many semitones, 0 or more.
func JustInterval(semitones int) Ratio {
	r := justRatios[semitones%12]
	for range semitones / 12 {
		if r.Den%2 == 0 {
			r.Den /= 2
		} else {
			r.Num *= 2
		}
	}
	return r
}

// Tonic is the tonic (0 = C) from a sample of the timeline on.
type Tonic struct {
	From  int64
	Class int
}

// System is what notes should be: equal temperament at 440 Hz as the zero
// value. With Tonics it is just: 5-limit over the tonic of the section, the
// tonic itself where equal temperament has it. A4Hz 0 stands for 440.
type System struct {
	A4Hz   float64
	Tonics []Tonic // in order; the first also holds before it
}

// Bounds of a standard pitch: half an octave about 440 Hz.
const (
	LeastA4 = 311.0
	MostA4  = 622.0
)

// Validate: A4Hz is 0 or LeastA4 to MostA4, the tonics are in order and 0 to 11.
func (s System) Validate() error {
	if s.A4Hz != 0 && !(s.A4Hz >= LeastA4 && s.A4Hz <= MostA4) {
		return fault.New(fault.Usage, "%g Hz cannot be the A over middle C", s.A4Hz).Mended("give %g to %g Hz", LeastA4, MostA4)
	}
	for i, t := range s.Tonics {
		if t.Class < 0 || t.Class > 11 || i > 0 && t.From <= s.Tonics[i-1].From {
			return fault.New(fault.Usage, "the tonics are not in order").Mended("give each once, by bar")
		}
	}
	return nil
}

// A4Cents is how far A4 lies over 440 Hz.
func (s System) A4Cents() float64 {
	if s.A4Hz == 0 {
		return 0
	}
	return 1200 * math.Log2(s.A4Hz/440)
}

// Cents is what a key should be at a sample, absolute (6900 = 440 Hz).
func (s System) Cents(key float64, sample int64) float64 {
	c := 100*key + s.A4Cents()
	if len(s.Tonics) == 0 {
		return c
	}
	k := sort.Search(len(s.Tonics), func(i int) bool { return s.Tonics[i].From > sample })
	return c + justOffset(int(math.Round(key)), s.Tonics[max(0, k-1)].Class)
}

// justOffset is the just note of a key less the equal one, cents.
func justOffset(key, tonic int) float64 {
	step := ((key-tonic)%12 + 12) % 12
	return justRatios[step].Cents() - 100*float64(step)
}

// ParseClass reads the name of a note without octave: C, f#, Bb.
func ParseClass(name string) (int, error) {
	letters := map[byte]int{'c': 0, 'd': 2, 'e': 4, 'f': 5, 'g': 7, 'a': 9, 'b': 11}
	low := strings.ToLower(strings.TrimSpace(name))
	if low != "" {
		if class, ok := letters[low[0]]; ok {
			switch low[1:] {
			case "":
				return class, nil
			case "#", "♯":
				return (class + 1) % 12, nil
			case "b", "♭":
				return (class + 11) % 12, nil
			}
		}
	}
	return 0, fault.New(fault.Usage, "%q is no note", name).Mended("write it as D, F# or Bb")
}

// Probe-tone profiles of the major and minor key (Krumhansl & Kessler 1982,
// from memory).
var (
	majorProfile = [12]float64{6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88}
	minorProfile = [12]float64{6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17}
)

// FindTonic is the tonic (0 = C) of the key whose profile goes best with how
// long each pitch class sounds (Krumhansl 1990), and whether it is a minor key.
func FindTonic(lengths [12]float64) (class int, minor bool) {
	best := math.Inf(-1)
	for t := range 12 {
		for m, profile := range [2][12]float64{majorProfile, minorProfile} {
			if r := correlation(lengths, profile, t); r > best {
				best, class, minor = r, t, m == 1
			}
		}
	}
	return class, minor
}

func correlation(lengths, profile [12]float64, tonic int) float64 {
	var ma, mb float64
	for i := range 12 {
		ma, mb = ma+lengths[i]/12, mb+profile[i]/12
	}
	var ab, aa, bb float64
	for i := range 12 {
		a, b := lengths[(i+tonic)%12]-ma, profile[i]-mb
		ab, aa, bb = ab+a*b, aa+a*a, bb+b*b
	}
	return ab / math.Sqrt(max(aa*bb, 1e-12))
}
