package tempo

import (
	"context"
	"math"
	"slices"
	"sort"
)

// The gliding solver. Aim: a map whose tempo never jumps, whose must-hits lie
// exactly on landings, at the least cost (cost.go). Method: dynamic
// programming over hits, as in stepped.go, with the tempo on each anchor taken
// from a row of tempos glideStep apart, in whole parts of a frame. Between two
// anchors the frames a quarter run straight to a middle tempo and straight on:
// the middle is what makes the stretch last exactly from hit to hit, a
// rational number: with p0 and p1 at its ends and a mean of m, it is 2m -
// (p0+p1)/2. Cost: legs x pairs of tempos. For small problems the answer
// equals that of trying every chain of legs and tempos (shown by test). Known
// failure: tempos on anchors stray at most glideStray from a leg's mean; the
// limits of the stepped solver hold too, from glideWork on, and odd bars are
// left out when they alone would pass half of it.

const (
	glideStep  = 0.025 // between neighbouring tempos, as |ln|
	glideDen   = 16    // parts of a frame a beat
	glideStray = 0.1   // |ln| of an anchor's tempo to a leg's mean
	glideWork  = 1e6   // wished for: legs times pairs of tempos times hits passed by
)

// glideState is the best chain into an anchor at one of the row's tempos.
type glideState struct {
	cost   float64
	leg    *leg
	tempos [2]int // at the leg's two ends
	before *glideState
}

// glider runs one pass of the dynamic programme.
type glider struct {
	p       *problem
	w       weights
	noOdd   bool
	parts   []int64   // the row: parts of a frame a beat
	unit    []float64 // frames a unit
	ln      []float64
	lnStep  float64
	lastPin int
	states  []map[stateKey][]*glideState // by node; nil where no chain comes
	outside map[outsideKey]missed
	looked  float64 // places looked at
}

// outsideKey is an anchor with the tempo that runs on from it, back or forth.
type outsideKey struct {
	node, phase int32
	tempo       int
	back        bool
}

func (p *problem) newGlider(w weights, noOdd bool) *glider {
	g := &glider{p: p, w: w, noOdd: noOdd, lnStep: math.Log1p(p.o.MaxStep) + 1e-12, lastPin: p.lastPin(), outside: map[outsideKey]missed{}}
	beat := float64(p.main.beat)
	add := func(parts int64) {
		f := float64(parts) / glideDen / beat
		if f >= p.minF && f <= p.maxF && !slices.Contains(g.parts, parts) {
			g.parts, g.unit, g.ln = append(g.parts, parts), append(g.unit, f), append(g.ln, math.Log(f))
		}
	}
	for f := p.minF; f <= p.maxF*math.Exp(glideStep); f *= math.Exp(glideStep) {
		add(int64(math.Round(f * beat * glideDen)))
	}
	add(int64(p.maxF * beat * glideDen))
	for range p.nodes {
		g.states = append(g.states, map[stateKey][]*glideState{})
	}
	return g
}

// glides are the ends of the cheapest chains, cheapest first; nil when no
// chain of two anchors meets the must-hits.
func (g *glider) glides(ctx context.Context, legs [][]leg) ([]*glideState, error) {
	for i := range g.p.nodes {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		keys := sortedKeys(g.states[i])
		for k := range legs[i] {
			if l := &legs[i][k]; !g.noOdd || l.odd == 0 {
				g.extend(l, keys)
			}
		}
	}
	return g.ends(), nil
}

// extend carries every state before a leg over it, and starts chains with it.
func (g *glider) extend(l *leg, keys []stateKey) {
	var from [][]*glideState
	var bars []barCount
	if l.first {
		if bar, ok := g.p.barAt(int(l.from), barCount{}, g.lastPin); ok {
			from, bars = append(from, nil), append(bars, bar)
		}
	}
	for _, k := range keys {
		if k.phase == l.phase {
			from, bars = append(from, g.states[l.from][k]), append(bars, k.bar)
		}
	}
	if len(from) == 0 {
		return
	}
	r := newGlideRuler(g, l)
	near := math.Min(glideStray, g.lnStep*r.halfBars)
	for a := g.firstAbove(l.lnF - near); a < len(g.ln) && g.ln[a] <= l.lnF+near; a++ {
		heads := make([]float64, len(from)) // cost before the leg
		some := false
		for n, states := range from {
			switch heads[n] = math.Inf(1); {
			case states == nil:
				head := g.missedBefore(l, a)
				heads[n] = head.cost(g.w) + g.w.tempo*g.w.astray(g.ln[a])*g.p.share(g.p.nodes[l.from].frame)
			case states[a] != nil:
				heads[n] = states[a].cost
			}
			some = some || !math.IsInf(heads[n], 1)
		}
		if !some {
			continue
		}
		for b := g.firstAbove(l.lnF - near); b < len(g.ln) && g.ln[b] <= l.lnF+near; b++ {
			own, ok := r.cost(a, b)
			if !ok {
				continue
			}
			for n, states := range from {
				if !math.IsInf(heads[n], 1) {
					var before *glideState
					if states != nil {
						before = states[a]
					}
					g.push(l, bars[n], glideState{heads[n] + own, l, [2]int{a, b}, before})
				}
			}
		}
	}
}

