package picture

import "math"

// tiny is a frame of about 32 by 24 for comparing whole pictures over many
// frames: only its structure, smaller than a fifth of the picture, stays.
type tiny struct {
	w, h    int
	p       []float32 // structure
	grey    []float32
	cells   []float32 // mean grey of each two by two points
	squares []float64 // sums of the structure's squares above and left of each corner
	energy  float64   // mean square of the structure
	spread  float64   // standard deviation of grey
	mean    float64
	ninths  [9]float64 // mean grey of each ninth of the picture
}

// Sizes of a tiny.
const (
	tinyStep  = 3 // points of a Grey to one of a tiny
	tinyBox   = 3 // half side of the box whose mean is taken out
	tinyReach = 4 // how far pictures are shifted to match
	panReach  = 9 // how far sideways, where a pan may go on for long
)

// shrink takes the mean of each tinyStep by tinyStep points.
func (t *tiny) shrink(g Grey) {
	t.w, t.h = g.W/tinyStep, g.H/tinyStep
	if len(t.p) != t.w*t.h {
		t.p, t.grey = make([]float32, t.w*t.h), make([]float32, t.w*t.h)
	}
	var sum float64
	for y := range t.h {
		for x := range t.w {
			s := 0
			for j := range tinyStep {
				row := g.Pix[(y*tinyStep+j)*g.W+x*tinyStep:]
				for i := range tinyStep {
					s += int(row[i])
				}
			}
			v := float32(s) / (tinyStep * tinyStep)
			t.grey[y*t.w+x] = v
			sum += float64(v)
		}
	}
	t.mean = sum / float64(t.w*t.h)
}

// settle makes t the middle one of three neighbouring frames, point by point,
// and takes its measures. Dust, torn frames and flashes of one frame go; a
// steady change, as in a dissolve, stays as it is (the median keeps what rises
// or falls without turning). Flicker is taken out of the neighbours first.
func (t *tiny) settle(before, mid, after *tiny) {
	if len(t.p) != len(mid.p) {
		t.p, t.grey = make([]float32, len(mid.p)), make([]float32, len(mid.p))
	}
	t.w, t.h, t.mean = mid.w, mid.h, mid.mean
	gb, ga := gainTo(mid, before), gainTo(mid, after)
	for i, m := range mid.grey {
		b, a := before.grey[i]*gb, after.grey[i]*ga
		t.grey[i] = max(min(b, m), min(max(b, m), a))
	}
	t.takeStructure()
	t.takeCells()
	t.spread = spreadOf(t.grey)
	for b := range t.ninths {
		x0, y0, x1, y1 := t.ninth(b)
		sum := float32(0)
		for y := y0; y < y1; y++ {
			for _, v := range t.grey[y*t.w+x0 : y*t.w+x1] {
				sum += v
			}
		}
		t.ninths[b] = float64(sum) / float64(max(1, (x1-x0)*(y1-y0)))
	}
}

// ninth is the rectangle of ninth block of the picture, 0 to 8.
func (t *tiny) ninth(block int) (x0, y0, x1, y1 int) {
	return block % 3 * t.w / 3, block / 3 * t.h / 3, (block%3 + 1) * t.w / 3, (block/3 + 1) * t.h / 3
}

// gainTo is what other is multiplied by to be as bright as mid, within what
// flicker does.
func gainTo(mid, other *tiny) float32 {
	g := (mid.mean + 1) / (other.mean + 1)
	return float32(max(1/maxFlicker, min(maxFlicker, g)))
}

