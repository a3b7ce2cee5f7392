package picture

import (
	"math"
	"math/rand/v2"

	"cuechoir/engine/cutlist"
)

// truthFilm is a made-up film of which each change is known. It renders one
// small frame at a time.
type truthFilm struct {
	rng    *rand.Rand
	look   look
	shots  []shot
	cuts   []cutlist.Cut // in order
	flash  map[int64]light
	blotch map[int64]bool
	frames int64
	weaveX float64
	weaveY float64
	flick  float64
	scr    []scratch
}

// look is a sort of film.
type look struct {
	aged    bool
	flashes bool // long ones and many
	quick   bool // hard cuts alone, many of them few frames apart, to cards, dark shots and boiling ones
}

// shot is a scene from its first whole or mixed frame to its last.
type shot struct {
	from, to int64 // to exclusive
	scene    scene
	in, out  ramp
}

// ramp is how a shot begins or ends.
type ramp struct {
	kind   cutlist.Kind
	frames int64
	level  float64 // what a fade goes to
}

type scratch struct {
	x, tone float64
	left    int
}

// scene is a texture under a moving camera, with blobs, or a title card.
type scene struct {
	card       bool
	tex        []float64 // texSide*texSide, zero mean, unit variance
	mean, gain float64
	x, y       float64
	dx, dy     float64
	zoom       float64 // growth a frame
	boil       float64 // levels of what is new in every frame: water, leaves
	blobs      []blob
	text       []uint8
}

type blob struct{ x, y, dx, dy, r, tone float64 }

const (
	filmW, filmH = 96, 72
	texSide      = 256
)

// texture is noise with a spectrum of about 1/f, as photographs have (Field,
// "Relations between the statistics of natural images and the response
// properties of cortical cells", JOSA A 4, 1987), by octaves of value noise.
func texture(rng *rand.Rand) []float64 {
	t := make([]float64, texSide*texSide)
	for cell, amp := texSide/2, 1.0; cell >= 2; cell, amp = cell/2, amp*0.55 {
		n := texSide / cell
		grid := make([]float64, n*n)
		for i := range grid {
			grid[i] = rng.NormFloat64() * amp
		}
		for y := range texSide {
			gy, fy := y/cell, smooth(float64(y%cell)/float64(cell))
			for x := range texSide {
				gx, fx := x/cell, smooth(float64(x%cell)/float64(cell))
				g := func(a, b int) float64 { return grid[(b%n)*n+a%n] }
				t[y*texSide+x] += (g(gx, gy)*(1-fx)+g(gx+1, gy)*fx)*(1-fy) + (g(gx, gy+1)*(1-fx)+g(gx+1, gy+1)*fx)*fy
			}
		}
	}
	var sum, sq float64
	for _, v := range t {
		sum += v
		sq += v * v
	}
	mean := sum / float64(len(t))
	sd := math.Sqrt(sq/float64(len(t)) - mean*mean)
	for i := range t {
		t[i] = (t[i] - mean) / sd
	}
	return t
}

func smooth(x float64) float64 { return x * x * (3 - 2*x) }

func newScene(rng *rand.Rand) scene {
	if rng.IntN(9) == 0 {
		return titleCard(rng)
	}
	s := scene{tex: texture(rng), mean: 60 + 110*rng.Float64(), gain: 18 + 26*rng.Float64(),
		x: 200 * rng.Float64(), y: 200 * rng.Float64()}
	switch rng.IntN(4) {
	case 0: // locked
	case 1, 2: // a slow pan or tilt
		s.dx, s.dy = rng.NormFloat64()*0.4, rng.NormFloat64()*0.2
	case 3: // a fast one, or a push in
		s.dx, s.zoom = rng.NormFloat64()*1.2, 0.004*rng.Float64()
	}
	for range rng.IntN(4) {
		s.blobs = append(s.blobs, blob{filmW * rng.Float64(), filmH * rng.Float64(), rng.NormFloat64() * 1.2,
			rng.NormFloat64() * 0.6, 5 + 9*rng.Float64(), s.mean + 45*rng.NormFloat64()})
	}
	return s
}

func titleCard(rng *rand.Rand) scene {
	s := scene{card: true, text: make([]uint8, filmW*filmH)}
	ground := uint8(8 + rng.IntN(30))
	for i := range s.text {
		s.text[i] = ground
	}
	for line := range 1 + rng.IntN(4) {
		y := 12 + 13*line + rng.IntN(4)
		for x := 8 + rng.IntN(20); x < filmW-8-rng.IntN(20); x += 2 + rng.IntN(5) {
			for yy := y; yy < y+4+rng.IntN(4) && yy < filmH; yy++ {
				for xx := x; xx < x+1+rng.IntN(3) && xx < filmW; xx++ {
					s.text[yy*filmW+xx] = 225
				}
			}
		}
	}
	return s
}

