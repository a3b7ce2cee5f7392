package draw

import (
	"image"
	"math"
	"slices"
)

// The picture's size in pixels; scenes are drawn in these units.
const (
	Width  = 384
	Height = 288

	sub        = 2 // drawn so many times finer, then averaged
	subWidth   = Width * sub
	subHeight  = Height * sub
	paperSize  = 256
	shadowTone = 0.30 // how much light a card's shadow takes
)

// pt is a place on the picture: x to the right, y down, in pixels.
type pt struct{ x, y float64 }

// shape is a closed polygon.
type shape []pt

// canvas is a grey picture in linear steps, 0 black to 1 white.
type canvas struct {
	pix   []float32
	paper *[paperSize * paperSize]float32 // the card's grain, -1 to 1
	edges []float64
}

func newCanvas() *canvas {
	return &canvas{pix: make([]float32, subWidth*subHeight), paper: newPaper()}
}

// newPaper is a grain of short level fibres.
func newPaper() *[paperSize * paperSize]float32 {
	p := new([paperSize * paperSize]float32)
	for y := range paperSize {
		for x := range paperSize {
			v := 0.0
			for k := range 6 {
				v += hash(uint64((x+k)%paperSize), uint64(y), 1)
			}
			fibre := v / 6 * 1.6
			spot := hash(uint64(x/2), uint64(y/2), 2) * 0.5
			p[y*paperSize+x] = float32(fibre + spot)
		}
	}
	return p
}

// hash is a number from -1 to 1 that belongs to its three arguments
// (splitmix64's finaliser, Steele, Lea & Flood 2014).
func hash(a, b, c uint64) float64 {
	z := a*0x9e3779b97f4a7c15 + b*0xc2b2ae3d27d4eb4f + c*0x165667b19e3779f9 + 0x632be59bd9b4e019
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	z ^= z >> 31
	return float64(int64(z)>>11) * (1.0 / (1 << 52))
}

// cover calls span for every row piece of the shape, with how much of each end
// pixel is covered: even-odd rule, one line through the middle of each row.
func (c *canvas) cover(s shape, span func(row int, from, to float64)) {
	top, bottom := math.Inf(1), math.Inf(-1)
	for _, p := range s {
		top, bottom = math.Min(top, p.y*sub), math.Max(bottom, p.y*sub)
	}
	first, last := max(0, int(top)), min(subHeight-1, int(bottom))
	for row := first; row <= last; row++ {
		y := float64(row) + 0.5
		c.edges = c.edges[:0]
		for i, p := range s {
			q := s[(i+1)%len(s)]
			y0, y1 := p.y*sub, q.y*sub
			if (y0 <= y) != (y1 <= y) {
				c.edges = append(c.edges, sub*(p.x+(q.x-p.x)*(y-y0)/(y1-y0)))
			}
		}
		slices.Sort(c.edges)
		for i := 0; i+1 < len(c.edges); i += 2 {
			from, to := max(0, c.edges[i]), min(subWidth, c.edges[i+1])
			if from < to {
				span(row, from, to)
			}
		}
	}
}

// blend paints a row piece: pix = pix + (tone-pix)*alpha, end pixels in part.
func (c *canvas) blend(row int, from, to float64, alpha float32, tone func(x int) float32) {
	line := c.pix[row*subWidth : (row+1)*subWidth]
	for x := int(from); x < subWidth && float64(x) < to; x++ {
		part := float32(min(to, float64(x+1)) - max(from, float64(x)))
		line[x] += (tone(x) - line[x]) * alpha * part
	}
}

// fill paints flat, without paper.
func (c *canvas) fill(s shape, tone, alpha float64) {
	t := float32(tone)
	c.cover(s, func(row int, from, to float64) {
		c.blend(row, from, to, float32(alpha), func(int) float32 { return t })
	})
}

// glowShape adds light within the shape.
func (c *canvas) glowShape(s shape, light float64) {
	c.cover(s, func(row int, from, to float64) {
		line := c.pix[row*subWidth : (row+1)*subWidth]
		for x := int(from); x < subWidth && float64(x) < to; x++ {
			part := float32(min(to, float64(x+1)) - max(from, float64(x)))
			line[x] += (1 - line[x]) * float32(light) * part
		}
	})
}

