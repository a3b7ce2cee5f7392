package picture

import "math"

// mini is a frame made small for comparing: brightness with the mean taken out
// and the contrast left as it is.
type mini struct {
	w, h int
	p    []float32 // brightness, 0 to 255, lightly blurred against grain
	raw  []float32
	mean float64
	std  float64
}

// makeMini halves a Grey in each direction and blurs it by the binomial of
// three points each way, which leaves a seventh of grain's variance.
func makeMini(g Grey, m *mini) {
	m.w, m.h = g.W/2, g.H/2
	if len(m.p) != m.w*m.h {
		m.p, m.raw = make([]float32, m.w*m.h), make([]float32, m.w*m.h)
	}
	var sum, sq float64
	for y := range m.h {
		r0, r1 := g.Pix[2*y*g.W:], g.Pix[(2*y+1)*g.W:]
		for x := range m.w {
			v := float32(int(r0[2*x])+int(r0[2*x+1])+int(r1[2*x])+int(r1[2*x+1])) / 4
			m.raw[y*m.w+x] = v
			sum += float64(v)
			sq += float64(v) * float64(v)
		}
	}
	n := float64(m.w * m.h)
	m.mean = sum / n
	m.std = math.Sqrt(max(0, sq/n-m.mean*m.mean))
	m.blur()
}

func (m *mini) blur() {
	for y := range m.h {
		for x := range m.w {
			m.p[y*m.w+x] = (m.row(x, y-1) + 2*m.row(x, y) + m.row(x, y+1)) / 16
		}
	}
}

// row is 1 2 1 along a row of raw; the edges stand for what is beyond them.
func (m *mini) row(x, y int) float32 {
	r := m.raw[max(0, min(m.h-1, y))*m.w:]
	return r[max(0, x-1)] + 2*r[x] + r[min(m.w-1, x+1)]
}

// Block matching. A block of one frame looks for itself in the next within a
// few points: what the camera and the players move is found again, what a cut
// replaces is not (motion-compensated block differences as a measure of change:
// Shahraray, "Scene change detection and content-based sampling of video
// sequences", SPIE 2419, 1995).
const (
	blockSide   = 6 // points of a mini
	searchReach = 4
	// grainVar is the variance, in levels squared, that grain leaves in a mini:
	// blocks flatter than this say nothing.
	grainVar = 4.0
)

// change is how much of frame b is not found in frame a, 0 (all found) to
// about 1. Gain differences between whole frames (flicker) are taken out
// first. Each block counts by its contrast, up to a bound, so that a few specks
// of dust weigh little. It is not symmetric.
func change(a, b *mini) float64 {
	gain := flickerGain(a, b)
	var miss, all float64
	for y := 0; y+blockSide <= b.h; y += blockSide {
		for x := 0; x+blockSide <= b.w; x += blockSide {
			d, contrast := matchBlock(a, b, x, y, gain)
			w := min(contrast, maxBlockContrast)
			miss += w * min(1, d/(contrast*contrast+grainVar))
			all += w + minBlockContrast
		}
	}
	return miss / all
}

// Bounds of what one block counts, in levels.
const (
	minBlockContrast = 3.0
	maxBlockContrast = 25.0
)

// maxFlicker is how far the gain of old film goes from frame to frame.
const maxFlicker = 1.35

// flickerGain is what b is multiplied by to have a's mean, within bounds.
func flickerGain(a, b *mini) float32 {
	g := (a.mean + 4) / (b.mean + 4)
	return float32(max(1/maxFlicker, min(maxFlicker, g)))
}

// matchBlock is the least mean squared distance of the block at x, y of b from
// any near place in a, and the greater of both blocks' standard deviations
// there.
func matchBlock(a, b *mini, x, y int, gain float32) (dist, contrast float64) {
	var blk [blockSide * blockSide]float32
	var sum, sq, sumA, sqA float32
	for j := range blockSide {
		for i := range blockSide {
			at := (y+j)*b.w + x + i
			v, u := b.p[at]*gain, a.p[at]
			blk[j*blockSide+i] = v
			sum, sq = sum+v, sq+v*v
			sumA, sqA = sumA+u, sqA+u*u
		}
	}
	const n = blockSide * blockSide
	best := float32(math.MaxFloat32)
	for i := range 2*searchReach + 1 {
		dy := outward(i)
		if y+dy < 0 || y+dy+blockSide > b.h {
			continue
		}
		for j := range 2*searchReach + 1 {
			dx := outward(j)
			if x+dx < 0 || x+dx+blockSide > b.w {
				continue
			}
			best = min(best, blockDistance(&blk, a.p[(y+dy)*a.w+x+dx:], a.w, best))
		}
	}
	v := max(0, sq-sum*sum/n, sqA-sumA*sumA/n) / n
	return float64(best) / n, math.Sqrt(float64(v))
}

// outward counts 0, 1, -1, 2, -2, ...: the nearest places match best, and the
// sooner a good match is known the sooner the others are given up.
func outward(i int) int {
	if i%2 == 1 {
		return (i + 1) / 2
	}
	return -i / 2
}

// blockDistance is the squared distance of a block from the place that p
// begins at, or something above enough.
func blockDistance(blk *[blockSide * blockSide]float32, p []float32, stride int, enough float32) float32 {
	var d float32
	for j := range blockSide {
		row := p[j*stride : j*stride+blockSide]
		for i, r := range row {
			e := blk[j*blockSide+i] - r
			d += e * e
		}
		if d >= enough {
			break
		}
	}
	return d
}