// takeStructure subtracts the mean of a box around each point, by a table of
// sums.
func (t *tiny) takeStructure() {
	blurred := t.blurred()
	w := t.w + 1
	sums := make([]float32, w*(t.h+1))
	for y := range t.h {
		row := float32(0)
		for x := range t.w {
			row += blurred[y*t.w+x]
			sums[(y+1)*w+x+1] = sums[y*w+x+1] + row
		}
	}
	if len(t.squares) != len(sums) {
		t.squares = make([]float64, len(sums))
	}
	for y := range t.h {
		var row float64
		y0, y1 := max(0, y-tinyBox), min(t.h, y+tinyBox+1)
		for x := range t.w {
			x0, x1 := max(0, x-tinyBox), min(t.w, x+tinyBox+1)
			s := sums[y1*w+x1] - sums[y0*w+x1] - sums[y1*w+x0] + sums[y0*w+x0]
			v := blurred[y*t.w+x] - s/float32((y1-y0)*(x1-x0))
			t.p[y*t.w+x] = v
			row += float64(v) * float64(v)
			t.squares[(y+1)*w+x+1] = t.squares[y*w+x+1] + row
		}
	}
	t.energy = t.squares[len(t.squares)-1] / float64(t.w*t.h)
}

// blockEnergy is the mean square of the structure in one ninth, 0 to 8.
func (t *tiny) blockEnergy(block int) float64 {
	x0, y0, x1, y1 := t.ninth(block)
	return t.energyIn(x0, y0, x1, y1) / float64(max(1, (x1-x0)*(y1-y0)))
}

// blurred is grey through 1 2 1 each way: grain and shifts by a part of a point
// (weave) matter less.
func (t *tiny) blurred() []float32 {
	out := make([]float32, len(t.grey))
	for y := range t.h {
		up, mid, down := t.grey[max(0, y-1)*t.w:], t.grey[y*t.w:], t.grey[min(t.h-1, y+1)*t.w:]
		for x := range t.w {
			l, r := max(0, x-1), min(t.w-1, x+1)
			out[y*t.w+x] = (up[l] + up[r] + down[l] + down[r] + 2*(up[x]+down[x]+mid[l]+mid[r]) + 4*mid[x]) / 16
		}
	}
	return out
}

// spreadOf is the standard deviation.
func spreadOf(p []float32) float64 {
	var sum, sq float64
	for _, v := range p {
		sum += float64(v)
		sq += float64(v) * float64(v)
	}
	n := float64(len(p))
	return math.Sqrt(max(0, sq/n-sum*sum/n/n))
}

// flatEnergy keeps the structure of grain alone from looking alike or unlike.
const flatEnergy = 1.5

// alikeAcross is the greatest normalised cross-correlation of two structures
// over shifts, about 0 for different pictures to 1 for the same; it does not
// see gain or brightness. The pictures may be far apart in time.
func alikeAcross(a, b *tiny) float64 {
	best, _, _ := bestShift(a, b, panReach)
	return best
}

// bestShift looks at every second shift, then at those beside the best: the
// structures are blurred, so their correlation is a hill that is wider.
func bestShift(a, b *tiny, reachX int) (best float64, bx, by int) {
	try := func(dx, dy int) {
		if c := correlate(a, b, dx, dy); c > best {
			best, bx, by = c, dx, dy
		}
	}
	for dy := -(tinyReach &^ 1); dy <= tinyReach; dy += 2 {
		for dx := -(reachX &^ 1); dx <= reachX; dx += 2 {
			try(dx, dy)
		}
	}
	if best == 0 {
		return 0, 0, 0
	}
	cx, cy := bx, by
	for dy := max(-tinyReach, cy-1); dy <= min(tinyReach, cy+1); dy++ {
		for dx := max(-reachX, cx-1); dx <= min(reachX, cx+1); dx++ {
			if dx != cx || dy != cy {
				try(dx, dy)
			}
		}
	}
	return best, bx, by
}

// shift is how far the structure moves from a to b, to a part of a point, by the
// top of a parabola through the best and its neighbours; and how alike they are.
func shift(a, b *tiny, reachX int) (dx, dy, like float64) {
	like, bx, by := bestShift(a, b, reachX)
	if like == 0 {
		return 0, 0, 0
	}
	top := func(l, r float64) float64 {
		if bend := 2*like - l - r; bend > 0 {
			return max(-0.5, min(0.5, (r-l)/2/bend))
		}
		return 0
	}
	return float64(bx) + top(correlate(a, b, bx-1, by), correlate(a, b, bx+1, by)),
		float64(by) + top(correlate(a, b, bx, by-1), correlate(a, b, bx, by+1)), like
}

