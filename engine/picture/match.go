package picture

import "math"

// mini is a frame made small for comparing: brightness with the mean taken out
// and the contrast left as it is.
type mini struct {
	w, h int
	p    []float32 // brightness, 0 to 255, lightly blurred against grain
	raw  []float32
	sum  []float32 // for blur
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

// blur is 1 2 1 each way; the edges stand for what is beyond them.
func (m *mini) blur() {
	if len(m.sum) != m.w+2 {
		m.sum = make([]float32, m.w+2)
	}
	sum := m.sum // of the three rows, with what is beyond the edges
	for y := range m.h {
		up, mid, low := m.raw[max(0, y-1)*m.w:][:m.w], m.raw[y*m.w:][:m.w], m.raw[min(m.h-1, y+1)*m.w:][:m.w]
		for x, v := range mid {
			sum[x+1] = (up[x] + 2*v + low[x]) / 16
		}
		sum[0], sum[m.w+1] = sum[1], sum[m.w]
		out := m.p[y*m.w:][:m.w]
		for x := range out {
			out[x] = sum[x] + 2*sum[x+1] + sum[x+2]
		}
	}
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
func change(a, b *mini) float64 { return changeWithin(a, b, searchReach) }

// changeInPlace is change without a search: no less than that.
func changeInPlace(a, b *mini) float64 { return changeWithin(a, b, 0) }

func changeWithin(a, b *mini, reach int) float64 {
	gain := flickerGain(a, b)
	var miss, all float64
	var dx, dy int // where the block before was found
	for y := 0; y+blockSide <= b.h; y += blockSide {
		for x := 0; x+blockSide <= b.w; x += blockSide {
			blk := takeBlock(a, b, x, y, gain)
			d := blk.search(a, x, y, reach, &dx, &dy)
			c := blk.contrast
			w := min(c, maxBlockContrast)
			miss += w * min(1, d/(c*c+grainVar))
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

// block is one of a frame that is looked for in another.
type block struct {
	p        [blockSide * blockSide]float32
	contrast float64 // the greater standard deviation of it and of what is in its place
}

func takeBlock(a, b *mini, x, y int, gain float32) (k block) {
	var sum, sq, sumA, sqA float32
	for j := range blockSide {
		from := (y+j)*b.w + x
		rb, ra := b.p[from:][:blockSide], a.p[from:][:blockSide]
		for i, v := range rb {
			v, u := v*gain, ra[i]
			k.p[j*blockSide+i] = v
			sum, sq = sum+v, sq+v*v
			sumA, sqA = sumA+u, sqA+u*u
		}
	}
	const n = blockSide * blockSide
	k.contrast = math.Sqrt(float64(max(0, sq-sum*sum/n, sqA-sumA*sumA/n) / n))
	return k
}

// search is the least mean squared distance of the block from any place of a
// within reach of its own. It begins where the block before was found, as
// predictive searches do (Tourapis, "Enhanced predictive zonal search", SPIE
// 4671, 2002), and ends where the block is well found.
func (k *block) search(a *mini, x, y, reach int, dx, dy *int) float64 {
	const n = blockSide * blockSide
	best := float32(math.MaxFloat32)
	enough := float32(wellFound*k.contrast*k.contrast+grainLeft) * n
	try := func(u, v int) bool {
		if y+v < 0 || y+v+blockSide > a.h || x+u < 0 || x+u+blockSide > a.w {
			return false
		}
		if d := blockDistance(&k.p, a.p[(y+v)*a.w+x+u:], a.w, best); d < best {
			best, *dx, *dy = d, u, v
		}
		return best <= enough
	}
	if reach > 0 && try(*dx, *dy) {
		return float64(best) / n
	}
	for i := range 2*reach + 1 {
		for j := range 2*reach + 1 {
			if try(outward(j), outward(i)) {
				return float64(best) / n
			}
		}
	}
	return float64(best) / n
}

// A block is well found with so much of its variance left, and what grain adds.
const (
	wellFound = 0.03
	grainLeft = 1.2 // levels squared
)

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
