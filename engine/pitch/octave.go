package pitch

import (
	"math"
	"slices"
)

// Aim: choose between a period and its double frame by frame, where the
// difference function alone cannot: a creaking voice, whose every second pulse
// is weaker, or another layer an octave lower and far softer, against a low
// voice whose vowel leaves its odd partials weak.
// Method: each odd partial of the low reading against the mean of its even
// neighbours, in dB (the subharmonic-to-harmonic ratio of Sun 2002, but taken
// from neighbour to neighbour, so that one strong formant moves one or two of
// the figures and not their median).
// Cost: eight short transforms a frame, only where both readings are possible.
// Known failure: a doubling with every second pulse less than half as strong
// is heard and read as the lower note.
type octaves struct {
	rate float64
	amp  [octavePartials + 1]float64 // dB, by partial of the low reading
}

const (
	octavePartials = 8
	octaveCycles   = 3.0   // periods of the low reading in a window: its Hann window is nought on the neighbours
	octaveAsk      = 0.02  // share of the low reading from which on it is asked
	octaveDepth    = 0.40  // a shallower dip is no period at all
	octaveNear     = 50.0  // cents from twice the pitch
	octaveRangeDB  = 45.0  // partials softer than this under the strongest say nothing
	octaveWeakDB   = -17.0 // true low notes read -16 at worst over eleven vowels of man and woman from E2 to C6, creak of 30 % -18
	octaveSlopeDB  = 1.0
)

// settle shares out between two candidates an octave apart what both have, at
// an index of y.
func (o *octaves) settle(y []float32, at int, dips []candidate) {
	for low := range dips {
		if dips[low].share < octaveAsk {
			continue
		}
		for high := range low {
			if dips[high].depth > octaveDepth || math.Abs(1200*math.Log2(dips[high].hz/dips[low].hz/2)) > octaveNear {
				continue
			}
			odd, ok := o.oddPartials(y, at, (dips[low].hz+dips[high].hz/2)/2)
			if !ok {
				continue
			}
			both := dips[low].share + dips[high].share
			heardHigh := 1 / (1 + math.Exp((odd-octaveWeakDB)/octaveSlopeDB))
			dips[high].share, dips[low].share = both*heardHigh, both*(1-heardHigh)
		}
	}
}

// oddPartials is the level of the odd partials of low against their neighbours,
// dB: halfway between their median and the first, which no formant can weaken
// by much. False when the sound does not hold the window or two of them.
func (o *octaves) oddPartials(y []float32, at int, low float64) (float64, bool) {
	half := int(octaveCycles * o.rate / low / 2)
	if at-half < 0 || at+half >= len(y) {
		return 0, false
	}
	x := y[at-half : at+half+1]
	n, most := 0, math.Inf(-1)
	for k := 1; k <= octavePartials && float64(k)*low < highCutHz; k++ {
		o.amp[k] = 20 * math.Log10(amplitude(x, float64(k)*low/o.rate)+1e-12)
		most = max(most, o.amp[k])
		n = k
	}
	var room [octavePartials / 2]float64
	levels := room[:0]
	for k := 1; k < n; k += 2 {
		beside := o.amp[k+1]
		if k > 1 {
			beside = (o.amp[k-1] + o.amp[k+1]) / 2
		}
		if beside > most-octaveRangeDB {
			levels = append(levels, o.amp[k]-beside)
		}
	}
	if len(levels) < 2 {
		return 0, false
	}
	first := levels[0]
	slices.Sort(levels)
	middle := (levels[(len(levels)-1)/2] + levels[len(levels)/2]) / 2
	return (first + middle) / 2, true
}
