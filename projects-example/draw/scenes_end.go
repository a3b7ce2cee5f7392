package draw

import "math"

// sceneCameo: Ada Marrable in an oval, light on her face; it comes nearer.
func sceneCameo(c *canvas, f float64) {
	near := 1 + 0.12*ease(f/90)
	c.wash(0.18, 0.12)
	mid := pt{Width / 2, Height / 2}
	c.card(0.44, ellipse(mid, 112*near, 128*near))
	c.fill(ellipse(mid, 102*near, 118*near), 0.2, 1)
	c.fill(ellipse(mid, 98*near, 114*near), 0.62, 1)
	c.glow(pt{140, 110}, 110, 0.5)
	drawWoman(c, pt{196, 178 + 2*math.Sin(f*0.1)}, 1.75*near, 0.24)
	c.write("ADA MARRABLE", Width/2, 256, 2, 0.8)
}

// sceneLongboat: four at the oars, fast to the right, the coast slides by.
func sceneLongboat(c *canvas, f float64) {
	c.wash(0.60, 0.76)
	c.card(0.5, move(rock(), 320-f*1.2, 140))
	bank(c, pt{120 - f*0.5, 60}, 170, 0.62, 15)
	stroke0 := math.Sin(f * 0.26)
	for r := range 4 {
		seaRow(c, f*1.6, 170, 10, r, 4, 0.14, 0.44)
		if r != 1 {
			continue
		}
		at := pt{180 + 10*ease(f/60), 214 + 3*math.Sin(f*0.2)}
		for k := range 4 {
			x := at.x - 66 + float64(k)*36
			lean := 7 * stroke0
			c.card(0.2, shape{{x - 9, at.y}, {x - 8 - lean, at.y - 24}, {x + 6 - lean, at.y - 24}, {x + 9, at.y}}, ellipse(pt{x - 1 - lean*1.3, at.y - 31}, 6.5, 7.5))
		}
		c.card(0.28, shape{{at.x - 112, at.y - 14}, {at.x - 60, at.y - 3}, {at.x + 60, at.y - 3}, {at.x + 118, at.y - 20}, {at.x + 92, at.y + 18}, {at.x - 88, at.y + 18}})
		c.fill(stroke(pt{at.x - 104, at.y - 6}, pt{at.x + 106, at.y - 4}, 2), 0.6, 0.8)
		for k := range 4 {
			x := at.x - 58 + float64(k)*36
			a := 0.5 * stroke0
			c.card(0.5, stroke(pt{x, at.y - 4}, pt{x - 20 + 44*a, at.y + 38 - 10*math.Cos(f*0.26)}, 3.2))
		}
	}
}

// sceneGears: the clockwork of the lamp begins to turn.
func sceneGears(c *canvas, f float64) {
	a := f * 0.045
	c.wash(0.26, 0.16)
	wheel := func(at pt, r float64, teeth int, angle, tone float64) {
		c.cardAt(tone, 5, gear(at, r, teeth, angle))
		c.fill(ellipse(at, r*0.72, r*0.72), tone*0.55, 1)
		for k := range 5 {
			sin, cos := math.Sincos(angle + float64(k)*2*math.Pi/5)
			c.card(tone, stroke(at, pt{at.x + r*0.78*cos, at.y + r*0.78*sin}, r*0.16))
		}
		c.card(tone*1.3, ellipse(at, r*0.2, r*0.2))
	}
	wheel(pt{318, 70}, 60, 18, a*0.9, 0.34)
	wheel(pt{140, 150}, 92, 26, a, 0.46)
	wheel(pt{262, 210}, 56, 16, -a*26/16+0.1, 0.58)
	swing := 0.45 * math.Sin(f*0.13)
	c.card(0.66, turn(stroke(pt{64, -10}, pt{64, 214}, 5), pt{64, -10}, swing), turn(ellipse(pt{64, 226}, 22, 22), pt{64, -10}, swing))
}

