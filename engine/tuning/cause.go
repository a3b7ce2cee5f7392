package tuning

import (
	"maps"
	"math"
	"slices"
)

// Step is a note on the way of a drift: its deviation, and how the part came
// to it from the step before: over which intervals (semitones, down: negative;
// several when notes between could not be read) and whether a rest lay there.
type Step struct {
	Point
	Intervals []int
	Breath    bool
}

// steps is how often a step makes one of a kind.
func (s Step) steps(kind int) int {
	n := 0
	if kind == breathStep {
		if s.Breath {
			n++
		}
		return n
	}
	for _, v := range s.Intervals {
		if v == kind {
			n++
		}
	}
	return n
}

// Way says where a drift went: the shortest stretch in which its curve does
// most of its rise or fall. Even when no stretch stands out.
type Way struct {
	FromMinutes, ToMinutes float64
	Cents                  float64 // of the stretch
	Even                   bool
}

const (
	wayPart  = 0.6 // of the whole drift, in ...
	wayShare = 0.4 // ... no more than so much of the time stands out,
	wayCents = 6.0 // and by so much more than an even drift would do there
)

// FindWay looks along a curve.
func FindWay(curve []Point) Way {
	n := len(curve)
	if n < 2 || curve[n-1].Minutes <= curve[0].Minutes {
		return Way{Even: true}
	}
	all := curve[n-1].Cents - curve[0].Cents
	best := Way{curve[0].Minutes, curve[n-1].Minutes, all, true}
	for i := range curve {
		// a curve may turn back, so every end is tried that could be nearer
		for j := i + 1; j < n && curve[j].Minutes-curve[i].Minutes < best.ToMinutes-best.FromMinutes; j++ {
			if part := curve[j].Cents - curve[i].Cents; part*all > 0 && math.Abs(part) >= wayPart*math.Abs(all) {
				best = Way{curve[i].Minutes, curve[j].Minutes, part, false}
			}
		}
	}
	share := (best.ToMinutes - best.FromMinutes) / (curve[n-1].Minutes - curve[0].Minutes)
	best.Even = best.Even || share > wayShare || math.Abs(best.Cents)-share*math.Abs(all) < wayCents
	return best
}

// Cause is what a drift goes by: each time the part makes an interval, or each
// time the singer breathes, the pitch moves by CentsEach and stays there.
type Cause struct {
	Interval  int // semitones up; 0 with Breath
	Breath    bool
	Times     int
	CentsEach float64
}

// A cause is named when a staircase that steps with it fits so much better
// than a straight line in time that chance is ruled out: causeEvidence is twice
// the difference of log likelihoods, over that for choosing among two dozen
// staircases (from trials on even drifts, see the tests).
const (
	causeTimes    = 3
	causeEvidence = 12.0
	causeCents    = 2.0 // a time, at least
	wildResidual  = 3.0 // residuals count up to so many spreads
	breathStep    = math.MinInt
)

// FindCause asks which interval, or the breath, a drift goes by; false when
// time alone explains it as well. line is FitLine's of the same notes.
func FindCause(steps []Step, line Line) (Cause, bool) {
	kinds := map[int]int{}
	for _, s := range steps {
		for _, v := range s.Intervals {
			if v != 0 {
				kinds[v]++
			}
		}
		if s.Breath {
			kinds[breathStep]++
		}
	}
	scale := max(1, line.SpreadCents)
	plain := lossOf(steps, scale, func(i int) float64 { return line.At(steps[i].Minutes) })
	var best Cause
	most := causeEvidence
	for _, kind := range slices.Sorted(maps.Keys(kinds)) {
		times := kinds[kind]
		if times < causeTimes {
			continue
		}
		c, stairs, counts := climb(steps, kind, times)
		loss := lossOf(steps, scale, func(i int) float64 { return stairs.At(counts[i]) })
		evidence := float64(len(steps)) * math.Log(max(plain, 1e-9)/max(loss, 1e-9))
		if evidence > most && c.CentsEach*line.CentsPerMinute > 0 && math.Abs(c.CentsEach) >= causeCents {
			best, most = c, evidence
		}
	}
	return best, best.Times > 0
}

// climb fits the staircase that steps with each of a kind.
func climb(steps []Step, kind, times int) (Cause, Line, []float64) {
	counts := make([]float64, len(steps))
	points := make([]Point, len(steps))
	n := 0
	for i, s := range steps {
		n += s.steps(kind)
		counts[i] = float64(n)
		points[i] = Point{counts[i], s.Cents}
	}
	stairs := FitLine(points)
	c := Cause{Interval: kind, Times: times, CentsEach: stairs.CentsPerMinute}
	if kind == breathStep {
		c.Interval, c.Breath = 0, true
	}
	return c, stairs, counts
}

// lossOf is the mean square residual, wild ones held back, in squares of scale.
func lossOf(steps []Step, scale float64, at func(i int) float64) float64 {
	sum := 0.0
	for i, s := range steps {
		r := min(wildResidual, math.Abs(s.Cents-at(i))/scale)
		sum += r * r
	}
	return sum / float64(max(1, len(steps)))
}
