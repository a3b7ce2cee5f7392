package tuning

import (
	"math"

	"cuechoir/internal/dsp"
)

// The curve's window holds so large a share of the points, and no fewer than
// curveLeast; its weights are made robust so many times.
const (
	curveShare  = 0.3
	curveLeast  = 9
	curveRobust = 2
	curveMost   = 400 // points in a window: more say no more
)

// Curve is the deviation as it moves: at each point the value of a straight
// line through its neighbours, near ones weighing most and wild ones little
// (robust locally weighted regression, Cleveland 1979). Points must be in order
// of time; the answer has theirs. Fewer than four points give their median.
func Curve(points []Point) []Point {
	out := make([]Point, len(points))
	if len(points) < 4 {
		cents := make([]float64, len(points))
		for i, p := range points {
			cents[i] = p.Cents
		}
		for i, p := range points {
			out[i] = Point{p.Minutes, dsp.Median(cents)}
		}
		return out
	}
	trust := make([]float64, len(points))
	for i := range trust {
		trust[i] = 1
	}
	window := min(len(points), curveMost, max(curveLeast, int(math.Ceil(curveShare*float64(len(points))))))
	for pass := 0; ; pass++ {
		from := 0
		for i, p := range points {
			for from+window < len(points) && points[from+window].Minutes-p.Minutes < p.Minutes-points[from].Minutes {
				from++
			}
			out[i] = Point{p.Minutes, localLine(points[from:from+window], trust[from:from+window], p.Minutes)}
		}
		if pass == curveRobust {
			return out
		}
		distrust(trust, points, out)
	}
}

// localLine is a line's value at a time, through points weighed by nearness
// (tricube) and trust.
func localLine(points []Point, trust []float64, at float64) float64 {
	reach := 1.0001 * max(at-points[0].Minutes, points[len(points)-1].Minutes-at, 1e-9)
	var sw, sx, sy, sxx, sxy float64
	for i, p := range points {
		x := p.Minutes - at
		d := math.Abs(x) / reach
		d = 1 - d*d*d
		w := trust[i] * d * d * d
		sw, sx, sy, sxx, sxy = sw+w, sx+w*x, sy+w*p.Cents, sxx+w*x*x, sxy+w*x*p.Cents
	}
	if !(sw > 0) {
		return 0
	}
	det := sw*sxx - sx*sx
	if det < 1e-9*sw*sw*reach*reach {
		return sy / sw
	}
	return (sxx*sy - sx*sxy) / det
}

// distrust weighs points by how far they lie from the curve (bisquare over six
// median residuals).
func distrust(trust []float64, points, curve []Point) {
	off := make([]float64, len(points))
	for i := range points {
		off[i] = math.Abs(points[i].Cents - curve[i].Cents)
	}
	limit := max(6*dsp.Median(off), 1e-9)
	for i, d := range off {
		u := min(1, d/limit)
		trust[i] = max(1e-6, (1-u*u)*(1-u*u))
	}
}

// ValueAt is a curve's value at a time, straight between its points and level
// beyond its ends; 0 of no points.
func ValueAt(curve []Point, minutes float64) float64 {
	if len(curve) == 0 {
		return 0
	}
	lo, hi := 0, len(curve)
	for lo < hi {
		if m := (lo + hi) / 2; curve[m].Minutes < minutes {
			lo = m + 1
		} else {
			hi = m
		}
	}
	switch {
	case lo == 0:
		return curve[0].Cents
	case lo == len(curve):
		return curve[lo-1].Cents
	}
	a, b := curve[lo-1], curve[lo]
	if b.Minutes <= a.Minutes {
		return b.Cents
	}
	return a.Cents + (b.Cents-a.Cents)*(minutes-a.Minutes)/(b.Minutes-a.Minutes)
}
