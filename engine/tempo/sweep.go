package tempo

import (
	"math"
	"slices"
)

// Positions here are frames times 2b for a click of a/b frames a unit: whole
// numbers, so that counting is exact.

// hitRing is where a bar may begin for a hit to be caught: centre ± width,
// again every period.
type hitRing struct {
	centre, width, period int64
	must, fixed           bool  // fixed: its bar is pinned, so it does not repeat
	count                 int64 // landings in a pinned bar
}

func (p *problem) rings(c click) []hitRing {
	out := make([]hitRing, 0, len(p.hits))
	for _, h := range p.hits {
		r := hitRing{centre: 2 * c.b * h.Frame, width: c.b * p.slack2(h), period: 2 * c.a * p.main.step(h.Lands), must: h.Must}
		if h.Beat != 0 {
			r.centre -= 2 * c.a * int64(h.Beat-1) * p.main.beat
			r.period = 2 * c.a * p.main.bar
		}
		r.count = 2 * c.a * p.main.bar / r.period
		if h.Bar != 0 {
			r.centre -= 2 * c.a * int64(h.Bar-1) * p.main.bar
			r.fixed = true
		}
		out = append(out, r)
	}
	return out
}

// sweepEdge is a change of what is caught, packed so that plain sorting puts
// them in order: the position, then openings before closings.
type sweepEdge int64

const (
	edgeMust  = 1 // of a must-hit
	edgeClose = 2
	edgeBits  = 2 // positions stay below 2^60
)

func newEdge(at int64, closes, must bool) sweepEdge {
	e := sweepEdge(at << edgeBits)
	if closes {
		e |= edgeClose
	}
	if must {
		e |= edgeMust
	}
	return e
}

func (e sweepEdge) at() int64    { return int64(e >> edgeBits) }
func (e sweepEdge) closes() bool { return e&edgeClose != 0 }
func (e sweepEdge) must() bool   { return e&edgeMust != 0 }

// sweep counts, for one click, the offsets at which the fewest hits are missed.
func (p *problem) sweep(c click) steadyPick {
	rings := p.rings(c)
	base := p.wTempo * math.Abs(math.Log(c.float()/p.wishF))
	if c.a*8*p.main.beat%c.b != 0 {
		base += weightUnplain
	}
	free := slices.DeleteFunc(slices.Clone(rings), func(r hitRing) bool { return r.fixed })
	s := p.sweepFree(c, free, base)
	if len(free) == len(rings) {
		return s
	}
	for _, r := range rings {
		if r.fixed {
			s.cost += r.weight()
		}
	}
	if t := p.sweepPinned(c, rings, base); t.cost <= s.cost {
		return t
	}
	return s
}

func (p *problem) sweepFree(c click, rings []hitRing, base float64) steadyPick {
	period := int64(0)
	for _, r := range rings {
		period = max(period, r.period)
	}
	if period == 0 {
		return steadyPick{click: c, cost: base, spans: [][2]int64{{0, 0}}}
	}
	edges, missed := ringEdges(rings, period)
	best, spans := bestSpans(edges, missed, period)
	return steadyPick{click: c, cost: base + best, spans: spans}
}

// ringEdges are the sorted edges over one period, and what is missed before
// any opens.
func ringEdges(rings []hitRing, period int64) ([]sweepEdge, float64) {
	edges := make([]sweepEdge, 0, 4*len(rings))
	missed := 0.0
	for _, r := range rings {
		if 2*r.width >= r.period {
			continue // caught wherever the bar begins
		}
		missed += r.weight()
		for c := mod(r.centre-r.width, r.period); c < period; c += r.period {
			end := c + 2*r.width
			edges = append(edges, newEdge(c, false, r.must))
			if end >= period { // runs over the end: also at the start
				edges = append(edges, newEdge(0, false, r.must), newEdge(period-1, true, r.must))
				end -= period
			}
			edges = append(edges, newEdge(end, true, r.must))
		}
	}
	slices.Sort(edges)
	return edges, missed
}

func (r hitRing) weight() float64 {
	if r.must {
		return weightMust
	}
	return weightWant
}