func (g *glider) firstAbove(ln float64) int {
	return sort.Search(len(g.ln), func(i int) bool { return g.ln[i] >= ln })
}

func (g *glider) push(l *leg, from barCount, s glideState) {
	if int(l.from) < g.lastPin {
		from.n += l.bars
	}
	bar, ok := g.p.barAt(int(l.to), from, g.lastPin)
	if !ok {
		return
	}
	k := stateKey{l.end, bar}
	states := g.states[l.to][k]
	if states == nil {
		states = make([]*glideState, len(g.ln))
		g.states[l.to][k] = states
	}
	if at := states[s.tempos[1]]; at == nil {
		kept := s
		states[s.tempos[1]] = &kept
	} else if s.cost < at.cost {
		*at = s // nothing later has looked at it yet: legs run forwards
	}
}

// ends are the finished chains.
func (g *glider) ends() []*glideState {
	var out []*glideState
	for j := range g.states {
		for _, k := range sortedKeys(g.states[j]) {
			for b, s := range g.states[j][k] {
				if s == nil || !s.leg.last {
					continue
				}
				tail := g.missedAfter(s.leg, b)
				e := *s
				e.cost += tail.cost(g.w) + g.w.tempo*g.w.astray(g.ln[b])*(1-g.p.share(g.p.nodes[j].frame))
				out = append(out, &e)
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].cost < out[j].cost })
	return out[:min(len(out), maxEnds)]
}

// glideWorkBetween is about how many places are looked at between two nodes.
func (p *problem) glideWorkBetween(i, j int) float64 {
	gap := float64(p.nodes[j].frame - p.nodes[i].frame)
	halfBars := max(gap/math.Sqrt(p.minF*p.maxF)/2/float64(p.main.bar), 1)
	near := min(glideStray, math.Log1p(p.o.MaxStep)*halfBars, math.Log(p.maxF/p.minF)/2)
	tempos := 2*near/glideStep + 1
	return p.legsBetween(i, j) * tempos * tempos * float64(j-i) / 2
}

// withoutDearBars leaves odd bars out of a search that they make too large.
func (p *problem) withoutDearBars() *problem {
	q, work := *p, 0.0
	for i := 1; i < len(p.nodes); i++ {
		work += p.glideWorkBetween(i-1, i)
	}
	if work > glideWork/2 {
		q.odd = p.odd[:1]
	}
	return &q
}

// share is how much of the reference lies before a frame.
func (p *problem) share(frame int64) float64 { return float64(frame) / float64(max(p.o.Frames, 1)) }

// missedBefore counts the hits before a leg and on its first anchor, at one
// of the row's tempos; missedAfter those after it.
func (g *glider) missedBefore(l *leg, tempo int) missed {
	return g.missedOutside(outsideKey{l.from, l.phase, tempo, true})
}

func (g *glider) missedAfter(l *leg, tempo int) missed {
	return g.missedOutside(outsideKey{l.to, l.end, tempo, false})
}

func (g *glider) missedOutside(k outsideKey) missed {
	m, known := g.outside[k]
	if known {
		return m
	}
	p, i := g.p, int(k.node)
	r := ruler{p: p, frame: p.nodes[i].frame, phase: int64(k.phase), gap: g.parts[k.tempo], units: glideDen * p.main.beat}
	if k.back {
		for n := range i {
			r.count(&m, p.nodes[n])
		}
		p.countOn(&m, p.nodes[i], int64(k.phase))
	} else {
		for n := i + 1; n < len(p.nodes); n++ {
			r.count(&m, p.nodes[n])
		}
	}
	g.outside[k] = m
	return m
}

// glideRuler measures a leg for any pair of tempos.
type glideRuler struct {
	g        *glider
	l        *leg
	odd      []lengths
	oddAt    float64 // units from the bar line before the leg
	mean     float64 // frames a unit
	halfBars float64 // bars in half of it, 1 at least
	fixed    float64 // cost that no tempo changes
}

func newGlideRuler(g *glider, l *leg) *glideRuler {
	p := g.p
	r := &glideRuler{g: g, l: l, halfBars: max(float64(l.units)/2/float64(p.main.bar), 1),
		mean: float64(p.nodes[l.to].frame-p.nodes[l.from].frame) / float64(l.units)}
	if odd := p.odd[l.odd]; odd.units > 0 {
		r.odd, r.oddAt = odd.bars, float64(int64(l.phase)+l.units-int64(l.end)-odd.units)
	}
	var on missed // of the hits on the second anchor
	p.countOn(&on, p.nodes[l.to], int64(l.end))
	r.fixed = on.cost(g.w) + g.w.odd*float64(len(r.odd))
	return r
}