// draw renders the scene, age frames after its start, displaced by the weave.
func (s *scene) draw(age, wx, wy float64, out []float64) {
	for y := range filmH {
		for x := range filmW {
			fx, fy := float64(x)+wx, float64(y)+wy
			if s.card {
				xi, yi := int(math.Round(fx)), int(math.Round(fy))
				v := 0.0
				if xi >= 0 && yi >= 0 && xi < filmW && yi < filmH {
					v = float64(s.text[yi*filmW+xi])
				} else {
					v = float64(s.text[0])
				}
				out[y*filmW+x] = v
				continue
			}
			z := 1 / (1 + s.zoom*age)
			tx := s.x + s.dx*age + (fx-filmW/2)*z
			ty := s.y + s.dy*age + (fy-filmH/2)*z
			v := s.mean + s.gain*bilinear(s.tex, tx, ty)
			if s.boil > 0 {
				v += s.boil * boiling(x, y, age)
			}
			for _, b := range s.blobs {
				bx, by := bounce(b.x+b.dx*age, filmW), bounce(b.y+b.dy*age, filmH)
				d := math.Hypot(fx-bx, fy-by)
				if a := min(1, max(0, (b.r-d)/2+0.5)); a > 0 {
					v = v*(1-a) + a*(b.tone+6*bilinear(s.tex, tx*2-bx*2, ty*2-by*2))
				}
			}
			out[y*filmW+x] = v
		}
	}
}

func bounce(v, side float64) float64 {
	v = math.Mod(math.Abs(v), 2*side)
	return min(v, 2*side-v)
}

func bilinear(t []float64, x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	dx, dy := x-fx, y-fy
	x0, y0 := int(fx)&(texSide-1), int(fy)&(texSide-1)
	x1, y1 := (x0+1)&(texSide-1), (y0+1)&(texSide-1)
	return (t[y0*texSide+x0]*(1-dx)+t[y0*texSide+x1]*dx)*(1-dy) + (t[y1*texSide+x0]*(1-dx)+t[y1*texSide+x1]*dx)*dy
}

// newTruthFilm cuts a film of so many shots.
func newTruthFilm(seed uint64, shots int, lk look) *truthFilm {
	rng := rand.New(rand.NewPCG(seed, 42))
	f := &truthFilm{rng: rng, look: lk, flash: map[int64]light{}, blotch: map[int64]bool{}}
	at := int64(0)
	in := ramp{kind: cutlist.HardCut}
	for i := range shots {
		s := shot{scene: newScene(rng), in: in}
		if lk.quick {
			s.scene = oddScene(rng)
		}
		length := int64(20 + rng.IntN(60))
		if rng.IntN(5) == 0 {
			length = int64(9 + rng.IntN(8)) // quick cutting
		}
		if lk.quick && rng.IntN(2) == 0 {
			length = int64(4 + rng.IntN(5))
		}
		s.out, in = f.transition(i == shots-1)
		s.from = at
		body := at + s.in.frames + length
		s.to = body + s.out.frames
		at = body // of a dissolve, the next shot begins with the mix
		switch s.out.kind {
		case cutlist.HardCut:
			if i < shots-1 {
				f.cuts = append(f.cuts, cutlist.Cut{Frame: at, End: at, Kind: cutlist.HardCut})
			}
		case cutlist.Dissolve:
			f.cuts = append(f.cuts, cutlist.Cut{Frame: body, End: s.to, Kind: cutlist.Dissolve})
		case cutlist.FadeOut:
			f.cuts = append(f.cuts, cutlist.Cut{Frame: body, End: s.to, Kind: cutlist.FadeOut})
			at = s.to + int64(rng.IntN(14)) // black for a while, or not at all
			f.cuts = append(f.cuts, cutlist.Cut{Frame: at, End: at + in.frames, Kind: cutlist.FadeIn})
		}
		f.shots = append(f.shots, s)
		f.addFlash(s, length)
		f.frames = s.to
	}
	return f
}

// transition draws how a shot ends and the next begins.
func (f *truthFilm) transition(last bool) (out, in ramp) {
	n := int64(8 + f.rng.IntN(23))
	switch p := f.rng.IntN(100); {
	case last || p < 55 || f.look.quick:
		return ramp{kind: cutlist.HardCut}, ramp{kind: cutlist.HardCut}
	case p < 80:
		return ramp{cutlist.Dissolve, n, 0}, ramp{cutlist.Dissolve, n, 0}
	case p < 95:
		return ramp{cutlist.FadeOut, n, 3}, ramp{cutlist.FadeIn, int64(8 + f.rng.IntN(23)), 3}
	}
	return ramp{cutlist.FadeOut, n, 250}, ramp{cutlist.FadeIn, int64(8 + f.rng.IntN(23)), 250}
}