// sceneBreaker: the wave climbs and stands over everything.
func sceneBreaker(c *canvas, f float64) {
	up := ease(f / 62)
	c.wash(0.38, 0.58)
	bank(c, pt{280, 46}, 200, 0.40, 16)
	seaRow(c, f, 196, 10, 0, 4, 0.12, 0.36)
	drawCutter(c, pt{300, 216 - 14*up}, 0.8, 0.12+0.3*up, 0.3)
	crest := func(s, grow float64) pt {
		return pt{-60 + 150*s + 130*grow*s*s - 70*math.Max(0, s-0.8)*5*grow, 300 - (90+150*grow)*math.Sin(s*1.9)}
	}
	for k, t := range []float64{0.40, 0.30, 0.22} {
		grow := up * (1 - 0.18*float64(k))
		s := shape{{-80, 330}}
		for i := range 31 {
			p := crest(float64(i)/30, grow)
			s = append(s, pt{p.x - float64(k)*18, p.y + float64(k)*20})
		}
		s = append(s, pt{110 + 60*grow, 240}, pt{150 + 40*grow, 330})
		c.cardAt(t, 5, s)
		if k == 0 { // foam
			for i := range 16 {
				p := crest(0.45+0.55*float64(i)/15, grow)
				r := 4 + 4*up + 2*hash(uint64(i), uint64(f/4), 60)
				c.card(0.85, ellipse(p, r, r*0.8))
			}
		}
	}
	for r := 2; r < 4; r++ {
		seaRow(c, f*1.3, 196, 12, r, 4, 0.12, 0.36)
	}
}

// sceneLamp: the lamp is lit; the beam sweeps across the house.
func sceneLamp(c *canvas, f float64) {
	light := ease((f + 4) / 12)
	c.wash(0.08, 0.2)
	stars(c, f, 230)
	lamp := pt{192, 142}
	for k := range 10 { // rays like a paper sun
		a := f*0.02 + float64(k)*math.Pi/5
		beam(c, lamp, a, 420, 0.4*light)
	}
	c.glow(lamp, 200, 0.9*light)
	c.card(0.34, box(112, 206, 160, 18), box(132, 60, 120, 14), shape{{122, 62}, {192, 12}, {262, 62}})
	c.card(0.3, box(132, 72, 8, 136), box(244, 72, 8, 136))
	c.card(0.24, shape{{126, 224}, {258, 224}, {268, 300}, {116, 300}})
	for k := range 4 { // the lens
		r := 46 - float64(k)*10
		c.fill(ellipse(lamp, r*0.8, r), 0.55+0.12*float64(k), 0.75)
	}
	c.glow(lamp, 70, light)
	turnX := math.Sin(f * 0.09)
	c.card(0.2, box(lamp.x-2+34*turnX, lamp.y-48, 4, 96))
	for k := range 9 {
		c.fill(box(100+float64(k)*22.5, 190, 2.4, 18), 0.24, 1)
	}
	c.fill(box(96, 188, 192, 3), 0.28, 1)
}

// sceneRout: the beam falls on the beast, which sinks.
func sceneRout(c *canvas, f float64) {
	down := 70 * ease((f-14)/44)
	c.wash(0.14, 0.34)
	stars(c, f, 120)
	c.card(0.18, move(rock(), 66, 150))
	seaRow(c, f, 186, 10, 0, 4, 0.08, 0.28)
	shake := 3 * hash(uint64(f), 1, 70)
	drawArm(c, pt{232 + shake, 300 + down}, 190, -30, 16*math.Sin(f*0.3), 30, 0.2)
	drawHead(c, pt{286 + shake, 170 + down}, 0.95, -7, 0.26)
	drawArm(c, pt{340 + shake, 300 + down}, 170, 34, 16*math.Sin(f*0.3+2), 30, 0.2)
	lamp := drawTower(c, pt{64, 152}, 0.9, 1)
	beam(c, lamp, 0.36+0.02*math.Sin(f*0.2), 420, 0.75)
	for r := 1; r < 4; r++ {
		seaRow(c, f, 192, 12, r, 4, 0.08, 0.28)
	}
}

func sceneLastTitle(c *canvas, f float64) {
	c.wash(0.13, 0.22)
	a := f * 0.006
	for k := range 12 {
		beam(c, pt{Width / 2, 66}, a+float64(k)*math.Pi/6, 460, 0.16)
	}
	c.glow(pt{Width / 2, 66}, 120, 0.45)
	drawTower(c, pt{Width / 2, 122}, 0.72, 1)
	sea(c, f, 244, 7, 2, 0.12, 0.24)
	c.write("THE LANTERN OF", Width/2, 134, 2.8, 0.82)
	c.write("ORROW", Width/2, 162, 7, 0.93)
	if f >= 15 {
		c.write("DEEP", Width/2, 220, 4.4, 0.93)
	}
}