// bestSpans runs over the edges: the least that is missed, and where.
func bestSpans(edges []sweepEdge, missed float64, period int64) (float64, [][2]int64) {
	best, spans, open := missed, [][2]int64{{0, period - 1}}, false
	for _, e := range edges {
		w := hitRing{must: e.must()}.weight()
		if !e.closes() {
			missed -= w
			switch {
			case missed < best:
				best, spans, open = missed, append(spans[:0], [2]int64{e.at(), e.at()}), true
			case missed == best && len(spans) < maxSpans:
				spans, open = append(spans, [2]int64{e.at(), e.at()}), true
			}
			continue
		}
		if missed == best && open {
			spans[len(spans)-1][1], open = e.at(), false
		}
		missed += w
	}
	return best, spans
}

// sweepPinned tries the offsets at which a pinned hit is caught: there the
// edges of all hits, and their centres.
func (p *problem) sweepPinned(c click, rings []hitRing, base float64) steadyPick {
	best := steadyPick{click: c, cost: math.Inf(1)}
	try := func(x int64) {
		if cost := base + missedAt(rings, x); cost < best.cost {
			best.cost, best.spans = cost, append(best.spans[:0], [2]int64{x, x})
		} else if cost == best.cost && len(best.spans) < 64 {
			best.spans = append(best.spans, [2]int64{x, x})
		}
	}
	for i, r := range rings {
		if !r.fixed {
			continue
		}
		for k := range r.count {
			lo, hi := r.centre-k*r.period-r.width, r.centre-k*r.period+r.width
			for _, s := range rings {
				for _, d := range []int64{-s.width, 0, s.width} {
					x := s.centre + d
					if !s.fixed { // the one nearest above lo
						x = lo + mod(x-lo, s.period)
					}
					if x >= lo && x <= hi {
						try(x)
					}
				}
			}
			try(lo + rings[i].width)
		}
	}
	return best
}

// missedAt is the weight of the hits missed when bar 1 begins at x.
func missedAt(rings []hitRing, x int64) float64 {
	sum := 0.0
	for _, r := range rings {
		if r.distance(x) > r.width {
			sum += r.weight()
		}
	}
	return sum
}

// distance is how far the ring's nearest landing lies from where it should.
func (r hitRing) distance(x int64) int64 {
	if r.fixed {
		late := r.centre - x // after the pinned bar's start
		k := min(max(floorDiv(2*late+r.period, 2*r.period), 0), r.count-1)
		return max(late-k*r.period, k*r.period-late)
	}
	d := mod(x-r.centre, r.period)
	return min(d, r.period-d)
}

// bestOffset settles a pick's offset: among its spans the place with the
// smallest errors of what is caught.
func (p *problem) bestOffset(s steadyPick) steadyPick {
	rings := p.rings(s.click)
	s.fine = math.Inf(1)
	for _, span := range s.spans {
		tries := []int64{span[0] + (span[1]-span[0])/2, span[0], span[1]}
		for _, r := range rings {
			x := r.centre
			if !r.fixed {
				x = span[0] + mod(r.centre-span[0], r.period)
			}
			if x >= span[0] && x <= span[1] {
				tries = append(tries, x)
			}
		}
		for _, x := range tries {
			if fine := p.fineCost(s.click, rings, x); fine < s.fine {
				s.fine, s.offset = fine, x
			}
		}
	}
	if !slices.ContainsFunc(rings, func(r hitRing) bool { return r.fixed }) {
		bar := 2 * s.click.a * p.main.bar
		s.offset = -mod(-s.offset, bar) // bar 1 holds frame 0
	}
	return s
}

// fineCost is the mean error of the hits caught, and the weakness of beats.
func (p *problem) fineCost(c click, rings []hitRing, x int64) float64 {
	sum, n, weak := 0.0, 0, 0.0
	for i, r := range rings {
		d := r.distance(x)
		if d > r.width {
			continue
		}
		sum += float64(d) / float64(2*c.b)
		n++
		if !r.fixed {
			weak += p.weakAt(c, p.hits[i], x)
		}
	}
	return weightAstray*sum/float64(max(n, 1)) + weak
}

// weakAt is the weakness of the landing nearest to a hit when a bar begins at x.
func (p *problem) weakAt(c click, h Hit, x int64) float64 {
	step := 2 * c.a * p.main.step(h.Lands)
	k := floorDiv(2*(2*c.b*h.Frame-x)+step, 2*step) // nearest landing
	switch phase := mod(k*p.main.step(h.Lands), p.main.bar); {
	case phase%p.main.beat != 0:
		return weightOnHalf
	case phase != 0:
		return weightOnBeat
	}
	return 0
}

func mod(a, m int64) int64 {
	if a %= m; a < 0 {
		a += m
	}
	return a
}

func floorDiv(a, b int64) int64 { return (a - mod(a, b)) / b }
