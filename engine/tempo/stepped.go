package tempo

import (
	"math"

	"cuechoir/internal/fault"
)

// The stepped solver. Aim: a map whose must-hits lie exactly on landings, at
// the least cost (cost.go). Method: dynamic programming over hits. An anchor
// is a hit that lies exactly on a landing; between two anchors the tempo is
// one, so that frames / units gives it as an exact ratio. A leg is such a
// stretch: two anchors, their phases in the bar, and the bars between, odd
// ones last. A state is (anchor, phase, tempo into it); a leg costs its
// change of tempo, its odd bars, the wants that it passes by too far off, and
// its distance from the wished tempo. Cost: legs x log states. For small
// problems the answer equals that of trying every chain of legs (shown by
// test). Known failure: odd bars are not tried between anchors over longGap
// bars apart; above maxLegs legs, chains that pass by many wants in
// a row between two anchors, or before the first or after the last, are left
// out, the shortest kept; a want is never
// anchored off its own frame, though it may be caught in passing.

// leg is a stretch of one tempo between two anchors.
type leg struct {
	from, to   int32 // nodes
	phase, end int32 // units into the bar at either
	units      int64
	odd        int32 // index of p.odd
	bars       int32 // bar lines passed
	lnF        float64
	share      float64 // of the reference's length
	pass       missed  // of the hits between the anchors and on the second
	head, tail missed  // of the hits before the first anchor and on it, and after the second
	first      bool    // may be the map's first leg
	last       bool    // may be its last
}

// missed counts what a stretch misses.
type missed struct {
	musts, wants int32
	weak         float32
}

func (m missed) cost(w weights) float64 {
	return weightMust*float64(m.musts) + w.want*float64(m.wants) + float64(m.weak)
}

// Bounds of the search.
const (
	maxLegs    = 100_000   // wished for: legs that pass by more wants are left out
	memoryLegs = 1_000_000 // beyond, the search is refused
	longGap    = 64        // bars
	minEnds    = 8         // nodes
)

// legs enumerates every leg, from node after node. relax lets legs pass by
// must-hits.
func (p *problem) legs(relax bool) ([][]leg, error) {
	reach, ok := p.reach(relax)
	if !ok {
		return nil, fault.New(fault.OverLimit, "these hits allow too many maps to search").
			Mended("let hits land on bars, or narrow the tempo range")
	}
	p.ends = max(reach, minEnds)
	out := make([][]leg, len(p.nodes))
	for i := range p.nodes {
		for j := i + 1; j < len(p.nodes); j++ {
			if p.mustBetween(i, j, relax) {
				break
			}
			if j-i > reach && (relax || !(p.nodes[i].must && p.nodes[j].must)) {
				continue
			}
			for _, phase := range p.nodes[i].phases {
				for _, end := range p.nodes[j].phases {
					out[i] = p.appendLegs(out[i], i, j, phase, end, relax)
				}
			}
		}
	}
	return out, nil
}

func countLegs(legs [][]leg) int {
	n := 0
	for _, l := range legs {
		n += len(l)
	}
	return n
}

// mustBetween reports a must-hit, or when those may be passed by a pinned
// beat, between two nodes.
func (p *problem) mustBetween(i, j int, relax bool) bool {
	for k := i + 1; k < j; k++ {
		if p.nodes[k].pinned || !relax && p.nodes[k].must {
			return true
		}
	}
	return false
}

// reach is how many nodes a leg may go on, kept so that the work stays within
// bounds; false when even the shortest legs are more than memoryLegs.
func (p *problem) reach(relax bool) (int, bool) {
	limit, work := float64(maxLegs), func(i, j int) float64 { return p.legsBetween(i, j) }
	if p.o.Style == Gliding {
		limit, work = glideWork, p.glideWorkBetween
	}
	total, shortest, by := 0.0, 0.0, make([]float64, len(p.nodes))
	for i := range p.nodes {
		for j := i + 1; j < len(p.nodes) && !p.mustBetween(i, j, relax); j++ {
			w := work(i, j)
			by[j-i] += w
			if j-i == 1 {
				shortest += p.legsBetween(i, j)
			} else if !relax && p.nodes[i].must && p.nodes[j].must {
				total += w // kept in any case
			}
		}
	}
	if shortest > memoryLegs {
		return 0, false
	}
	for d := 1; d < len(by); d++ {
		if total += by[d]; total > limit && d > 1 {
			return d - 1, true
		}
	}
	return len(by), true
}

// legsBetween is about how many legs join two nodes.
func (p *problem) legsBetween(i, j int) float64 {
	gap := float64(p.nodes[j].frame - p.nodes[i].frame)
	bars := (gap/p.minF-gap/p.maxF)/float64(p.main.bar) + 1
	odd := len(p.odd)
	if gap/p.maxF > float64(longGap*p.main.bar) {
		odd = 1
	}
	return bars * float64(len(p.nodes[i].phases)*len(p.nodes[j].phases)*odd)
}