// takeCells takes the mean of grey over each two by two points.
func (t *tiny) takeCells() {
	w, h := t.w/2, t.h/2
	if len(t.cells) != w*h {
		t.cells = make([]float32, w*h)
	}
	for y := range h {
		up, low := t.grey[2*y*t.w:][:t.w], t.grey[(2*y+1)*t.w:][:t.w]
		for x := range w {
			t.cells[y*w+x] = (up[2*x] + up[2*x+1] + low[2*x] + low[2*x+1]) / 4
		}
	}
}

// movedCells is cells as they are when the picture has moved on by v points a
// frame, in a slice that is used again. What comes into view is taken to be as
// the edge was.
func (t *tiny) movedCells(v [2]float64, frames float64, into *[]float32) []float32 {
	if v == [2]float64{} || frames == 0 {
		return t.cells
	}
	w, h := t.w/2, t.h/2
	if len(*into) != w*h {
		*into = make([]float32, w*h)
	}
	mx, my := v[0]*frames/2, v[1]*frames/2 // in cells
	fx, fy := math.Floor(-mx), math.Floor(-my)
	px, py := float32(-mx-fx), float32(-my-fy)
	ix, iy := int(max(-1e6, min(1e6, fx))), int(max(-1e6, min(1e6, fy)))
	from, to := max(0, min(w, -ix)), max(0, min(w, w-1-ix)) // where both neighbours are in the picture
	to = max(from, to)
	for y := range h {
		up := t.cells[max(0, min(h-1, y+iy))*w:][:w]
		low := t.cells[max(0, min(h-1, y+iy+1))*w:][:w]
		out := (*into)[y*w:][:w]
		at := func(x int) float32 {
			x = max(0, min(w-1, x+ix))
			return up[x] + py*(low[x]-up[x])
		}
		for x := range from {
			out[x] = at(x)
		}
		if from < to {
			u, v := up[from+ix:to+ix+1], low[from+ix:to+ix+1]
			a := u[0] + py*(v[0]-u[0])
			for x := 1; x < len(u); x++ {
				b := u[x] + py*(v[x]-u[x])
				out[from+x-1] = a + px*(b-a)
				a = b
			}
		}
		for x := to; x < w; x++ {
			out[x] = at(x)
		}
	}
	return *into
}

func correlate(a, b *tiny, dx, dy int) float64 {
	x0, x1 := max(0, -dx), min(a.w, a.w-dx)
	y0, y1 := max(0, -dy), min(a.h, a.h-dy)
	if x0 >= x1 || y0 >= y1 {
		return 0
	}
	var even, odd float32
	for y := y0; y < y1; y++ {
		ra := a.p[y*a.w+x0 : y*a.w+x1]
		rb := b.p[(y+dy)*b.w+x0+dx:][:len(ra)]
		i := 0
		for ; i+1 < len(ra); i += 2 {
			even += ra[i] * rb[i]
			odd += ra[i+1] * rb[i+1]
		}
		if i < len(ra) {
			even += ra[i] * rb[i]
		}
	}
	n := flatEnergy * float64((x1-x0)*(y1-y0))
	aa, bb := a.energyIn(x0, y0, x1, y1), b.energyIn(x0+dx, y0+dy, x1+dx, y1+dy)
	return float64(even+odd) / math.Sqrt((aa+n)*(bb+n))
}

// energyIn is the sum of squares of the structure in a rectangle.
func (t *tiny) energyIn(x0, y0, x1, y1 int) float64 {
	w := t.w + 1
	return max(0, t.squares[y1*w+x1]-t.squares[y0*w+x1]-t.squares[y1*w+x0]+t.squares[y0*w+x0])
}
