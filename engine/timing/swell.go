package timing

import "math"

// A tone that swells is heard to begin when its level comes within swellDB of
// the most it reaches: the relative threshold of Vos and Rasch 1981, «The
// perceptual onset of musical tones», Perception & Psychophysics 29, 6 to 15 dB
// under the maximum (from memory); the lower figure is taken, which moves an
// onset least. Gordon 1987 (JASA 82) found no model that serves all tones
// better.
const (
	swellDB     = 15.0
	swellReach  = 0.6   // seconds in which the level is reached
	swellWindow = 0.024 // of the level: two periods of a low voice
	swellStep   = 0.003
	swellLeast  = 0.02 // a rise within so much is no swell
)

// Heard is where a voiced note that begins at onset and ends at offset
// (samples of x) is heard to begin: onset, or later when it swells.
func Heard(x []float32, onset, offset int64, sampleRate int) int64 {
	onset = max(0, onset)
	last := min(offset, int64(len(x)), onset+int64(swellReach*float64(sampleRate)))
	step, half := int64(swellStep*float64(sampleRate)), int64(swellWindow*float64(sampleRate))/2
	if step < 1 || last-onset < 4*half {
		return onset
	}
	var levels []float64
	top := math.Inf(-1)
	for at := onset; at+half <= last; at += step {
		sum := 0.0
		for _, v := range x[at : at+half] { // what is to come: the onset's own side of the rise is quiet
			if v-v == 0 {
				sum += float64(v) * float64(v)
			}
		}
		levels = append(levels, decibels(sum/float64(half)))
		top = max(top, levels[len(levels)-1])
	}
	for k, v := range levels {
		if v < top-swellDB {
			continue
		}
		if at := int64(k)*step + half/2; float64(at) >= swellLeast*float64(sampleRate) && k > 0 {
			return onset + at
		}
		return onset
	}
	return onset
}