// card is a piece of cardboard: a soft shadow behind, the paper's grain, a
// lighter edge above. The grain sticks to the first shape's first corner, so it
// moves along.
func (c *canvas) card(tone float64, shapes ...shape) {
	c.cardAt(tone, 3, shapes...)
}

// cardAt stands so many pixels before what is behind it.
func (c *canvas) cardAt(tone, lift float64, shapes ...shape) {
	for _, k := range []float64{0.6, 1, 1.4} {
		for _, s := range shapes {
			c.fill(move(s, lift*k*0.8, lift*k), 0, shadowTone/3)
		}
	}
	for _, s := range shapes {
		c.fill(move(s, -0.5, -0.7), math.Min(1, tone*1.35+0.06), 1)
	}
	anchor := shapes[0][0]
	ox, oy := int(math.Round(anchor.x*sub)), int(math.Round(anchor.y*sub))
	const grain = 0.045
	for _, s := range shapes {
		c.cover(s, func(row int, from, to float64) {
			paper := c.paper[((row-oy)&(paperSize-1))*paperSize:]
			c.blend(row, from, to, 1, func(x int) float32 {
				return float32(tone) + grain*paper[(x-ox)&(paperSize-1)]
			})
		})
	}
}

// wash paints the whole picture from a tone above to one below, on paper.
func (c *canvas) wash(above, below float64) {
	for row := range subHeight {
		t := float32(above + (below-above)*float64(row)/subHeight)
		line, paper := c.pix[row*subWidth:(row+1)*subWidth], c.paper[(row&(paperSize-1))*paperSize:]
		for x := range line {
			line[x] = t + 0.03*paper[x&(paperSize-1)]
		}
	}
}

// glow adds a round light that falls off to nothing at the radius.
func (c *canvas) glow(at pt, radius, light float64) {
	r := radius * sub
	for row := max(0, int(at.y*sub-r)); row < min(subHeight, int(at.y*sub+r)+1); row++ {
		line := c.pix[row*subWidth : (row+1)*subWidth]
		dy := float64(row) + 0.5 - at.y*sub
		for x := max(0, int(at.x*sub-r)); x < min(subWidth, int(at.x*sub+r)+1); x++ {
			dx := float64(x) + 0.5 - at.x*sub
			if d := math.Sqrt(dx*dx+dy*dy) / r; d < 1 {
				f := float32(light * (1 - d) * (1 - d))
				line[x] += (1 - line[x]) * f
			}
		}
	}
}

// shade multiplies by 1 inside the radius around the centre, 0 well outside: a
// round matte.
func (c *canvas) shade(at pt, radius, soft float64) {
	for row := range subHeight {
		line := c.pix[row*subWidth : (row+1)*subWidth]
		for x := range line {
			d := math.Hypot(float64(x)/sub-at.x, float64(row)/sub-at.y)
			line[x] *= float32(clamp((radius + soft - d) / soft))
		}
	}
}

// gray averages down to the picture's size.
func (c *canvas) gray(dx, dy int, level func(x, y int, v float64) float64) *image.Gray {
	img := image.NewGray(image.Rect(0, 0, Width, Height))
	for y := range Height {
		for x := range Width {
			s := float32(0)
			for j := range sub {
				for i := range sub {
					row := max(0, min(subHeight-1, y*sub+j+dy))
					col := max(0, min(subWidth-1, x*sub+i+dx))
					s += c.pix[row*subWidth+col]
				}
			}
			v := level(x, y, float64(s)/(sub*sub))
			img.Pix[y*img.Stride+x] = uint8(math.Round(255 * clamp(v)))
		}
	}
	return img
}

func clamp(x float64) float64 { return max(0, min(1, x)) }

// ease goes from 0 to 1 and is slow at both ends.
func ease(x float64) float64 { x = clamp(x); return x * x * (3 - 2*x) }
