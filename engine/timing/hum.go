package timing

import (
	"math"

	"cuechoir/internal/dsp"
)

// A voiced consonant (m, n, l) hums some 10 to 20 dB under its vowel, nearly all
// of it under 500 Hz, and is the beginning of its note.
const (
	humReach   = 0.12  // seconds looked at before the vowel
	humStep    = 0.002 // of the level
	humSmooth  = 6     // steps that a level is taken over: 12 ms, a period of E2
	humHz      = 500.0
	humShare   = 0.5  // of the sound that lies under humHz
	humOver    = 12.0 // dB over the quietest before it
	humUnder   = 28.0 // dB under the vowel, at most
	humLeast   = 0.012
	humSettled = 0.01 // of quiet before it, for it to have begun there
)

// Hum finds where the voiced consonant that leads into a voice begins, when it
// rises out of quiet and goes on up to the voice. x is the layer, onset and
// after (the end of the note before) count from x[0]; levelDB is the vowel's. It
// answers onset when there is none.
func Hum(x []float32, onset, after int64, levelDB float64, sampleRate int) int64 {
	step := int64(humStep * float64(sampleRate))
	from := max(0, after, onset-int64(humReach*float64(sampleRate)))
	n := int((onset - from) / step)
	if step < 8 || onset > int64(len(x)) || n < 3*humSmooth {
		return onset
	}
	from = onset - int64(n)*step
	low, all := humLevels(x[from:onset], int(step), sampleRate)
	quiet := math.Inf(1)
	for _, v := range low {
		quiet = min(quiet, v)
	}
	need := max(quiet+humOver, levelDB-humUnder)
	first := n
	for first > 0 && low[first-1] >= need && low[first-1] >= all[first-1]+10*math.Log10(humShare) {
		first--
	}
	settled := int(humSettled / humStep)
	if first < settled || float64(n-first)*humStep < humLeast {
		return onset
	}
	for _, v := range low[first-settled : first] {
		if v > need+3 { // it goes on from before
			return onset
		}
	}
	return from + int64(first)*step
}

// humLevels are the levels under humHz and of all, dB, in steps.
func humLevels(x []float32, step, sampleRate int) (low, all []float64) {
	low, all = make([]float64, len(x)/step), make([]float64, len(x)/step)
	c, err := dsp.Lowpass(humHz, math.Sqrt2/2, float64(sampleRate))
	if err != nil {
		return low, all
	}
	f := dsp.Biquad{Coefficients: c}
	whole := make([]float64, len(x))
	for i, v := range x {
		if v-v == 0 {
			whole[i] = float64(v)
		}
	}
	under := append([]float64(nil), whole...)
	f.Process64(under)
	level := func(y []float64, k int) float64 {
		from, to := max(0, k-humSmooth/2)*step, min(len(low), k+humSmooth/2)*step
		sum := 0.0
		for _, v := range y[from:to] {
			sum += v * v
		}
		return decibels(sum / float64(to-from))
	}
	for k := range low {
		low[k], all[k] = level(under, k), level(whole, k)
	}
	return low, all
}