// cost is that of the leg from tempo a to tempo b of the row; false when the
// tempo between would pass its limits.
func (r *glideRuler) cost(a, b int) (float64, bool) {
	g, half := r.g, float64(r.l.units)/2
	p0, p1 := g.unit[a], g.unit[b]
	mid := 2*r.mean - (p0+p1)/2
	if mid < g.p.minF || mid > g.p.maxF {
		return 0, false
	}
	lnMid, limit := math.Log(mid), g.lnStep*r.halfBars
	up, down := math.Abs(lnMid-g.ln[a]), math.Abs(g.ln[b]-lnMid)
	if up > limit || down > limit {
		return 0, false
	}
	cost := r.fixed + g.w.glide*(up+down)
	cost += g.w.tempo * (g.w.astrayGlide(p0, mid, half) + g.w.astrayGlide(mid, p1, half)) / float64(max(g.p.o.Frames, 1))
	var pass missed
	g.looked += float64(r.l.to-r.l.from) / 2
	for k := int(r.l.from) + 1; k < int(r.l.to); k++ {
		r.count(&pass, g.p.nodes[k], glideLine{p0, mid, p1, half})
	}
	return cost + pass.cost(g.w), true
}

// glideLine is the two glides of a leg: frames a unit at its start, middle and
// end, and half its units.
type glideLine struct{ p0, mid, p1, half float64 }

// at is the frames from the leg's start to a unit of it.
func (t glideLine) at(u float64) float64 {
	if u <= t.half {
		return u * (t.p0 + (t.mid-t.p0)*u/(2*t.half))
	}
	v := u - t.half
	return t.half*(t.p0+t.mid)/2 + v*(t.mid+(t.p1-t.mid)*v/(2*t.half))
}

// unit is the inverse of at.
func (t glideLine) unit(frames float64) float64 {
	p, q, from := t.p0, t.mid, 0.0
	if middle := t.half * (t.p0 + t.mid) / 2; frames > middle {
		p, q, from, frames = t.mid, t.p1, t.half, frames-middle
	}
	b := (q - p) / (2 * t.half)
	return from + 2*frames/(p+math.Sqrt(max(p*p+4*b*frames, 0)))
}

// count counts what a leg misses of a node between its anchors, as
// ruler.count does where the tempo stays.
func (r *glideRuler) count(m *missed, n node, line glideLine) {
	const grit = 1e-9 // of a frame: what floats may err
	frame := float64(n.frame - r.g.p.nodes[r.l.from].frame)
	u := line.unit(frame)
	for _, i := range n.hits {
		h := r.g.p.hits[i]
		off, weak := r.nearest(h, u, frame, line)
		if h.Bar != 0 || off > float64(r.g.p.slack2(h))/2+grit {
			m.miss(h)
			continue
		}
		m.weak += float32(weak)
	}
}

func (r *glideRuler) nearest(h Hit, u, frame float64, line glideLine) (off, weak float64) {
	const grit = 1e-9 // of a unit: a landing on the hit itself is the one below
	phase := float64(r.l.phase)
	start, bar := r.barAt(u + phase + grit)
	place := func(at int64) float64 { return math.Abs(line.at(start+float64(at)-phase) - frame) }
	if h.Beat != 0 {
		best := math.Inf(1)
		for _, y := range []float64{start - 0.5, u + phase + grit, start + float64(bar.bar) + 0.5} {
			s, b := r.barAt(y)
			best = min(best, math.Abs(line.at(s+float64(int64(h.Beat-1)*b.beat)-phase)-frame))
		}
		return best, weakIn(bar, int64(h.Beat-1)*bar.beat)
	}
	step := bar.step(h.Lands)
	at := int64((u+phase+grit-start)/float64(step)) * step
	off = place(at)
	if above := place(at + step); above < off-grit {
		off, at = above, at+step
	}
	return off, weakIn(bar, at%bar.bar)
}

// barAt is the bar that holds unit y from the bar line before the leg.
func (r *glideRuler) barAt(y float64) (start float64, bar lengths) {
	main := r.g.p.main
	in := func(y float64) float64 { return math.Floor(y/float64(main.bar)) * float64(main.bar) }
	if len(r.odd) == 0 || y < r.oddAt {
		return in(y), main
	}
	at := r.oddAt
	for _, b := range r.odd {
		if y < at+float64(b.bar) {
			return at, b
		}
		at += float64(b.bar)
	}
	return at + in(y-at), main
}
