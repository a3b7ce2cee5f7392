package draw

import "math"

// sea is rows of waves that slide against each other, from the horizon to the
// front; high is the swell in pixels, heave its speed.
func sea(c *canvas, f, horizon, high float64, rows int, dark, light float64) {
	for r := range rows {
		seaRow(c, f, horizon, high, r, rows, dark, light)
	}
}

func seaRow(c *canvas, f, horizon, high float64, r, rows int, dark, light float64) {
	d := float64(r) / math.Max(1, float64(rows-1))
	dir := 1 - 2*float64(r%2)
	y := horizon + (Height-horizon-14)*d
	bob := high * 0.25 * math.Sin(f*0.09+float64(r)*1.9)
	slide := dir * (18*math.Sin(f*0.045+float64(r)) + f*(0.25+0.4*d))
	c.card(light+(dark-light)*d, waves(y+bob, high*(0.5+0.8*d), 34+44*d, slide+float64(r)*37))
}

func stars(c *canvas, f float64, horizon float64) {
	for k := range uint64(46) {
		x, y := Width*(0.5+0.5*hash(k, 1, 20)), horizon*(0.5+0.5*hash(k, 2, 20))
		tw := 0.5 + 0.35*math.Sin(f*0.12+float64(k))
		c.fill(ellipse(pt{x, y}, 0.9, 0.9), 0.95, tw)
	}
}

func moon(c *canvas, at pt, r float64) {
	c.glow(at, r*3.2, 0.35)
	c.card(0.86, ellipse(at, r, r))
	for _, m := range []pt{{-0.3, -0.2}, {0.25, 0.3}, {0.35, -0.35}} {
		c.fill(ellipse(pt{at.x + m.x*r, at.y + m.y*r}, r*0.17, r*0.15), 0.7, 0.8)
	}
	for _, x := range []float64{at.x - r*0.4, at.x + r*0.4} { // it hangs on threads
		c.fill(box(x, 0, 0.6, at.y-r*0.9), 0.75, 0.5)
	}
}

func bank(c *canvas, at pt, w, tone float64, seed uint64) { c.card(tone, cloud(at, w, seed)...) }

// sceneNight: the light, the moon and the sea; a slow pan to the right.
func sceneNight(c *canvas, f float64) {
	pan := -14 * ease(f/143)
	c.wash(0.10, 0.34)
	stars(c, f, 150)
	moon(c, pt{292 + pan*0.3, 58}, 24)
	bank(c, pt{70 + f*0.12, 62}, 110, 0.34, 1)
	bank(c, pt{210 + f*0.2, 96}, 90, 0.28, 2)
	seaRow(c, f, 176, 7, 0, 5, 0.14, 0.40)
	c.card(0.22, move(rock(), 128+pan, 168))
	lamp := drawTower(c, pt{126 + pan, 170}, 1.05, 0.75+0.2*math.Sin(f*0.3))
	beam(c, lamp, -0.18+0.5*math.Sin(f*0.022), 420, 0.34)
	for r := 1; r < 5; r++ {
		seaRow(c, f, 176, 8, r, 5, 0.14, 0.40)
	}
}

func sceneFirstTitle(c *canvas, f float64) {
	c.wash(0.2, 0.14)
	border(c, 16)
	c.write("BEYOND", Width/2, 62, 5.4, 0.88)
	c.write("THE LAST CHART", Width/2, 116, 3.6, 0.88)
	if f >= 30 { // the second line is laid on
		c.write("ONE LIGHT", Width/2, 170, 3.2, 0.74)
	}
	if f >= 60 {
		c.write("MUST NOT GO OUT!", Width/2, 208, 3.2, 0.74)
	}
}

// sceneCutter: the ship crosses from left to right, tossed.
func sceneCutter(c *canvas, f float64) {
	c.wash(0.52, 0.78)
	bank(c, pt{90 - f*0.3, 50}, 150, 0.60, 4)
	bank(c, pt{310 - f*0.4, 76}, 170, 0.52, 5)
	for r := range 5 {
		seaRow(c, f, 158, 13, r, 5, 0.12, 0.46)
		if r == 1 {
			drawCutter(c, pt{120 + f*1.4, 186 + 7*math.Sin(f*0.11)}, 1.35, 0.14*math.Sin(f*0.11+1), 0.30)
		}
	}
}

