package tempo

import (
	"context"
	"math"
	"slices"
	"sort"
)

// state is the best chain of legs into an anchor at one tempo.
type state struct {
	lnF, cost float64
	leg       *leg
	before    *state
}

// stateKey tells states apart that tempo alone does not: the phase in the bar
// and, while a pinned bar lies ahead, the count of bars.
type stateKey struct {
	phase int32
	bar   barCount
}

// barCount counts bars: from the first anchor until a pinned bar fixes the
// number, then in numbers of the map, then, with no pin ahead, not at all.
type barCount struct {
	n     int32
	fixed bool
}

// group is the states of one key, sorted by tempo, with range minima over
// cost - step*lnF and cost + step*lnF so that the best state before a given
// tempo is found in log time.
type group struct {
	states   []*state
	down, up minTree
}

// chainer runs one pass of the dynamic programme.
type chainer struct {
	p       *problem
	w       weights
	noOdd   bool
	legs    [][]leg
	groups  []map[stateKey]*group
	lastPin int // node of the last pinned bar, -1 without
	lnStep  float64
	share0  []float64 // share of the reference before each node
	room    []state   // states are taken from here, some thousands at a time
}

// chain is the cheapest chain of two or more anchors under w, and other good
// ends of it after; nil when there is none.
func (p *problem) chain(ctx context.Context, legs [][]leg, w weights, noOdd bool) ([]*state, error) {
	c := &chainer{p: p, w: w, noOdd: noOdd, legs: legs, groups: make([]map[stateKey]*group, len(p.nodes)), lastPin: p.lastPin(),
		lnStep: math.Log1p(p.o.MaxStep) + 1e-12}
	for i, n := range p.nodes {
		c.groups[i] = map[stateKey]*group{}
		c.share0 = append(c.share0, float64(n.frame)/float64(max(p.o.Frames, 1)))
	}
	for i := range p.nodes {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		for _, g := range c.groups[i] {
			g.finish(w.step)
		}
		keys := c.keysAt(i)
		for k := range legs[i] {
			if l := &legs[i][k]; !noOdd || l.odd == 0 {
				c.extend(l, keys)
			}
		}
	}
	return c.ends(), nil
}

// keysAt are the keys at a node in a fixed order, so that ties always fall the
// same way.
func (c *chainer) keysAt(i int) []stateKey { return sortedKeys(c.groups[i]) }

func sortedKeys[T any](of map[stateKey]T) []stateKey {
	keys := make([]stateKey, 0, len(of))
	for k := range of {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b stateKey) int {
		if a.phase != b.phase {
			return int(a.phase - b.phase)
		}
		if a.bar.fixed != b.bar.fixed {
			if a.bar.fixed {
				return 1
			}
			return -1
		}
		return int(a.bar.n - b.bar.n)
	})
	return keys
}

// extend carries every state before a leg over it, and starts a chain with it.
func (c *chainer) extend(l *leg, keys []stateKey) {
	own := l.pass.cost(c.w) + c.w.odd*float64(len(c.p.odd[l.odd].bars)) + c.w.tempo*c.w.astray(l.lnF)*l.share
	if l.first {
		head := l.head.cost(c.w) + c.w.tempo*c.w.astray(l.lnF)*c.share0[l.from]
		if bar, ok := c.barAt(int(l.from), barCount{}); ok {
			c.push(l, bar, head+own, nil)
		}
	}
	change := c.w.change
	if l.phase > 0 {
		change += c.w.inside
	}
	for _, k := range keys {
		if k.phase != l.phase {
			continue
		}
		if s, cost := c.groups[l.from][k].best(l.lnF, c.lnStep, c.w.step, change); s != nil {
			c.push(l, k.bar, cost+own, s)
		}
	}
}

func (c *chainer) barAt(i int, b barCount) (barCount, bool) { return c.p.barAt(i, b, c.lastPin) }

// lastPin is the last node with a pinned bar, -1 without.
func (p *problem) lastPin() int {
	last := -1
	for i, n := range p.nodes {
		if n.pin != 0 {
			last = i
		}
	}
	return last
}

// barAt settles the count of bars at a node; false when a pinned bar is missed.
func (p *problem) barAt(i int, b barCount, lastPin int) (barCount, bool) {
	if pin := p.nodes[i].pin; pin != 0 {
		switch {
		case b.fixed && int(b.n) != pin, !b.fixed && int(b.n) >= pin: // bar 1 is the first that a map has
			return b, false
		}
		b = barCount{int32(pin), true}
	}
	if i >= lastPin {
		b = barCount{}
	}
	return b, true
}

