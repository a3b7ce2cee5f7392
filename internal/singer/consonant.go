package singer

import (
	"math"
	"slices"
)

// sound is a consonant: a burst of noise through one broad resonance. Places of
// the energy after K. N. Stevens, Acoustic Phonetics (1998), from memory;
// lengths are common practice.
type sound struct {
	hz, bandwidth float64
	seconds       float64 // length of the noise
	attack        float64 // share of it in which it rises
	levelDB       float64 // peak of the envelope's RMS against the vowel
}

var sounds = map[string]sound{
	"t":  {4500, 2500, 0.035, 0.05, -4},
	"k":  {2200, 1200, 0.040, 0.05, -4},
	"p":  {900, 900, 0.030, 0.05, -6},
	"b":  {160, 120, 0.140, 0.02, 4}, // a kick drum, for unpitched notes
	"s":  {6500, 2500, 0.090, 0.35, -10},
	"sh": {3200, 1600, 0.100, 0.35, -8},
	"f":  {5500, 6000, 0.080, 0.35, -16},
	"h":  {1500, 2500, 0.070, 0.50, -18},
	"ts": {6800, 3000, 0.160, 0.02, -4}, // a cymbal, for unpitched notes
}

// murmurs are the voiced consonants: they open into the vowel from a hum.
var murmurs = map[string][3]float64{
	"m": {250, 1050, 2200}, "n": {250, 1450, 2300}, "l": {360, 1300, 2700},
}

const openSeconds = 0.06 // a murmur is the vowel after this

// Consonants lists the names that Note.Consonant takes, sorted.
func Consonants() []string {
	var names []string
	for n := range sounds {
		names = append(names, n)
	}
	for n := range murmurs {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

// Lead is how many samples before Start the note is first heard: its
// consonant's length, or 0 for a voiced consonant, none, or an unpitched note.
func (n Note) Lead(sampleRate int) int64 {
	if n.Vowel == "" {
		return 0
	}
	return n.noiseLength(sampleRate)
}

func (n Note) noiseLength(sampleRate int) int64 {
	return int64(math.Round(sounds[n.Consonant].seconds * float64(sampleRate)))
}

// addConsonant mixes the noise of note i into out, whose first sample is at
// start.
func (v Voice) addConsonant(out []float32, start int64, n Note, key uint64) {
	s, ok := sounds[n.Consonant]
	if !ok {
		return
	}
	sr := float64(v.SampleRate)
	length := n.noiseLength(v.SampleRate)
	from := n.Start - n.Lead(v.SampleRate)
	if from >= start+int64(len(out)) || from+length <= start {
		return
	}
	var r resonator
	hz := min(s.hz, topShare*sr)
	r.tune(hz, s.bandwidth, sr)
	gain := math.Pow(10, (NominalDBFS+n.LevelDB+s.levelDB)/20) * math.Sqrt(3/r.power())
	white := noise{seed: key}
	rise := s.attack * float64(length)
	for i := range length {
		env := min(1, float64(i+1)/rise)
		if after := float64(i) - rise; after > 0 {
			fall := 1 - after/(float64(length)-rise)
			env = fall * fall
		}
		x := white.at(i)
		y := r.a*x + r.b*r.y1 + r.c*r.y2
		r.y2, r.y1 = r.y1, y
		if at := from + i - start; at >= 0 && at < int64(len(out)) {
			out[at] += float32(gain * env * y)
		}
	}
}