// sceneWheel: the captain at the wheel, the horizon rocks behind him.
func sceneWheel(c *canvas, f float64) {
	c.wash(0.66, 0.74)
	tilt := 0.07 * math.Sin(f*0.12)
	bank(c, pt{250, 70 + 120*tilt}, 160, 0.58, 6)
	c.card(0.34, turn(box(-60, 176, Width+120, 160), pt{Width / 2, 180}, tilt))
	for _, x := range []float64{60, 338} {
		c.card(0.22, turn(stroke(pt{x, -20}, pt{x - 20, 300}, 4), pt{Width / 2, 140}, -tilt/2))
	}
	drawMan(c, pt{150, 190 + 3*math.Sin(f*0.12)}, 2.1, 0.30)
	hub, a := pt{272, 226}, 0.5*math.Sin(f*0.08)
	var spokes []shape
	for k := range 8 {
		sin, cos := math.Sincos(a + float64(k)*math.Pi/4)
		spokes = append(spokes, stroke(pt{hub.x + 8*cos, hub.y + 8*sin}, pt{hub.x + 84*cos, hub.y + 84*sin}, 5))
	}
	c.card(0.20, spokes...)
	const rims = 48
	var rim []shape
	for k := range rims {
		a0, a1 := 2*math.Pi*float64(k)/rims, 2*math.Pi*(float64(k)+1.1)/rims
		p := func(a, r float64) pt { return pt{hub.x + r*math.Cos(a), hub.y + r*math.Sin(a)} }
		rim = append(rim, shape{p(a0, 58), p(a1, 58), p(a1, 68), p(a0, 68)})
	}
	for _, s := range rim {
		c.fill(s, 0.30, 1)
	}
	c.card(0.26, ellipse(hub, 12, 12))
}

// sceneLightning: a bolt over the Head at once, and again.
func sceneLightning(c *canvas, f float64) {
	flash := math.Max(math.Exp(-f/11), 0.8*math.Exp(-math.Abs(f-48)/4))
	c.wash(0.10+0.5*flash, 0.24+0.45*flash)
	bank(c, pt{96 + f*0.2, 40}, 190, 0.22+0.25*flash, 7)
	bank(c, pt{300 - f*0.2, 30}, 210, 0.18+0.25*flash, 8)
	if f < 10 || (f > 44 && f < 54) {
		to := pt{236, 150}
		if f > 20 {
			to = pt{84, 170}
		}
		b := bolt(pt{to.x + 30, 28}, to, uint64(f)/40+3)
		c.card(0.98, b)
		c.glow(to, 90, 0.6*flash)
	}
	c.card(0.13, move(rock(), 226, 160))
	drawTower(c, pt{224, 162}, 0.9, 0)
	sea(c, f*1.5, 206, 14, 4, 0.08, 0.24+0.15*flash)
	for k := range uint64(60) { // rain
		x := math.Mod(Width*(1+hash(k, 3, 30))+f*-3+4000, Width+40) - 20
		y := math.Mod(Height*(1+hash(k, 4, 30))+f*11, Height+40) - 20
		c.fill(stroke(pt{x, y}, pt{x - 4, y + 15}, 0.8), 0.8, 0.35)
	}
}

// sceneChart: a pan over the chart while the course is drawn.
func sceneChart(c *canvas, f float64) {
	c.wash(0.68, 0.60)
	dx := 20 - 50*ease(f/92)
	for k := range 9 {
		c.fill(box(float64(k)*56+dx-40, 0, 0.8, Height), 0.45, 0.5)
		c.fill(box(0, float64(k)*44+10, Width, 0.8), 0.45, 0.5)
	}
	coast := shape{{-90, -20}, {70, -20}, {96, 30}, {78, 60}, {110, 92}, {90, 130}, {120, 170}, {84, 210}, {96, 300}, {-90, 300}}
	c.card(0.48, move(coast, dx, 0))
	isle := shape{{300, 70}, {322, 58}, {350, 66}, {362, 88}, {346, 110}, {318, 112}, {296, 96}}
	c.card(0.44, move(isle, dx, 0))
	c.fill(place(box(-1.5, -16, 3, 16), pt{330 + dx, 92}, 1, 0), 0.1, 1)
	c.fill(ellipse(pt{330 + dx, 75}, 3, 3), 0.95, 1)
	course := func(s float64) pt { return pt{106 + dx + 196*s, 176 - 70*s - 34*math.Sin(s*5)} }
	for k := 0.0; k < 26*clamp(f/78); k++ {
		c.fill(stroke(course(k/26), course((k+0.6)/26), 2.6), 0.08, 1)
	}
	rose := pt{246 + dx, 224}
	for k := range 8 {
		r := 34.0 - 14*float64(k%2)
		c.card(0.3+0.3*float64(k%2), place(shape{{0, -r}, {4, -4}, {0, 0}, {-4, -4}}, rose, 1, float64(k)*math.Pi/4))
	}
	arms, cups := arm(pt{196 + dx, 92}, 44, 18, 5*math.Sin(f*0.15), 9)
	c.fill(arms, 0.3, 0.9)
	for _, s := range cups {
		c.fill(s, 0.6, 0.9)
	}
	c.write("ORROW DEEP", 240+dx, 20, 2, 0.2)
}

