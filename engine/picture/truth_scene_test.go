package picture

import (
	"math"
	"math/rand/v2"
	"sync"
)

// The made-up films are drawn at the size of a source, and damaged there.
const (
	srcW, srcH   = 384, 288
	filmW, filmH = 96, 72 // what the finder sees
	shrinkBy     = srcW / filmW
)

// plane is a square picture without ends: levels, a power of two each side.
type plane struct {
	side int
	p    []uint8
}

const (
	texSide  = 1024
	texMid   = 128 // mean of a texture
	texSpan  = 36  // its standard deviation
	textures = 16
)

var bank [textures]struct {
	once sync.Once
	tex  *plane
}

// texture is one of a few textures, each made once, the same in every run.
func texture(n int) *plane {
	b := &bank[n%textures]
	b.once.Do(func() { b.tex = newTexture(rand.New(rand.NewPCG(uint64(n%textures), 99))) })
	return b.tex
}

// newTexture is noise with a spectrum of about 1/f, as photographs have (Field,
// "Relations between the statistics of natural images and the response
// properties of cortical cells", JOSA A 4, 1987), by octaves of value noise.
func newTexture(rng *rand.Rand) *plane {
	sum := make([]float32, texSide*texSide)
	for cell, amp := texSide/2, 1.0; cell >= 2; cell, amp = cell/2, amp*0.55 {
		addOctave(rng, sum, cell, amp)
	}
	var s, sq float64
	for _, v := range sum {
		s += float64(v)
		sq += float64(v) * float64(v)
	}
	mean := s / float64(len(sum))
	k := texSpan / math.Sqrt(sq/float64(len(sum))-mean*mean)
	t := &plane{texSide, make([]uint8, len(sum))}
	for i, v := range sum {
		t.p[i] = uint8(max(0, min(255, texMid+k*(float64(v)-mean)+0.5)))
	}
	return t
}

// addOctave adds noise that is smooth within cells.
func addOctave(rng *rand.Rand, sum []float32, cell int, amp float64) {
	n := texSide / cell
	grid := make([]float32, n*n)
	for i := range grid {
		grid[i] = float32(rng.NormFloat64() * amp)
	}
	share := make([]float32, cell)
	for i := range share {
		x := float32(i) / float32(cell)
		share[i] = x * x * (3 - 2*x)
	}
	row := make([]float32, n+1)
	for y := range texSide {
		f := share[y%cell]
		top, low := grid[y/cell*n:][:n], grid[(y/cell+1)%n*n:][:n]
		for i := range n {
			row[i] = top[i] + f*(low[i]-top[i])
		}
		row[n] = row[0]
		out := sum[y*texSide:][:texSide]
		for x := range out {
			g := x / cell
			out[x] += row[g] + share[x%cell]*(row[g+1]-row[g])
		}
	}
}

// scene is a texture under a moving camera, with players before it, or a title
// card. Lengths are source pixels, times frames from the scene's start.
type scene struct {
	pic        *plane
	card       bool
	mean, gain float64
	x, y       float64
	dx, dy     float64
	zoom       float64      // growth a frame
	shake      [][2]float64 // of a hand-held camera, by frame
	panFrom    float64      // a fast pan: from this age,
	panFrames  float64      // so long,
	panBy      float64      // so far a frame
	boil       float64      // levels of what is new in every frame: water, leaves
	blobs      []blob
}

// blob is what moves before the camera: an ellipse with a texture of its own.
type blob struct {
	x, y, dx, dy float64
	rx, ry       float64
	edge         float64 // softness
	tone         float64
	passes       bool // goes through; else it turns at the picture's edges
}