// addFlash puts a flash of one to three frames into some shots, and a burnt
// or torn frame into an aged one.
func (f *truthFilm) addFlash(s shot, length int64) {
	if f.look.flashes {
		f.addLongFlash(s.from+s.in.frames, s.from+s.in.frames+length)
		return
	}
	if length < 16 {
		return
	}
	mid := s.from + s.in.frames + 6 + f.rng.Int64N(length-12)
	if f.rng.IntN(6) == 0 {
		for i := range 1 + f.rng.Int64N(3) {
			f.flash[mid+i] = light{gain: 0.5 + f.rng.Float64()}
		}
	} else if f.look.aged && f.rng.IntN(5) == 0 {
		f.blotch[mid] = true
	}
}

// render draws all frames, in order.
func (f *truthFilm) render(each func(Grey)) {
	a, b := make([]float64, filmW*filmH), make([]float64, filmW*filmH)
	pix := make([]byte, filmW*filmH)
	for k := range f.frames {
		f.age()
		f.compose(k, a, b)
		f.damage(k, a)
		for i, v := range a {
			pix[i] = byte(max(0, min(255, math.Round(v))))
		}
		each(Grey{Index: k, W: filmW, H: filmH, Pix: pix})
	}
}

// compose mixes the shots that are seen in frame k into a.
func (f *truthFilm) compose(k int64, a, b []float64) {
	found := false
	level := 3.0
	for i := range f.shots {
		s := &f.shots[i]
		if k < s.from || k >= s.to {
			if k >= s.to && s.out.kind == cutlist.FadeOut {
				level = s.out.level
			}
			continue
		}
		share := 1.0
		if d := k - s.from; s.in.kind != cutlist.HardCut && d < s.in.frames {
			share = float64(d+1) / float64(s.in.frames+1)
		}
		if d := s.to - k; s.out.kind != cutlist.HardCut && d <= s.out.frames {
			share = float64(d) / float64(s.out.frames+1)
		}
		s.scene.draw(float64(k-s.from), f.weaveX, f.weaveY, b)
		fade := 0.0
		switch {
		case s.in.kind == cutlist.FadeIn && k-s.from < s.in.frames:
			fade = (1 - share) * s.in.level
		case s.out.kind == cutlist.FadeOut && s.to-k <= s.out.frames:
			fade = (1 - share) * s.out.level
		}
		for j := range a {
			v := share*b[j] + fade
			if found {
				v += a[j]
			}
			a[j] = v
		}
		found = true
	}
	if !found {
		for j := range a {
			a[j] = level
		}
	}
}

// age moves the damage of old film on by a frame: weave to 2 points, flicker
// to 15 %, scratches.
func (f *truthFilm) age() {
	if !f.look.aged {
		return
	}
	r := f.rng
	f.weaveX = max(-2, min(2, 0.8*f.weaveX+0.5*r.NormFloat64()))
	f.weaveY = max(-2, min(2, 0.8*f.weaveY+0.5*r.NormFloat64()))
	f.flick = max(-0.15, min(0.15, 0.5*f.flick+0.06*r.NormFloat64()))
	if len(f.scr) < 3 && r.IntN(20) == 0 {
		f.scr = append(f.scr, scratch{filmW * r.Float64(), 60 * r.NormFloat64(), 3 + r.IntN(40)})
	}
	keep := f.scr[:0]
	for _, s := range f.scr {
		if s.left--; s.left > 0 {
			s.x += r.NormFloat64() * 0.5
			keep = append(keep, s)
		}
	}
	f.scr = keep
}

// damage adds what age does, and flashes.
func (f *truthFilm) damage(k int64, a []float64) {
	if l := f.flash[k]; l.gain > 0 {
		l.shine(a)
	}
	if !f.look.aged {
		for i := range a {
			a[i] += f.rng.NormFloat64() * 0.7
		}
		return
	}
	for i := range a {
		a[i] = a[i]*(1+f.flick) + f.rng.NormFloat64()*5
	}
	for _, s := range f.scr {
		if x := int(s.x); x >= 0 && x < filmW {
			for y := range filmH {
				a[y*filmW+x] += s.tone
			}
		}
	}
	for range 2 + f.rng.IntN(7) {
		f.spot(a, 1+1.5*f.rng.Float64())
	}
	if f.blotch[k] {
		for range 3 {
			f.spot(a, 10+8*f.rng.Float64())
		}
	}
}

func (f *truthFilm) spot(a []float64, r float64) {
	cx, cy := filmW*f.rng.Float64(), filmH*f.rng.Float64()
	tone := 20.0
	if f.rng.IntN(2) == 0 {
		tone = 230
	}
	for y := max(0, int(cy-r)); y < min(filmH, int(cy+r+1)); y++ {
		for x := max(0, int(cx-r)); x < min(filmW, int(cx+r+1)); x++ {
			if math.Hypot(float64(x)-cx, float64(y)-cy) < r {
				a[y*filmW+x] = tone
			}
		}
	}
}
