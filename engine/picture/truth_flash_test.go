package picture

import "math"

// light is a flash on one frame: how strong, and where; a radius of 0 is the
// whole picture.
type light struct{ gain, x, y, r float64 }

// flashFrame is the longest of the long flashes, in frames: half a second at
// 24 a second and a little.
const flashFrame = 14

// addLongFlash puts a flash of a random sort into a shot from its frame a to
// its frame b: one that rises at once and dies away, two of them, one that is
// as sharp at both ends, a flickering one, one that grows and goes (headlights,
// which move).
func (f *truthFilm) addLongFlash(a, b int64) {
	r := f.rng
	n := 1 + r.Int64N(flashFrame)
	if b-a < n+6 {
		return
	}
	from := a + 3 + r.Int64N(b-a-n-5)
	g := 0.4 + 1.1*r.Float64()
	l := light{x: srcW * r.Float64(), y: srcH * r.Float64()}
	if r.IntN(2) == 0 {
		l.r = 60 + 120*r.Float64()
	}
	sort, dx := r.IntN(5), 16*r.NormFloat64()
	for i := range n {
		share := float64(i) / float64(n)
		switch sort {
		case 0:
			l.gain = g * math.Exp(-4*share)
		case 1:
			l.gain = g * math.Exp(-5*math.Mod(2*share, 1))
		case 2:
			l.gain = g
		case 3:
			l.gain = g * float64(r.IntN(3)) / 2
		case 4:
			l.gain = g * math.Sin(math.Pi*(share+0.5/float64(n)))
			l.x += dx
		}
		f.flash[from+i] = l
	}
}

// shine adds the light to a frame.
func (l light) shine(a []float32) {
	for i := range a {
		g := float32(l.gain)
		if l.r > 0 {
			d := math.Hypot(float64(i%srcW)-l.x, float64(i/srcW)-l.y)
			g *= float32(max(0, min(1, 1.5-d/l.r)))
		}
		a[i] = a[i]*(1+g) + 90*g
	}
}
