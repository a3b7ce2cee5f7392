package draw

import "math"

func move(s shape, dx, dy float64) shape {
	out := make(shape, len(s))
	for i, p := range s {
		out[i] = pt{p.x + dx, p.y + dy}
	}
	return out
}

// turn rotates around a point, clockwise on the screen, in radians.
func turn(s shape, at pt, angle float64) shape {
	sin, cos := math.Sincos(angle)
	out := make(shape, len(s))
	for i, p := range s {
		x, y := p.x-at.x, p.y-at.y
		out[i] = pt{at.x + x*cos - y*sin, at.y + x*sin + y*cos}
	}
	return out
}

// size scales around the origin.
func size(s shape, by float64) shape { return stretch(s, by, by) }

func stretch(s shape, x, y float64) shape {
	out := make(shape, len(s))
	for i, p := range s {
		out[i] = pt{p.x * x, p.y * y}
	}
	return out
}

// place scales, turns and moves a shape that was drawn around the origin.
func place(s shape, at pt, by, angle float64) shape {
	return move(turn(size(s, by), pt{}, angle), at.x, at.y)
}

func box(x, y, w, h float64) shape { return shape{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}} }

func ellipse(at pt, rx, ry float64) shape {
	const corners = 40
	s := make(shape, corners)
	for i := range s {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / corners)
		s[i] = pt{at.x + rx*cos, at.y + ry*sin}
	}
	return s
}

// waves is a row of cut-out waves from y down to the bottom: crests with a lean,
// shifted to the right by dx.
func waves(y, height, length, dx float64) shape {
	s := shape{{-20, Height + 20}}
	for x := -20.0; x <= Width+20; x += 2 {
		p := (x - dx) / length
		p -= math.Floor(p)
		// steep front, long back, a small curl
		up := math.Sin(math.Pi * math.Pow(p, 0.65))
		s = append(s, pt{x, y - height*up*up})
	}
	return append(s, pt{Width + 20, Height + 20})
}

// limb is a tapering arm along a curve: at s from 0 to 1 it stands at path(s)
// and is wide(s) across.
func limb(path func(s float64) pt, wide func(s float64) float64) shape {
	const steps = 40
	left, right := make(shape, 0, 2*steps), make(shape, 0, steps)
	for i := range steps + 1 {
		s := float64(i) / steps
		p, q := path(s), path(s+0.01)
		dx, dy := q.x-p.x, q.y-p.y
		d := math.Hypot(dx, dy) + 1e-9
		w := wide(s) / 2
		left = append(left, pt{p.x - dy/d*w, p.y + dx/d*w})
		right = append(right, pt{p.x + dy/d*w, p.y - dx/d*w})
	}
	for i := len(right) - 1; i >= 0; i-- {
		left = append(left, right[i])
	}
	return left
}

// stroke is a straight bar between two points.
func stroke(a, b pt, wide float64) shape {
	return limb(func(s float64) pt { return pt{a.x + (b.x-a.x)*s, a.y + (b.y-a.y)*s} },
		func(float64) float64 { return wide })
}

// gear is a cog wheel.
func gear(at pt, radius float64, teeth int, angle float64) shape {
	var s shape
	for i := range teeth * 4 {
		r := radius
		if i%4 == 1 || i%4 == 2 {
			r *= 1.16
		}
		sin, cos := math.Sincos(angle + 2*math.Pi*(float64(i)+0.3*float64(i%2))/float64(teeth*4))
		s = append(s, pt{at.x + r*cos, at.y + r*sin})
	}
	return s
}

// cloud is a bank of round puffs with a flat foot, w wide.
func cloud(at pt, w float64, seed uint64) []shape {
	n := 5
	out := []shape{ellipse(at, w*0.5, w*0.09)}
	for i := range n {
		x := at.x + w*(float64(i)/float64(n-1)-0.5)*0.7
		r := w * (0.11 + 0.05*hash(uint64(i), seed, 3))
		out = append(out, ellipse(pt{x, at.y - r*0.6}, r*1.2, r))
	}
	return out
}

// bolt is a flash of lightning from above down to the end point.
func bolt(from, to pt, seed uint64) shape {
	const n = 7
	path := func(s float64) pt {
		i := math.Floor(s * n)
		f := s*n - i
		j := func(k float64) float64 {
			if k <= 0 || k >= n {
				return 0
			}
			return 26 * hash(uint64(k), seed, 4)
		}
		return pt{from.x + (to.x-from.x)*s + j(i)*(1-f) + j(i+1)*f, from.y + (to.y-from.y)*s}
	}
	return limb(path, func(s float64) float64 { return 7*(1-s) + 1 })
}
