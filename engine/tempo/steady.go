package tempo

import (
	"context"
	"math"
	"sort"

	"cuechoir/engine/timecode"
)

// The steady solver. Aim: the one tempo and the offset that catch most.
// Method: for a tempo, each hit is caught on an interval of offsets that
// repeats with its landings; a sweep over one period counts exactly, in
// integers, how many intervals lie over each other. The tempos tried are every
// click of whole eighths of a frame, the wished tempo, and those at which two
// hits are caught at once at the edge of their tolerances: the best set of
// hits is caught on a polygon of (tempo, offset) whose corners lie on such
// pairs, so for small problems the count is the true maximum (shown by test).
// Cost: tempos x hits x log hits. Known failure: beyond maxTempos tempos the
// pairs furthest apart are tried first, the rest is left out.

// click is a candidate tempo: a/b frames a unit.
type click struct{ a, b int64 }

func (c click) float() float64 { return float64(c.a) / float64(c.b) }

// steadyPick is a tempo with its offset.
type steadyPick struct {
	click  click
	cost   float64 // misses and tempo
	spans  [][2]int64
	offset int64 // start of a bar, in frames x 2b
	fine   float64
}

// Bounds of the search.
const (
	maxTempos     = 4000
	maxSteadyWork = 1_000_000 // tempos x landings in a bar
	maxSpans      = 4
	tempoApart    = 0.015 // answers differ by this much in |ln| tempo
	tieWidth      = 0.03  // costs this near are settled by error and place
	maxTied       = 40
)

// steadyMaps are the best maps of one tempo, best first, at least 1.5 % apart.
func (p *problem) steadyMaps(ctx context.Context, n int) []Map {
	var all []steadyPick
	for _, c := range p.clicks() {
		if ctx.Err() != nil {
			return nil
		}
		all = append(all, p.sweep(c))
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].cost < all[j].cost })
	var out []Map
	var taken []float64
	for i := range all {
		ln := math.Log(all[i].click.float())
		if len(out) == n {
			break
		}
		if !farFrom(ln, taken) {
			continue
		}
		best := p.settleTie(all[i:])
		taken = append(taken, ln)
		out = append(out, p.steadyMap(best))
	}
	return out
}

func farFrom(ln float64, taken []float64) bool {
	for _, t := range taken {
		if math.Abs(ln-t) < tempoApart {
			return false
		}
	}
	return true
}

// settleTie picks among clicks near all[0] in tempo and cost the one with the
// smallest errors.
func (p *problem) settleTie(all []steadyPick) steadyPick {
	best, bestCost, tried := all[0], math.Inf(1), 0
	for _, c := range all {
		if c.cost > all[0].cost+tieWidth || tried == maxTied {
			break
		}
		if math.Abs(math.Log(c.click.float()/all[0].click.float())) >= tempoApart {
			continue
		}
		tried++
		c = p.bestOffset(c)
		if cost := c.cost + c.fine; cost < bestCost {
			best, bestCost = c, cost
		}
	}
	return best
}

// clicks are the tempos tried.
func (p *problem) clicks() []click {
	seen := map[click]bool{}
	var out []click
	add := func(num, den int64) {
		if num <= 0 || den <= 0 {
			return
		}
		r := timecode.R(num, den)
		c := click{r.Num, r.Den}
		if f := c.float(); f < p.minF || f > p.maxF || seen[c] || r.Den > maxRatioDen/p.perQuarter {
			return
		}
		seen[c] = true
		out = append(out, c)
	}
	if a, b := p.nearestMusts(); p.exact && b != nil { // their bars' tempos are all that can be exact
		grain := p.grain()
		gap := b.frame - a.frame
		for n := max(int64(float64(gap)/p.maxF)/grain-1, 1) * grain; float64(n) <= float64(gap)/p.minF && len(out) < maxTempos; n += grain {
			add(gap, n)
		}
		return out
	}
	if p.o.TempoBPM != 0 {
		w := p.beatFrames(p.o.TempoBPM)
		add(w.Num, w.Den*p.main.beat)
	}
	work := int64(1)
	for _, h := range p.hits {
		work += p.main.bar / p.main.step(h.Lands)
	}
	limit := min(maxTempos, int(maxSteadyWork/work))
	lo, hi := int64(p.minF*8*float64(p.main.beat)), int64(p.maxF*8*float64(p.main.beat))
	for e := lo; e <= hi; e += 1 + (hi-lo)/int64(limit) {
		add(e, 8*p.main.beat)
	}
	c := p.beatFrames(comfortBPM)
	add(c.Num, c.Den*p.main.beat)
	limit += len(out)
	p.pairClicks(add, func() bool { return len(out) >= limit })
	if len(out) == 0 { // a range too narrow for all of these
		w := p.beatFrames((p.o.MinBPM + p.o.MaxBPM) / 2)
		add(w.Num, w.Den*p.main.beat)
	}
	return out
}