func newScene(rng *rand.Rand) scene {
	if rng.IntN(9) == 0 {
		return titleCard(rng)
	}
	s := scene{pic: texture(rng.IntN(textures)), mean: 60 + 110*rng.Float64(), gain: 18 + 26*rng.Float64(),
		x: texSide * rng.Float64(), y: texSide * rng.Float64()}
	switch rng.IntN(8) {
	case 0, 1: // locked
	case 2, 3: // a slow pan or tilt
		s.dx, s.dy = rng.NormFloat64()*2, rng.NormFloat64()
	case 4: // a push in
		s.dx, s.zoom = rng.NormFloat64()*1.5, 0.001+0.007*rng.Float64()
	case 5, 6:
		s.dx, s.shake = rng.NormFloat64(), handHeld(rng)
	case 7: // a fast pan: a picture's width in one to three seconds
		s.panFrom, s.panFrames = 30*rng.Float64(), 5+25*rng.Float64()
		s.panBy = (5 + 11*rng.Float64()) * float64(1-2*rng.IntN(2))
	}
	for range rng.IntN(4) { // players
		r := 20 + 36*rng.Float64()
		s.blobs = append(s.blobs, blob{x: srcW * rng.Float64(), y: srcH * rng.Float64(), dx: rng.NormFloat64() * 4.8,
			dy: rng.NormFloat64() * 2.4, rx: r, ry: r, edge: 4, tone: s.mean + 45*rng.NormFloat64()})
	}
	switch rng.IntN(12) {
	case 0, 1: // something crosses the picture
		s.blobs = append(s.blobs, passer(rng, s.mean+50*rng.NormFloat64(), 40+50*rng.Float64(), 10+20*rng.Float64(), 5))
	case 2: // someone walks by near the lens, dark and out of focus
		s.blobs = append(s.blobs, passer(rng, 10+40*rng.Float64(), 90+90*rng.Float64(), 12+14*rng.Float64(), 40))
	}
	return s
}

// passer crosses the picture within so many frames, from some age on.
func passer(rng *rand.Rand, tone, rx, frames, edge float64) blob {
	way := float64(1 - 2*rng.IntN(2))
	speed := (srcW + 2*rx) / frames
	from := 25 * rng.Float64()
	return blob{x: srcW/2 - way*(srcW/2+rx+speed*from), dx: way * speed, y: srcH * (0.5 + 0.3*rng.Float64()),
		rx: rx, ry: rx * (1.5 + rng.Float64()), edge: edge, tone: tone, passes: true}
}

// handHeld is a random walk that is drawn back, smoothed as a mass does.
func handHeld(rng *rand.Rand) [][2]float64 {
	path := make([][2]float64, 200)
	var v [2]float64
	for i := 1; i < len(path); i++ {
		for a := range v {
			v[a] = 0.8*v[a] + 0.9*rng.NormFloat64()
			path[i][a] = 0.96*path[i-1][a] + v[a]
		}
	}
	return path
}

// camera is how far the camera has moved at an age.
func (s *scene) camera(age float64) (x, y float64) {
	x, y = s.x+s.dx*age, s.y+s.dy*age
	if len(s.shake) > 0 {
		p := s.shake[min(len(s.shake)-1, int(age))]
		x, y = x+p[0], y+p[1]
	}
	return x + s.panBy*max(0, min(s.panFrames, age-s.panFrom)), y
}

const cardSide = 512

// titleCard has lines of upright strokes.
func titleCard(rng *rand.Rand) scene {
	s := blankCard(uint8(8 + rng.IntN(30)))
	for line := range 1 + rng.IntN(4) {
		y := 48 + 52*line + rng.IntN(16)
		for x := 32 + rng.IntN(80); x < srcW-32-rng.IntN(80); x += 8 + rng.IntN(20) {
			s.stroke(x, y, 4+rng.IntN(9), 16+rng.IntN(16))
		}
	}
	return s
}

func blankCard(ground uint8) scene {
	s := scene{card: true, mean: texMid, gain: texSpan, pic: &plane{cardSide, make([]uint8, cardSide*cardSide)}, x: srcW / 2, y: srcH / 2}
	for i := range s.pic.p {
		s.pic.p[i] = ground
	}
	return s
}

func (s *scene) stroke(x, y, w, h int) {
	for yy := y; yy < min(y+h, srcH); yy++ {
		for xx := x; xx < min(x+w, srcW); xx++ {
			s.pic.p[yy*cardSide+xx] = 225
		}
	}
}

