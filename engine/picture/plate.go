package picture

import (
	"math"
	"slices"
)

// Plates. Aim: what a shot looks like without the players and passers-by that
// move before it, though they hide it in the very frames beside a dissolve.
// Method: the frames of the shot beside the mix are brought to where the camera
// was in one of them, and each cell is the median of them all (background by the
// temporal median: Lo and Velastin, "Automatic congestion detection system for
// underground platforms", 2001; registration by least residual, as in Bergen,
// Burt, Hingorani and Peleg, IEEE PAMI 14, 1992). Known failure: what hides a
// cell for more than half of those frames; shots of few frames.
const (
	plateFrames = 16   // at most so many frames make a plate
	plateGuard  = 1    // frames between them and the mix, where its ends are not sure
	cellOff     = 7    // levels: a cell that is so far off counts half
	apartSlack  = 0.15 // levels, for each frame that the clearest is farther off
)

// plate is one shot's.
type plate struct {
	tiny // only its cells are made
	rows []plateRow
	few  []float32
}

// plateRow is one frame as the plate's place sees it.
type plateRow struct {
	cells []float32
	seen  []bool
}

// take makes the plate of frames from from to to-1 at the place of frame at.
func (p *plate) take(f *fitting, at, from, to int) {
	a := f.b.at(at)
	p.w, p.h = a.w, a.h
	p.rows = p.rows[:0]
	for _, way := range [...]int{-1, 1} {
		var m drift
		for k := at; k >= from && k < to; k += way {
			if k != at {
				c := f.b.at(k).cells
				m.step(func(d [2]float64) float32 {
					off, _ := aloneResidual(c, a.movedCells(d, 1, &f.moved[0]), f.most)
					return off
				})
			} else if way > 0 {
				continue
			}
			p.add(f, a, k, [2]float64{-m.d[0], -m.d[1]})
		}
	}
	p.settleMedian(a)
}

// add puts frame k, moved by d, among the rows.
func (p *plate) add(f *fitting, a *tiny, k int, d [2]float64) {
	if len(p.rows) == cap(p.rows) {
		p.rows = append(p.rows, plateRow{})
	} else {
		p.rows = p.rows[:len(p.rows)+1]
	}
	r := &p.rows[len(p.rows)-1]
	moved := f.b.at(k).movedCells(d, 1, &f.moved[0])
	_, g := aloneResidual(a.cells, moved, f.most)
	r.cells = append(r.cells[:0], moved...)
	for i := range r.cells {
		r.cells[i] *= g
	}
	r.seen = inView(d, a.w/2, a.h/2, r.seen)
}

// settleMedian is the median of the rows where they see the cell; elsewhere it is
// as in a.
func (p *plate) settleMedian(a *tiny) {
	p.cells = append(p.cells[:0], a.cells...)
	for i := range p.cells {
		p.few = p.few[:0]
		for _, r := range p.rows {
			if r.seen[i] {
				p.few = append(p.few, r.cells[i])
			}
		}
		if n := len(p.few); n > 0 {
			slices.Sort(p.few)
			p.cells[i] = (p.few[n/2] + p.few[(n-1)/2]) / 2
		}
	}
}

// clearest is the frame from from to to-1 that is most like all the others, as
// they come: not one that something hides. Of alike ones it is the nearest to
// frame near.
func (f *fitting) clearest(from, to, near int) int {
	best, at := float32(math.MaxFloat32), near
	for k := from; k < to; k++ {
		sum := apartSlack * float32(max(k-near, near-k)*(to-from))
		for j := from; j < to; j++ {
			off, _ := aloneResidual(f.b.at(j).cells, f.b.at(k).cells, f.most)
			sum += off
		}
		if sum < best {
			best, at = sum, k
		}
	}
	return at
}

// aloneResidual is how far c is from a times a gain within most, in levels, each cell
// counting up to a bound (Geman and McClure, "Statistical methods for tomographic
// image reconstruction", 1987); and that gain.
func aloneResidual(c, a []float32, most float32) (off, gain float32) {
	a = a[:len(c)]
	var aa, ca float32
	for i, v := range c {
		aa, ca = aa+a[i]*a[i], ca+v*a[i]
	}
	gain = boundedGain(ca, aa, most)
	aa, ca = 0, 0
	for i, v := range c {
		x := a[i]
		r := v - gain*x
		w := x / (cellOff*cellOff + r*r)
		aa, ca = aa+w*x, ca+w*v
	}
	gain = boundedGain(ca, aa, most)
	for i, v := range c {
		r := v - gain*a[i]
		r *= r
		off += r / (r + cellOff*cellOff)
	}
	return cellOff * off / float32(len(c)), gain
}

// boundedGain is num over den, between 1/most and most.
func boundedGain(num, den, most float32) float32 {
	if den <= 0 {
		return 1
	}
	return max(1/most, min(most, num/den))
}

// inView tells which cells of a picture of w by h cells that is moved by d points
// come from within it.
func inView(d [2]float64, w, h int, into []bool) []bool {
	into = slices.Grow(into[:0], w*h)[:w*h]
	const beyond = 0.6 // of a cell
	for y := range h {
		sy := float64(y) - d[1]/2
		inside := sy > -beyond && sy < float64(h)-1+beyond
		for x := range w {
			sx := float64(x) - d[0]/2
			into[y*w+x] = inside && sx > -beyond && sx < float64(w)-1+beyond
		}
	}
	return into
}
