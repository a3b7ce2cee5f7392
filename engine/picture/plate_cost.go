package picture

import (
	"math"
	"slices"
)

// How a dissolve explains the frames. Aim: its ends though something hides half
// of the picture. Method: for each frame and each of some shares the plates are
// mixed, and what of the frame that does not explain is summed, each cell
// counting up to a bound, so that those that something hides have no say wherever
// they are; the ends are those of the straight ramp of shares with the least sum
// over all frames. One frame that takes what hides it for a share is outvoted.
const (
	shareSteps = 16
	mixSigma   = 3.0 // levels: a cell that is so far off counts half
	leastView  = 24  // cells that have to be seen
	unseen     = 0.5 // the cost of a frame of which fewer are

	gainPasses = 3    // the first with six times the sigma squared of the next
	gainCoarse = 6.0  //
	gainLeast  = 0.02 // what a gain is off by without flicker
	gainTimes  = 4.0  // and so many times what the film flickers by
)

// gainWithin is how far a gain goes from 1 in frames from from to to-1.
func (b *blendTrack) gainWithin(from, to int) float32 {
	return float32(1 + gainLeast + gainTimes*flickerOf(b.levels, from, to))
}

// costTable is the cost of each frame at each share, 0 to 1.
type costTable struct {
	rows    [][shareSteps + 1]float64
	a, z, c []float32 // cells that are seen
	m       []float32
	va, vz  []bool
}

// takeCosts fills the table for frames from from to to-1, in which follow has
// found the plates.
func (f *fitting) takeCosts(from, to int) {
	t := &f.costs
	t.rows = t.rows[:0]
	pa, pz := &f.plates[0], &f.plates[1]
	for i := range to - from {
		c := f.b.at(from + i).cells
		da, dz := f.way.da[i], f.way.dz[i]
		a, z := pa.movedCells(da, 1, &f.moved[0]), pz.movedCells(dz, 1, &f.moved[1])
		t.va, t.vz = inView(da, pa.w/2, pa.h/2, t.va), inView(dz, pa.w/2, pa.h/2, t.vz)
		var row [shareSteps + 1]float64
		t.see(c, a, z, t.va, nil)
		row[0] = t.costOf(0, f.most)
		t.see(c, a, z, nil, t.vz)
		row[shareSteps] = t.costOf(1, f.most)
		t.see(c, a, z, t.va, t.vz)
		for s := 1; s < shareSteps; s++ {
			row[s] = t.costOf(float32(s)/shareSteps, f.most)
		}
		t.rows = append(t.rows, row)
	}
}

// see takes the cells that are in view in both; nil is all.
func (t *costTable) see(c, a, z []float32, va, vz []bool) {
	t.a, t.z, t.c = t.a[:0], t.z[:0], t.c[:0]
	for i, v := range c {
		if (va == nil || va[i]) && (vz == nil || vz[i]) {
			t.a, t.z, t.c = append(t.a, a[i]), append(t.z, z[i]), append(t.c, v)
		}
	}
	t.m = slices.Grow(t.m[:0], len(t.c))[:len(t.c)]
}

// costOf is the mean cost of the cells with a share u of Z, at the gain within
// most that is best for it.
func (t *costTable) costOf(u, most float32) float64 {
	c := t.c
	if len(c) < leastView {
		return unseen
	}
	a, z, m := t.a[:len(c)], t.z[:len(c)], t.m[:len(c)]
	for i := range m {
		m[i] = a[i] + u*(z[i]-a[i])
	}
	g, wide := float32(1), float32(mixSigma*mixSigma*gainCoarse*gainCoarse)
	for range gainPasses {
		var mm, cm float32
		for i, v := range m {
			r := c[i] - g*v
			w := wide / (wide + r*r)
			w *= w * v
			mm, cm = mm+w*v, cm+w*c[i]
		}
		g = boundedGain(cm, mm, most)
		wide /= gainCoarse
	}
	var sum float32
	for i, v := range m {
		r := c[i] - g*v
		r *= r
		sum += r / (r + mixSigma*mixSigma)
	}
	return float64(sum) / float64(len(c))
}

// at is the cost of a frame at a share of u steps, by a straight line between them.
func (t *costTable) at(frame int, u float64) float64 {
	u = max(0, min(shareSteps, u))
	k := min(shareSteps-1, int(u))
	row := &t.rows[frame]
	return row[k] + (u-float64(k))*(row[k+1]-row[k])
}

// ramp is the sum of the costs of a dissolve, or some number over enough.
func (t *costTable) ramp(s, e int, enough float64) float64 {
	slope := shareSteps / float64(e-s+1)
	var sum float64
	for k := range t.rows {
		if sum += t.at(k, float64(k-s+1)*slope); sum > enough {
			break
		}
	}
	return sum
}

// bestEnds are the ends near h of the least cost, in frames from from to to-1.
func (t *costTable) bestEnds(h ends, from, to int) ends {
	best, out := math.Inf(1), h
	for s := max(from+1, h.s-rampMoves); s <= h.s+rampMoves; s++ {
		for e := max(s+minDissolve-1, h.e-rampMoves); e <= min(to-1, h.e+rampMoves) && e-s <= maxDissolve; e++ {
			if m := t.ramp(s-from, e-from, best); m < best {
				best, out = m, ends{s, e}
			}
		}
	}
	return out
}

// costSigns is how many numbers signs gives.
const costSigns = 12

// signs are what the costs say of ends s and e.
func (t *costTable) signs(s, e int) [costSigns]float64 {
	n := float64(len(t.rows))
	slope := shareSteps / float64(e-s+1)
	var in, before, after, worst, free, run float64
	for k := range t.rows {
		c := t.at(k, float64(k-s+1)*slope)
		switch {
		case k < s:
			before += c / float64(s)
		case k >= e:
			after += c / float64(len(t.rows)-e)
		default:
			in += c / float64(e-s)
			free += (c - slices.Min(t.rows[k][:])) / float64(e-s)
			run += 0.4 * (c - run)
			worst = max(worst, run)
		}
	}
	best := t.ramp(s, e, math.Inf(1)) / n
	step, near := math.Inf(1), math.Inf(1) // of the best hard cut instead, and of other ends
	for k := s; k <= e; k++ {
		step = min(step, t.ramp(k, k, step*n)/n)
	}
	for _, d := range [...][2]int{{-4, 0}, {4, 0}, {0, -4}, {0, 4}} {
		if u, v := s+d[0], e+d[1]; v-u > 2 {
			near = min(near, t.ramp(u, v, math.Inf(1))/n)
		}
	}
	none := math.Inf(1) // of one shot alone
	for _, u := range [...]float64{0, shareSteps} {
		var sum float64
		for k := range t.rows {
			sum += t.at(k, u)
		}
		none = min(none, sum/n)
	}
	return [costSigns]float64{in, before, after, worst, free, best, math.Log(best + 0.01),
		step - best, near - best, math.Log((step + 0.01) / (best + 0.01)), none - best, math.Log((none + 0.01) / (best + 0.01))}
}