// beatFrames is the frames of a beat at a tempo, exact to 1/1000 BPM where the
// rate allows.
func (p *problem) beatFrames(bpm float64) timecode.Ratio {
	r := beatFrames(bpm, p.o.Rate)
	if r.Den*p.perQuarter > maxRatioDen {
		r = timecode.R(int64(math.Round(60*p.fps/bpm*1e6)), 1_000_000)
	}
	return r
}

// beatFrames is the frames of a beat at a tempo to 1/1000 BPM.
func beatFrames(bpm float64, rate timecode.Rate) timecode.Ratio {
	milli := max(int64(math.Round(bpm*1000)), 1)
	return timecode.R(60_000*rate.Num, rate.Den*milli)
}

// pairClicks adds the tempos of pairs of hits: musts first, then the pairs
// furthest apart.
func (p *problem) pairClicks(add func(num, den int64), full func() bool) {
	type pair struct {
		i, j  int
		musts bool
		gap   int64
	}
	var pairs []pair
	for i := range p.hits {
		for j := range p.hits {
			a, b := p.hits[i], p.hits[j]
			if a.Frame < b.Frame {
				pairs = append(pairs, pair{i, j, a.Must && b.Must, b.Frame - a.Frame})
			}
		}
	}
	sort.SliceStable(pairs, func(x, y int) bool {
		if pairs[x].musts != pairs[y].musts {
			return pairs[x].musts
		}
		return pairs[x].gap > pairs[y].gap
	})
	grain := p.grain()
	for _, q := range pairs {
		edge := p.slack2(p.hits[q.i]) + p.slack2(p.hits[q.j])
		lo := int64(float64(2*q.gap-edge)/(2*p.maxF))/grain - 1
		hi := int64(float64(2*q.gap+edge)/(2*p.minF))/grain + 1
		for n := max(lo, 1) * grain; n <= hi*grain; n += grain {
			for _, e := range []int64{0, -edge, edge} {
				add(2*q.gap+e, 2*n)
			}
			if full() {
				return
			}
		}
	}
}

// grain is the finest spacing of landings among the hits, in units.
func (p *problem) grain() int64 {
	g := p.main.bar
	for _, h := range p.hits {
		s := p.main.step(h.Lands)
		if h.Beat != 0 {
			s = p.main.beat
		}
		g = min(g, s)
	}
	return g
}

// slack2 is a hit's tolerance in half frames: half a frame at least, unless it
// has to be exact.
func (p *problem) slack2(h Hit) int64 {
	if h.pinned || p.exact && h.Must && h.Tolerance == 0 {
		return 0
	}
	return max(2*h.Tolerance, 1)
}

// nearestMusts are the two neighbouring must-hits without a tolerance that lie
// closest; nil when there are not two.
func (p *problem) nearestMusts() (a, b *node) {
	var last *node
	for i := range p.nodes {
		n := &p.nodes[i]
		exact := false
		for _, k := range n.hits {
			exact = exact || p.hits[k].Must && p.hits[k].Tolerance == 0
		}
		if !exact {
			continue
		}
		if last != nil && (b == nil || n.frame-last.frame < b.frame-a.frame) {
			a, b = last, n
		}
		last = n
	}
	return a, b
}

// steadyMap makes the map: bar 1 holds frame 0 unless bars are pinned.
func (p *problem) steadyMap(s steadyPick) Map {
	per := timecode.R(s.click.a*p.perQuarter, s.click.b)
	start := timecode.R(s.offset, 2*s.click.b)
	m := Map{Style: Steady, Start: start, Sections: []Section{{Bars: 1, Metre: p.main.metre, FramesPerQuarter: per}}}
	p.cover(&m)
	return m
}

// cover makes the last section reach the end of the reference, as far as a map
// may go; beyond, it runs on.
func (p *problem) cover(m *Map) {
	end, bars := m.Start.Float(), 0
	for _, s := range m.Sections {
		bars += s.Bars + 1
		f, _ := s.frames().Float64()
		end += f
	}
	last := &m.Sections[len(m.Sections)-1]
	barF := last.Metre.BarQuarters().Float() * last.FramesPerQuarter.Float()
	if more := (float64(p.o.Frames) - end) / barF; more > 0 {
		last.Bars += min(int(math.Ceil(more-1e-9)), max(maxBars-bars, 0))
	}
}
