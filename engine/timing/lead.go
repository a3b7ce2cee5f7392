package timing

import (
	"math"
	"slices"

	"cuechoir/internal/dsp"
)

// Aim: where the soft unvoiced sound that leads into a voice begins (f, h, a
// soft s), which lies far under the vowel and little over the room. Method: the
// level over 900 Hz in steps of 4 ms, four together, held against the quietest quarter of what
// lies since the note before; the sound must touch the voice, rise out of quiet
// and be no longer than a consonant, or it is a breath or a room dying away.
// Cost: one filter over half a second a note. Known failure: a consonant that
// joins on to the note before without a gap.
const (
	leadStep     = 0.004
	leadReach    = 0.5   // seconds looked at before the voice
	leadLow      = 900.0 // Hz
	leadFloor    = 0.25  // share of the steps that are taken for the room
	leadOver     = 3.0   // dB over it
	leadPeak     = 5.0   // dB over it at its highest
	leadSmooth   = 4     // steps that a level is taken over
	leadUnder    = 45.0  // dB under the vowel at most, at its highest
	leadLeast    = 0.02  // seconds
	leadMost     = 0.2
	leadHole     = 0.024 // of quiet that it may hold, as before a plosive opens
	leadSettle   = 0.02  // after the note before
	leadTouching = 0.008 // what lies so near the voice may be the voice
)

// Lead finds where the consonant before a voiced onset begins. x is the layer,
// onset and after (the end of the note before; nothing earlier is looked at)
// count from x[0]; levelDB is the vowel's. It answers onset when none is found.
func Lead(x []float32, onset, after int64, levelDB float64, sampleRate int) int64 {
	step := int64(leadStep * float64(sampleRate))
	if step < 8 || onset > int64(len(x)) {
		return onset
	}
	from := max(0, after+int64(leadSettle*float64(sampleRate)), onset-int64(leadReach*float64(sampleRate)))
	to := onset - int64(leadTouching*float64(sampleRate))
	n := int((to - from) / step)
	if n < int(3*leadLeast/leadStep) {
		return onset
	}
	level := highLevels(x[to-int64(n)*step:to], int(step), sampleRate)
	low := slices.Clone(level)
	slices.Sort(low)
	floor := max(-100, low[int(leadFloor*float64(n-1))])
	first, peak := n, math.Inf(-1)
	hole := int(math.Round(leadHole / leadStep))
	for k := n - 1; k >= 0 && first-k <= hole; k-- {
		if level[k] >= floor+leadOver {
			first, peak = k, max(peak, level[k])
		}
	}
	length := float64(n-first) * leadStep
	if first < hole || length < leadLeast || length > leadMost || peak < floor+leadPeak || peak < levelDB-leadUnder {
		return onset
	}
	return to - int64(n-first)*step
}

// highLevels are the levels over leadLow of steps, dB.
func highLevels(x []float32, step, sampleRate int) []float64 {
	out := make([]float64, len(x)/step)
	c, err := dsp.Highpass(leadLow, math.Sqrt2/2, float64(sampleRate))
	if err != nil {
		return out
	}
	f := dsp.Biquad{Coefficients: c}
	y := make([]float64, len(x))
	for i, v := range x {
		if v-v == 0 {
			y[i] = float64(v)
		}
	}
	f.Process64(y)
	for k := range out {
		from, to := max(0, k-leadSmooth/2)*step, min(len(out), k+leadSmooth/2)*step
		sum := 0.0
		for _, v := range y[from:max(to, from+step)] {
			sum += v * v
		}
		out[k] = decibels(sum / float64(max(to-from, step)))
	}
	return out
}