// draw renders the scene, age frames after its start, displaced by the weave.
func (s *scene) draw(age, wx, wy float64, out []float32) {
	x, y := s.camera(age)
	step := 1 / (1 + s.zoom*age)
	s.pic.sample(out, srcW, srcH, x+step*(wx-srcW/2), y+step*(wy-srcH/2), step, float32(s.mean), float32(s.gain/texSpan))
	if s.boil > 0 {
		s.boilOver(age, out)
	}
	for i := range s.blobs {
		s.blobs[i].draw(s.pic, age, wx, wy, out)
	}
}

// sample draws w by h pixels of a plane from x, y on, step apart, by linear
// interpolation.
func (t *plane) sample(out []float32, w, h int, x, y, step float64, mean, k float32) {
	const one = 1 << 16
	mask, side := t.side-1, t.side
	whole := float64(side)
	x0 := int((x - math.Floor(x/whole)*whole) * one)
	y0 := int((y - math.Floor(y/whole)*whole) * one)
	d := int(step * one)
	for j := range h {
		v := y0 + j*d
		fy := int32(v >> 8 & 255)
		up, low := t.p[(v>>16&mask)*side:][:side], t.p[((v>>16+1)&mask)*side:][:side]
		row := out[j*w:][:w]
		u := x0
		for i := range row {
			l, r := u>>16&mask, (u>>16+1)&mask
			fx := int32(u >> 8 & 255)
			a := int32(up[l])*(256-fx) + int32(up[r])*fx
			b := int32(low[l])*(256-fx) + int32(low[r])*fx
			row[i] = mean + k*(float32((a*(256-fy)+b*fy)>>8)/256-texMid)
			u += d
		}
	}
}

// boilOver adds noise of about twelve pixels, another in each frame.
func (s *scene) boilOver(age float64, out []float32) {
	const cell = 12
	for y := range srcH {
		for x := 0; x < srcW; x += cell {
			z := uint64(x/cell)*0x9e3779b97f4a7c15 + uint64(y/cell)*0xc2b2ae3d27d4eb4f + uint64(age)*0x165667b19e3779f9
			z = (z ^ z>>30) * 0xbf58476d1ce4e5b9 // splitmix64 (Steele, Lea and Flood 2014)
			z = (z ^ z>>27) * 0x94d049bb133111eb
			v := float32(s.boil) * float32(int64(z^z>>31)) / (1 << 63)
			for i := range cell {
				out[y*srcW+x+i] += v
			}
		}
	}
}

func (b *blob) draw(tex *plane, age, wx, wy float64, out []float32) {
	bx, by := b.x+b.dx*age, b.y+b.dy*age
	if !b.passes {
		bx, by = bounce(bx, srcW), bounce(by, srcH)
	}
	bx, by = bx-wx, by-wy
	x0, x1 := max(0, int(bx-b.rx-b.edge)), min(srcW, int(bx+b.rx+b.edge+2))
	y0, y1 := max(0, int(by-b.ry-b.edge)), min(srcH, int(by+b.ry+b.edge+2))
	small := float32(min(b.rx, b.ry))
	for y := y0; y < y1; y++ {
		v := float32((float64(y) - by) / b.ry)
		for x := x0; x < x1; x++ {
			u := float32((float64(x) - bx) / b.rx)
			r := float32(math.Sqrt(float64(u*u + v*v)))
			a := max(0, min(1, (1-r)*small/float32(b.edge)+0.5))
			if a == 0 {
				continue
			}
			own := tex.p[(int(v*float32(b.ry))+tex.side)&(tex.side-1)*tex.side+(int(u*float32(b.rx))+tex.side)&(tex.side-1)]
			out[y*srcW+x] += a * (float32(b.tone) + (float32(own)-texMid)/4 - out[y*srcW+x])
		}
	}
}

func bounce(v, side float64) float64 {
	v = math.Mod(math.Abs(v), 2*side)
	return min(v, 2*side-v)
}
