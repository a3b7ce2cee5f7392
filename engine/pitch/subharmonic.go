package pitch

import (
	"math"
	"slices"
)

// Aim: tell a voice whose period doubles (creak, fry: every second glottal
// pulse weaker) from one that truly sings an octave lower.
// Method: the subharmonic-to-harmonic ratio of Sun 2002, «Pitch determination
// and voice quality analysis using subharmonic-to-harmonic ratio», ICASSP: the
// amplitudes halfway between the harmonics of f0, over those of its harmonics.
// Cost: one short transform a partial and frame, over a few frames a note.
// Known failure: a vowel whose formants leave the odd partials of the true
// low note next to nothing.
const (
	// HeardAsHigher is the ratio below which listeners hear the higher pitch
	// (Sun 2002: from 0.4 on the lower one).
	HeardAsHigher = 0.4

	subharmonicTopHz  = 1250.0 // partials above are left out, as there
	subharmonicFrames = 12     // read, evenly over the note
	subharmonicCycles = 6.0    // periods of the low reading in a window
)

// SubharmonicRatio reads x at frames whose Hz is taken for the low reading,
// and gives the ratio for the pitch an octave above it: near 0 where nothing
// speaks for the low one, about 1 where it is truly sung. start is the sample,
// on the frames' count, of x[0]. NaN when no frame can be read.
func SubharmonicRatio(x []float32, sampleRate int, start int64, frames []Frame) float64 {
	step := max(1, len(frames)/subharmonicFrames)
	var ratios []float64
	for i := step / 2; i < len(frames); i += step {
		f := frames[i]
		if !f.Voiced || f.Hz <= 0 {
			continue
		}
		half := int(subharmonicCycles * float64(sampleRate) / f.Hz / 2)
		at := int(f.Sample - start)
		if at-half < 0 || at+half >= len(x) {
			continue
		}
		if r, ok := subharmonics(x[at-half:at+half+1], f.Hz/float64(sampleRate), float64(sampleRate)); ok {
			ratios = append(ratios, r)
		}
	}
	if len(ratios) == 0 {
		return math.NaN()
	}
	slices.Sort(ratios)
	return ratios[len(ratios)/2]
}

// subharmonics is the ratio in one window; low is the low reading in cycles a
// sample.
func subharmonics(x []float32, low, sampleRate float64) (float64, bool) {
	odd, even := 0.0, 0.0
	for n := 1; float64(n)*low*sampleRate < subharmonicTopHz; n++ {
		a := amplitude(x, float64(n)*low)
		if n%2 == 1 {
			odd += a
		} else {
			even += a
		}
	}
	return odd / even, even > 0
}

// amplitude is that of one partial, by the windowed Fourier sum (Hann).
func amplitude(x []float32, cyclesPerSample float64) float64 {
	sin, cos := math.Sincos(2 * math.Pi * cyclesPerSample)
	c, s := 1.0, 0.0
	wsin, wcos := math.Sincos(2 * math.Pi / float64(len(x)))
	wc, ws := 1.0, 0.0
	re, im := 0.0, 0.0
	for _, v := range x {
		w := float64(v) * (1 - wc)
		re += w * c
		im += w * s
		c, s = c*cos-s*sin, s*cos+c*sin
		wc, ws = wc*wcos-ws*wsin, ws*wcos+wc*wsin
	}
	return math.Hypot(re, im)
}
