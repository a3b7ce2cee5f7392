package sketch

import (
	"math"

	"cuechoir/engine/tuning"
)

// Drift is looked for over so many cents of the whole line.
const (
	driftSpan     = 100.0
	driftStep     = 4.0
	usualSpan     = 30.0 // cents, its prior's standard deviation
	scatterCents  = 20.0 // of a hummer's notes about their keys
	leastMinutes  = 1.0 / 60
	scatterOfTurn = 2 * math.Pi * scatterCents / 100
)

// findTuning is the line by which the hummer is sharp: at each slope the
// circular mean is looked at (tuning.FindA4), the slope under which the notes
// agree best is kept, and the robust line through what is then unwrapped. A
// line that chance could draw is taken for level.
func findTuning(notes []heardNote, sampleRate int) tuning.Line {
	n := len(notes)
	at, w, cents := make([]float64, n), make([]float64, n), make([]float64, n)
	for i, h := range notes {
		at[i] = minutesOf(h, sampleRate)
		w[i] = h.confidence * math.Sqrt(float64(h.offset-h.onset)/float64(sampleRate))
	}
	span := max(at[n-1]-at[0], leastMinutes)
	best, slope, offset := math.Inf(-1), 0.0, 0.0
	for s := -driftSpan; s <= driftSpan; s += driftStep {
		for i, h := range notes {
			cents[i] = h.cents - s*(at[i]-at[0])/span
		}
		t := tuning.FindA4(cents, w)
		// the von Mises likelihood of the notes, less the slope's prior
		score := float64(n)*t.Agreement/(scatterOfTurn*scatterOfTurn) - s*s/(2*usualSpan*usualSpan)
		if score > best {
			best, slope, offset = score, s/span, t.Cents
		}
	}
	points := make([]tuning.Point, n)
	for i, h := range notes {
		line := offset + slope*(at[i]-at[0])
		points[i] = tuning.Point{Minutes: at[i], Cents: h.cents - 100*math.Round((h.cents-line)/100)}
	}
	line := tuning.FitLine(points)
	if line.Significant() {
		return line
	}
	for i := range points {
		cents[i] = points[i].Cents
	}
	return tuning.Line{At0Cents: tuning.Summarise(cents).BiasCents, Chance: 1, Points: n}
}
