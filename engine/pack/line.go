package pack

import (
	"cmp"
	"math"
	"slices"
)

// pair is one moment, in seconds of the timeline and of the recording.
type pair struct{ sent, heard float64 }

// line is the friend's clock: heard = origin + pace·sent, in seconds.
type line struct{ origin, pace float64 }

func (l line) at(sent float64) float64 { return l.origin + l.pace*sent }
func (l line) ppm() float64            { return 1e6 * (l.pace - 1) }
func (l line) off(p pair) float64      { return p.heard - l.at(p.sent) }

// fit is the line of least squares; with fixed the pace is 1.
func fit(ps []pair, fixed bool) line {
	var su, sv float64
	for _, p := range ps {
		su += p.sent
		sv += p.heard
	}
	n := float64(len(ps))
	u, v := su/n, sv/n
	var uu, uv float64
	for _, p := range ps {
		uu += (p.sent - u) * (p.sent - u)
		uv += (p.sent - u) * (p.heard - v)
	}
	l := line{pace: 1}
	if uu > 0 && !fixed {
		l.pace = uv / uu
	}
	l.origin = v - l.pace*u
	return l
}

// middle is a line that up to a quarter of stray pairs does not move: the
// median of the paces between pairs half the way apart, and of what is left
// (after Theil 1950 and Sen 1968).
func middle(ps []pair, fixed bool) line {
	l := line{pace: 1}
	half := len(ps) / 2
	if !fixed && half > 0 {
		var paces []float64
		for i, p := range ps[:len(ps)-half] {
			if q := ps[i+half]; q.sent > p.sent {
				paces = append(paces, (q.heard-p.heard)/(q.sent-p.sent))
			}
		}
		if len(paces) > 0 {
			l.pace = median(paces)
		}
	}
	offs := make([]float64, len(ps))
	for i, p := range ps {
		offs[i] = l.off(p)
	}
	l.origin = median(offs)
	return l
}

// robust fits a line and leaves out what lies beyond three times the usual
// scatter (1.4826 of the median), at least `least` seconds, until that stays
// the same. The pairs that are left come with it, in order.
func robust(ps []pair, fixed bool, least float64) (line, []pair) {
	ps = slices.Clone(ps)
	slices.SortStableFunc(ps, func(a, b pair) int { return cmp.Compare(a.sent, b.sent) })
	l, kept := middle(ps, fixed), ps
	for range 8 {
		offs := make([]float64, len(ps))
		for i, p := range ps {
			offs[i] = math.Abs(l.off(p))
		}
		bound := max(least, 3*1.4826*median(offs))
		next := make([]pair, 0, len(ps))
		for i, p := range ps {
			if offs[i] <= bound {
				next = append(next, p)
			}
		}
		if len(next) < 3 {
			return l, next
		}
		now := fit(next, fixed)
		if now == l {
			return l, next
		}
		l, kept = now, next
	}
	return l, kept
}

// scatter is the root mean square of the pairs about the line, in seconds.
func (l line) scatter(ps []pair) float64 {
	sum := 0.0
	for _, p := range ps {
		sum += l.off(p) * l.off(p)
	}
	return math.Sqrt(sum / max(1, float64(len(ps)-2)))
}

// within is twice the standard error of a fitted line at the worse of two
// places, in seconds.
func (l line) within(ps []pair, fixed bool, from, to float64) float64 {
	if len(ps) < 3 {
		return math.Inf(1)
	}
	n, u, uu := float64(len(ps)), 0.0, 0.0
	for _, p := range ps {
		u += p.sent / n
	}
	for _, p := range ps {
		uu += (p.sent - u) * (p.sent - u)
	}
	far := max((from-u)*(from-u), (to-u)*(to-u))
	if fixed {
		far = 0
	}
	return 2 * l.scatter(ps) * math.Sqrt(1/n+far/max(uu, 1e-9))
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return s[len(s)/2]
}