// sceneDoor: the tower's door swings open, and light falls on the stairs.
func sceneDoor(c *canvas, f float64) {
	open := ease((f - 8) / 40)
	c.wash(0.16, 0.10)
	for r := range 10 {
		for k := range 9 {
			x := float64(k)*48 - 24*float64(r%2)
			t := 0.20 + 0.03*hash(uint64(r), uint64(k), 40)
			c.card(t, box(x+1, float64(r)*30+1, 45, 27))
		}
	}
	frame := shape{{134, 240}, {134, 110}, {150, 76}, {192, 60}, {234, 76}, {250, 110}, {250, 240}}
	c.card(0.3, move(size(move(frame, -192, -240), 1.14), 192, 240))
	c.fill(frame, 0.95, 1)
	c.glow(pt{192, 160}, 190, 0.5*open)
	lean := 2 * math.Sin(f*0.1)
	drawMan(c, pt{192 + lean, 196}, 1.25, 0.10)
	c.card(0.16, place(stroke(pt{0, 0}, pt{0, 26}, 2), pt{236 + lean, 158}, 1, 0))
	c.glow(pt{236 + lean, 192}, 60, 0.9)
	c.card(0.8, box(230+lean, 182, 12, 16))
	w := 116 * (1 - 0.86*open)
	leaf := shape{{134, 240}, {134, 110}, {134 + w*0.14, 76 - 6*open}, {134 + w*0.5, 60 - 4*open}, {134 + w*0.86, 76}, {134 + w, 110 + 8*open}, {134 + w, 240 + 14*open}}
	c.card(0.24, leaf)
	c.fill(ellipse(pt{134 + w*0.86, 168}, 2+2*(1-open), 4), 0.7, 1)
	for k := range 3 {
		y := 240 + float64(k)*17
		c.card(0.36-0.07*float64(k)+0.2*open, box(120-float64(k)*22, y, 144+float64(k)*44, 30))
	}
}

// sceneGulls: birds over the surf.
func sceneGulls(c *canvas, f float64) {
	c.wash(0.80, 0.66)
	bank(c, pt{120 + f*0.4, 90}, 200, 0.72, 9)
	bank(c, pt{330 + f*0.3, 50}, 150, 0.66, 10)
	c.card(0.30, move(rock(), 330, 190))
	for k := range uint64(7) {
		x := 60*float64(k) - 60 + f*(1.6+0.5*hash(k, 5, 50))
		y := 90 + 50*hash(k, 6, 50) + 8*math.Sin(f*0.1+float64(k))
		by := 1.1 + 0.5*hash(k, 7, 50)
		c.fill(box(x, 0, 0.5, y), 0.4, 0.4)
		c.card(0.22, gull(pt{x, y}, by, math.Sin(f*0.45+float64(k)*1.3)))
	}
	sea(c, f, 220, 12, 3, 0.2, 0.42)
}

// sceneSpyglass: a round view that searches the sea and finds fins of arms.
func sceneSpyglass(c *canvas, f float64) {
	sway := 30*math.Sin(f*0.1) + 20
	c.wash(0.74, 0.8)
	bank(c, pt{150 - sway, 90}, 150, 0.64, 11)
	for r := range 3 {
		seaRow(c, f, 168, 9, r, 3, 0.3, 0.5)
		if r == 0 {
			drawArm(c, pt{232 - sway, 210}, 84, 26, 8*math.Sin(f*0.2), 18, 0.16)
			drawArm(c, pt{186 - sway, 214}, 58, -20, 6*math.Sin(f*0.2+2), 15, 0.18)
		}
	}
	c.fill(box(0, Height/2, Width, 0.8), 0, 0.5)
	c.fill(box(Width/2, 0, 0.8, Height), 0, 0.5)
	c.shade(pt{Width / 2, Height / 2}, 112, 5)
}

// sceneArm: one huge arm climbs out of the sea beside the little ship.
func sceneArm(c *canvas, f float64) {
	rise := ease(f / 34)
	c.wash(0.24, 0.5)
	bank(c, pt{120, 50}, 220, 0.3, 12)
	for r := range 4 {
		seaRow(c, f*1.4, 176, 13, r, 4, 0.10, 0.36)
		if r == 0 {
			drawArm(c, pt{252, 330 - 60*rise}, 120+150*rise, -70, 12*math.Sin(f*0.15), 52, 0.17)
		}
		if r == 1 {
			drawCutter(c, pt{104, 214 + 5*math.Sin(f*0.13)}, 0.9, -0.16-0.06*math.Sin(f*0.13), 0.3)
		}
	}
}

// sceneBeast: it is there, with both eyes.
func sceneBeast(c *canvas, f float64) {
	up := 40 * (1 - ease(f/50))
	c.wash(0.40, 0.62)
	bank(c, pt{70, 46}, 180, 0.42, 13)
	bank(c, pt{330, 60}, 160, 0.40, 14)
	seaRow(c, f, 178, 12, 0, 4, 0.10, 0.34)
	sway := func(k float64) float64 { return 12 * math.Sin(f*0.1+k) }
	drawArm(c, pt{60, 290 + up}, 200, -34, sway(1), 36, 0.19)
	drawArm(c, pt{332, 290 + up}, 214, 40, sway(2), 36, 0.19)
	drawHead(c, pt{192, 150 + up}, 1.25, 4*math.Sin(f*0.07), 0.22)
	drawArm(c, pt{118, 300 + up}, 150, -60, sway(3), 30, 0.15)
	drawArm(c, pt{270, 300 + up}, 140, 64, sway(4), 30, 0.15)
	for r := 1; r < 4; r++ {
		seaRow(c, f, 190, 14, r, 4, 0.10, 0.34)
	}
}
