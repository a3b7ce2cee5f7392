package mix

import (
	"math"

	"cuechoir/internal/fault"
)

// OffDB is where a fader is shut: at it and below, the gain is 0.
const OffDB = -120

// Knot is a moment of a fader's automation.
type Knot struct {
	At int64   // timeline sample; may lie before the timeline
	DB float64 // OffDB (shut) to +24, added to the fader's own
}

// maxKnots bounds an automation.
const maxKnots = 100_000

// Automation is how a fader moves: at each knot's sample its dB exactly,
// between two knots in a straight line of dB, sample by sample; before the first
// and after the last as they are. Knots come in order of time. Towards a shut
// fader the line runs to OffDB. A line over a few milliseconds is heard as a
// fade, one from a sample to the next as a click: 5 ms at least is common
// practice.
type Automation []Knot

func (a Automation) validate() error {
	if len(a) > maxKnots {
		return fault.New(fault.Usage, "automation: more than %d moments", maxKnots)
	}
	for i, k := range a {
		switch {
		case !(k.DB >= OffDB && k.DB <= 24):
			return outside("automation", "db", k.DB, OffDB, 24)
		case k.At > maxTimeline || k.At < -maxTimeline:
			return fault.New(fault.Usage, "automation: sample %d is not on the timeline", k.At)
		case i > 0 && k.At <= a[i-1].At:
			return fault.New(fault.Usage, "automation: sample %d does not come after %d", k.At, a[i-1].At)
		}
	}
	return nil
}

// fader is one at work.
type fader struct {
	base  float64 // gain of the fader itself
	knots Automation
	next  int // the first knot after at
	gains [gainSteps]float64
}

// gainSteps is how many gains are found at a time, each from its own sample's dB.
const gainSteps = 16

// run multiplies x, whose first sample lies at the timeline sample at, by the
// fader. With several sounds the same gains work on each.
func (f *fader) run(at int64, sounds ...[]float64) {
	if len(f.knots) == 0 {
		if f.base != 1 {
			for _, x := range sounds {
				scale(x, f.base)
			}
		}
		return
	}
	for n, done := len(sounds[0]), 0; done < n; {
		k := min(gainSteps, n-done)
		f.gainsFrom(at, k)
		for _, x := range sounds {
			for i, g := range f.gains[:k] {
				x[done+i] *= g
			}
		}
		done, at = done+k, at+int64(k)
	}
}

// gainsFrom finds the gains of n samples from at.
func (f *fader) gainsFrom(at int64, n int) {
	for i := range n {
		t := at + int64(i)
		for f.next < len(f.knots) && f.knots[f.next].At <= t {
			f.next++
		}
		f.gains[i] = f.gainAt(t)
	}
}

// gainAt is the gain at a sample between knots next-1 and next.
func (f *fader) gainAt(t int64) float64 {
	var db float64
	switch {
	case f.next == 0:
		db = f.knots[0].DB
	case f.next == len(f.knots) || t == f.knots[f.next-1].At:
		db = f.knots[f.next-1].DB
	default:
		a, b := f.knots[f.next-1], f.knots[f.next]
		db = a.DB + (b.DB-a.DB)*float64(t-a.At)/float64(b.At-a.At)
	}
	if db <= OffDB {
		return 0
	}
	return f.base * math.Exp(db*math.Ln10/20)
}