// push adds a state that goes over a leg from a bar count.
func (c *chainer) push(l *leg, from barCount, cost float64, before *state) {
	to := int(l.to)
	if int(l.from) < c.lastPin { // counted so far
		from.n += l.bars
	}
	bar, ok := c.barAt(to, from)
	if !ok {
		return
	}
	k := stateKey{l.end, bar}
	g := c.groups[to][k]
	if g == nil {
		g = &group{}
		c.groups[to][k] = g
	}
	if len(c.room) == 0 {
		c.room = make([]state, 4096)
	}
	s := &c.room[0]
	c.room = c.room[1:]
	*s = state{lnF: l.lnF, cost: cost, leg: l, before: before}
	g.states = append(g.states, s)
}

// finish sorts a group, keeps the best state of each tempo and builds its trees.
func (g *group) finish(step float64) {
	slices.SortFunc(g.states, func(a, b *state) int {
		switch {
		case a.lnF < b.lnF, a.lnF == b.lnF && a.cost < b.cost:
			return -1
		case a.lnF == b.lnF && a.cost == b.cost:
			return 0
		}
		return 1
	})
	g.states = slices.CompactFunc(g.states, func(a, b *state) bool { return a.lnF == b.lnF })
	g.down, g.up = newMinTree(len(g.states)), newMinTree(len(g.states))
	for i, s := range g.states {
		g.down.set(i, s.cost-step*s.lnF)
		g.up.set(i, s.cost+step*s.lnF)
	}
	g.down.build()
	g.up.build()
}

// best is the cheapest state to come from into a tempo, the change included.
// Equal ratios have equal logarithms: they are one state, and no change.
func (g *group) best(lnF, lnStep, step, change float64) (*state, float64) {
	at := func(x float64) int {
		return sort.Search(len(g.states), func(i int) bool { return g.states[i].lnF >= x })
	}
	mid := at(lnF)
	var s *state
	cost := math.Inf(1)
	if i, v := g.down.least(at(lnF-lnStep), mid); i >= 0 {
		s, cost = g.states[i], v+step*lnF+change
	}
	after := mid
	if mid < len(g.states) && g.states[mid].lnF == lnF {
		after++
		if e := g.states[mid]; e.cost < cost {
			s, cost = e, e.cost
		}
	}
	top := sort.Search(len(g.states), func(i int) bool { return g.states[i].lnF > lnF+lnStep })
	if i, v := g.up.least(after, top); i >= 0 && v-step*lnF+change < cost {
		s, cost = g.states[i], v-step*lnF+change
	}
	return s, cost
}

// maxEnds is how many ends of chains are handed on.
const maxEnds = 64

// ends are the finished chains, cheapest first.
func (c *chainer) ends() []*state {
	var out []*state
	for j := range c.groups {
		for _, k := range c.keysAt(j) {
			for _, s := range c.groups[j][k].states {
				if s.leg.last {
					cost := s.cost + s.leg.tail.cost(c.w) + c.w.tempo*c.w.astray(s.lnF)*(1-c.share0[j])
					out = append(out, &state{lnF: s.lnF, cost: cost, leg: s.leg, before: s.before})
				}
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].cost < out[j].cost })
	return out[:min(len(out), maxEnds)]
}

// minTree answers which of a range of values is the least.
type minTree struct {
	n int
	v []float64
	i []int32
}

func newMinTree(n int) minTree {
	return minTree{n, make([]float64, 2*n), make([]int32, 2*n)}
}

func (t *minTree) set(i int, v float64) { t.v[t.n+i], t.i[t.n+i] = v, int32(i) }

func (t *minTree) build() {
	for k := t.n - 1; k > 0; k-- {
		t.v[k], t.i[k] = t.v[2*k], t.i[2*k]
		if t.v[2*k+1] < t.v[k] {
			t.v[k], t.i[k] = t.v[2*k+1], t.i[2*k+1]
		}
	}
}

// least is the index and value of the least in [from, to), -1 when empty.
func (t *minTree) least(from, to int) (int, float64) {
	at, v := int32(-1), math.Inf(1)
	take := func(k int) {
		if t.v[k] < v {
			at, v = t.i[k], t.v[k]
		}
	}
	for a, b := from+t.n, to+t.n; a < b; a, b = a/2, b/2 {
		if a&1 == 1 {
			take(a)
			a++
		}
		if b&1 == 1 {
			b--
			take(b)
		}
	}
	return int(at), v
}