// appendLegs adds the legs between two nodes at given phases.
func (p *problem) appendLegs(out []leg, i, j int, phase, end int64, relax bool) []leg {
	gap := p.nodes[j].frame - p.nodes[i].frame
	lo, hi := float64(gap)/p.maxF, float64(gap)/p.minF
	add := func(units int64, odd, bars int) {
		if x := float64(units); x < lo || x > hi {
			return
		}
		l := leg{from: int32(i), to: int32(j), phase: int32(phase), end: int32(end), units: units, odd: int32(odd), bars: int32(bars),
			lnF: math.Log(float64(gap) / float64(units)), share: float64(gap) / float64(max(p.o.Frames, 1))}
		p.fill(&l, relax)
		out = append(out, l)
	}
	if phase > 0 && end > phase {
		add(end-phase, 0, 0) // within one bar
	}
	rest, first := int64(0), 0
	if phase > 0 {
		rest, first = p.main.bar-phase, 1
	}
	for k, odd := range p.odd {
		if k > 0 && lo > float64(longGap*p.main.bar) {
			break
		}
		n := int64(math.Ceil((lo - float64(rest+odd.units+end)) / float64(p.main.bar)))
		for n = max(n, 0); float64(rest+n*p.main.bar+odd.units+end) <= hi; n++ {
			if units := rest + n*p.main.bar + odd.units + end; units > 0 {
				add(units, k, first+int(n)+len(odd.bars))
			}
		}
	}
	return out
}

// fill counts what a leg misses.
func (p *problem) fill(l *leg, relax bool) {
	i, j := int(l.from), int(l.to)
	l.first = i <= p.ends && !p.mustBetween(-1, i, relax)
	l.last = len(p.nodes)-1-j <= p.ends && !p.mustBetween(j, len(p.nodes), relax)
	if p.o.Style == Gliding {
		return // counted for each choice of tempos
	}
	r := ruler{p: p, frame: p.nodes[i].frame, phase: int64(l.phase), gap: p.nodes[j].frame - p.nodes[i].frame, units: l.units}
	if odd := p.odd[l.odd]; odd.units > 0 {
		r.odd, r.oddAt = odd.bars, int64(l.phase)+l.units-int64(l.end)-odd.units
	}
	for k := i + 1; k < j; k++ {
		r.count(&l.pass, p.nodes[k])
	}
	p.countOn(&l.pass, p.nodes[j], int64(l.end))
	r.odd = nil
	if l.first {
		for k := range i {
			r.count(&l.head, p.nodes[k])
		}
		p.countOn(&l.head, p.nodes[i], int64(l.phase))
	}
	if l.last {
		r.frame, r.phase = p.nodes[j].frame, int64(l.end)
		for k := j + 1; k < len(p.nodes); k++ {
			r.count(&l.tail, p.nodes[k])
		}
	}
}

// countOn counts the hits of an anchored node.
func (p *problem) countOn(m *missed, n node, phase int64) {
	for _, i := range n.hits {
		h := p.hits[i]
		if !p.allows(h, phase) || h.Bar != 0 && h.Bar != n.pin {
			m.miss(h)
			continue
		}
		m.weak += float32(weakIn(p.main, phase))
	}
}

func (m *missed) miss(h Hit) {
	if h.Must {
		m.musts++
	} else {
		m.wants++
	}
}

// ruler measures frames in units along a stretch of one tempo, gap/units
// frames a unit: unit x of the bar that holds the anchor lies at frame +
// (x-phase)*gap/units.
type ruler struct {
	p          *problem
	frame      int64
	phase      int64
	gap, units int64
	odd        []lengths // odd bars from unit oddAt on, if any
	oddAt      int64
}

// count adds what the stretch misses of a node that is no anchor. A hit with
// a pinned bar counts as missed in passing.
func (r *ruler) count(m *missed, n node) {
	for _, i := range n.hits {
		h := r.p.hits[i]
		off2, weak := r.nearest(h, n.frame)
		if h.Bar != 0 || off2 > r.units*r.p.slack2(h) {
			m.miss(h)
			continue
		}
		m.weak += float32(weak)
	}
}

// nearest is twice the distance to the nearest landing in frames, times
// units: an integer; and the landing's weakness. Of two equally near it is the
// earlier, as in Grid.PlaceOn.
func (r *ruler) nearest(h Hit, frame int64) (off2 int64, weak float64) {
	x := r.phase*r.gap + (frame-r.frame)*r.units // position times gap
	start, bar := r.barAt(x)
	if h.Beat != 0 {
		return r.nearestBeat(h, x, start, bar)
	}
	step := bar.step(h.Lands)
	k := floorDiv(x-start*r.gap, step*r.gap)
	off, at := x-(start+k*step)*r.gap, k*step
	if above := step*r.gap - off; above < off {
		off, at = above, (k+1)*step
	}
	return 2 * off, weakIn(bar, at%bar.bar)
}

// nearestBeat is nearest for a hit that asks for one beat of any bar.
func (r *ruler) nearestBeat(h Hit, x, start int64, bar lengths) (off2 int64, weak float64) {
	best := int64(math.MaxInt64)
	for _, y := range []int64{start*r.gap - 1, x, (start + bar.bar) * r.gap} {
		s, b := r.barAt(y)
		at := (s + int64(h.Beat-1)*b.beat) * r.gap
		best = min(best, max(at-x, x-at))
	}
	return 2 * best, weakIn(bar, int64(h.Beat-1)*bar.beat)
}

func weakIn(l lengths, at int64) float64 {
	switch {
	case at%l.beat != 0:
		return weightOnHalf
	case at != 0:
		return weightOnBeat
	}
	return 0
}

// barAt is the bar that holds position x (units times gap): its start in
// units and its lengths.
func (r *ruler) barAt(x int64) (start int64, bar lengths) {
	main := r.p.main
	if len(r.odd) == 0 || x < r.oddAt*r.gap {
		return floorDiv(x, main.bar*r.gap) * main.bar, main
	}
	at := r.oddAt
	for _, b := range r.odd {
		if x < (at+b.bar)*r.gap {
			return at, b
		}
		at += b.bar
	}
	return at + floorDiv(x-at*r.gap, main.bar*r.gap)*main.bar, main
}
