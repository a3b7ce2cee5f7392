package sketch

import (
	"math"
	"strings"

	"cuechoir/engine/part"
	"cuechoir/engine/tuning"
	"cuechoir/internal/fault"
)

// Scale is a key: a tonic and whether it is minor, or all twelve notes. The
// zero value is C major.
type Scale struct {
	Tonic     int // 0 = C to 11 = B
	Minor     bool
	Chromatic bool // no key: Tonic and Minor say nothing
}

// spelling of the tonics as keys are commonly named.
var (
	majorNames = [12]string{"C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"}
	minorNames = [12]string{"C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "Bb", "B"}
)

// String is the key's name, as ParseScale reads it: "D minor", "Bb major",
// "chromatic".
func (s Scale) String() string {
	switch {
	case s.Chromatic:
		return "chromatic"
	case s.Minor:
		return minorNames[s.Tonic%12] + " minor"
	}
	return majorNames[s.Tonic%12] + " major"
}

// ParseScale reads a tonic (a letter with # or b) and major or minor, or
// chromatic; a tonic alone is major. Errors: Usage.
func ParseScale(text string) (Scale, error) {
	bad := fault.New(fault.Usage, "%.40q is no scale", text).Mended("write a tonic and major or minor, such as \"D minor\" or \"Bb major\", or chromatic")
	words := strings.Fields(text)
	if len(words) == 0 || len(words) > 2 || len(text) > 40 {
		return Scale{}, bad
	}
	if strings.EqualFold(words[0], "chromatic") && len(words) == 1 {
		return Scale{Chromatic: true}, nil
	}
	key, err := part.ParseKey(words[0] + "4")
	if err != nil || strings.ContainsAny(words[0], "0123456789-") {
		return Scale{}, bad
	}
	s := Scale{Tonic: int(key) % 12}
	if len(words) == 2 {
		switch strings.ToLower(words[1]) {
		case "major":
		case "minor":
			s.Minor = true
		default:
			return Scale{}, bad
		}
	}
	return s, nil
}

// belongs is how a pitch class stands to the scale: 0 in it, 1 a raised sixth
// or seventh of a minor key, 2 outside.
func (s Scale) belongs(class int) int {
	if s.Chromatic {
		return 0
	}
	tonic := s.Tonic
	if s.Minor {
		tonic += 3 // the relative major has the natural minor's notes
		if step := ((class-s.Tonic)%12 + 12) % 12; step == 9 || step == 11 {
			return 1
		}
	}
	if tuning.Major(tonic)[((class%12)+12)%12] {
		return 0
	}
	return 2
}

// Probe-tone ratings of pitch classes above the tonic: Krumhansl & Kessler
// 1982, as in Krumhansl, Cognitive Foundations of Musical Pitch, 1990.
var (
	majorProfile = [12]float64{6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88}
	minorProfile = [12]float64{6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17}
)

// guessScale is the key whose profile correlates best with how long each
// pitch class sounds, and the next best (Krumhansl 1990, chapter 4).
func guessScale(sounding [12]float64) (best, rival Scale, fit, rivalFit float64) {
	fit, rivalFit = math.Inf(-1), math.Inf(-1)
	for i := range 24 {
		s := Scale{Tonic: i % 12, Minor: i >= 12}
		profile := majorProfile
		if s.Minor {
			profile = minorProfile
		}
		var turned [12]float64
		for k := range turned {
			turned[(k+s.Tonic)%12] = profile[k]
		}
		switch r := correlation(sounding, turned); {
		case r > fit:
			rival, rivalFit = best, fit
			best, fit = s, r
		case r > rivalFit:
			rival, rivalFit = s, r
		}
	}
	return best, rival, fit, rivalFit
}

// correlation is Pearson's; 0 where one side is level.
func correlation(a, b [12]float64) float64 {
	var ma, mb float64
	for i := range a {
		ma, mb = ma+a[i]/12, mb+b[i]/12
	}
	var ab, aa, bb float64
	for i := range a {
		x, y := a[i]-ma, b[i]-mb
		ab, aa, bb = ab+x*y, aa+x*x, bb+y*y
	}
	if aa <= 0 || bb <= 0 {
		return 0
	}
	return ab / math.Sqrt(aa*bb)
}
