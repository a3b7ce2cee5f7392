package tuning

import (
	"math"
	"slices"

	"cuechoir/internal/dsp"
)

// Point is a note's deviation at a time.
type Point struct{ Minutes, Cents float64 }

// Line is a robust straight line through deviations: Cents(t) = At0Cents +
// CentsPerMinute*t. SpanCents is its rise from the first point to the last.
// Chance is the two-sided probability that a set without drift shows this
// much order (Kendall's tau). ErrorCents is the standard error of SpanCents.
// LeastPerMinute to MostPerMinute is the slope's 95 % interval (Sen 1968), as
// wide as the slopes of all pairs where there are too few points to say.
type Line struct {
	CentsPerMinute, At0Cents float64
	LeastPerMinute           float64
	MostPerMinute            float64
	SpanCents, Chance        float64
	SpreadCents              float64 // 1.4826 * median absolute residual
	ErrorCents               float64
	Points                   int
}

// Drift is believed when chance alone would show it less often than
// DriftChance, and the line spans at least DriftSpanCents: less is within what
// a listener takes for in tune (Larrouy-Maestri 2018) and within a note's own
// spread.
const (
	DriftChance    = 0.002
	DriftSpanCents = 12.0
	driftPoints    = 8
	driftErrors    = 3.0 // the span must be so many of its standard errors
	maxSlopes      = 2_000_000
)

// FitLine is the Theil-Sen line (Theil 1950; Sen 1968): the median of the
// slopes of all pairs, then the median intercept; up to 29 % of the points may
// be anything. Points must be in order of time.
func FitLine(points []Point) Line {
	l := Line{Chance: 1, Points: len(points)}
	if len(points) == 0 {
		return l
	}
	p := thin(points)
	var slopes []float64
	order, ties := 0, 0
	for i := range p {
		for j := i + 1; j < len(p); j++ {
			dt := p[j].Minutes - p[i].Minutes
			if dt <= 0 {
				ties++
				continue
			}
			slopes = append(slopes, (p[j].Cents-p[i].Cents)/dt)
			switch {
			case p[j].Cents > p[i].Cents:
				order++
			case p[j].Cents < p[i].Cents:
				order--
			}
		}
	}
	if len(slopes) > 0 {
		l.CentsPerMinute = dsp.Median(slopes)
		l.LeastPerMinute, l.MostPerMinute = senInterval(slopes, len(p))
		l.Chance = kendallChance(order, len(p))
	}
	rest := make([]float64, len(points))
	for i, q := range points {
		rest[i] = q.Cents - l.CentsPerMinute*q.Minutes
	}
	l.At0Cents = dsp.Median(rest)
	for i := range rest {
		rest[i] = math.Abs(rest[i] - l.At0Cents)
	}
	l.SpreadCents = 1.4826 * dsp.Median(rest)
	width := points[len(points)-1].Minutes - points[0].Minutes
	l.SpanCents = l.CentsPerMinute * width
	// of a least-squares slope over even times: sd*sqrt(12/n), a little more for Theil-Sen
	l.ErrorCents = 1.1 * l.SpreadCents * math.Sqrt(12/float64(len(points)))
	return l
}

// thin keeps the pairs under maxSlopes by taking every k-th point.
func thin(p []Point) []Point {
	k := 1
	for n := len(p) / k; n*(n-1)/2 > maxSlopes; n = len(p) / k {
		k++
	}
	if k == 1 {
		return p
	}
	var out []Point
	for i := 0; i < len(p); i += k {
		out = append(out, p[i])
	}
	return out
}

// senInterval is the 95 % interval of the median slope among those of all pairs
// of n points: the ranks at half the number of slopes less and more 1.96
// standard deviations of Kendall's S (Sen 1968). It sorts slopes.
func senInterval(slopes []float64, n int) (least, most float64) {
	slices.Sort(slopes)
	reach := 1.96 * math.Sqrt(kendallVariance(n))
	lo := int(math.Floor((float64(len(slopes)) - reach) / 2))
	hi := int(math.Ceil((float64(len(slopes)) + reach) / 2))
	return slopes[max(0, lo)], slopes[min(len(slopes)-1, hi)]
}

func kendallVariance(n int) float64 { return float64(n) * float64(n-1) * float64(2*n+5) / 18 }

// kendallChance is the two-sided normal approximation for Kendall's S (Mann
// 1945; Kendall 1975), with continuity correction.
func kendallChance(s, n int) float64 {
	if n < 4 {
		return 1
	}
	z := max(0, math.Abs(float64(s))-1) / math.Sqrt(kendallVariance(n))
	return math.Erfc(z / math.Sqrt2)
}

// Significant says whether the line is a drift at all.
func (l Line) Significant() bool {
	return l.Points >= driftPoints && l.Chance < DriftChance &&
		math.Abs(l.SpanCents) >= DriftSpanCents && math.Abs(l.SpanCents) >= driftErrors*l.ErrorCents
}

// At is the line at a time, cents.
func (l Line) At(minutes float64) float64 { return l.At0Cents + l.CentsPerMinute*minutes }
