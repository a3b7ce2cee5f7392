package draw

import "math"

// tower is the lighthouse of Orrow Head with its foot at the origin, 100 high.
func tower() (body shape, bands []shape, house []shape, lamp pt) {
	body = shape{{-13, 0}, {-8.5, -78}, {8.5, -78}, {13, 0}}
	for _, y := range []float64{-14, -40, -66} {
		half := func(y float64) float64 { return 13 + 4.5*y/78 }
		bands = append(bands, shape{{-half(y), y}, {-half(y - 10), y - 10}, {half(y - 10), y - 10}, {half(y), y}})
	}
	house = []shape{box(-12, -82, 24, 4), box(-7, -94, 14, 2), {{-9, -94}, {0, -104}, {9, -94}}, box(-7, -92, 2, 10), box(5, -92, 2, 10)}
	return body, bands, house, pt{0, -87}
}

// drawTower stands the lighthouse at a place; lit is the lamp's light, 0 to 1.
func drawTower(c *canvas, at pt, by, lit float64) pt {
	body, bands, house, lamp := tower()
	c.card(0.62, place(body, at, by, 0))
	for _, b := range bands {
		c.fill(place(b, at, by, 0), 0.2, 0.8)
	}
	c.fill(place(box(-2.5, -32, 5, 8), at, by, 0), 0.08, 1)
	c.fill(place(box(-2, -58, 4, 7), at, by, 0), 0.08, 1)
	l := pt{at.x + lamp.x*by, at.y + lamp.y*by}
	c.fill(ellipse(l, 5*by, 5*by), 0.15+0.85*lit, 1)
	var cards []shape
	for _, h := range house {
		cards = append(cards, place(h, at, by, 0))
	}
	c.card(0.3, cards...)
	if lit > 0 {
		c.glow(l, 42*by, 0.85*lit)
	}
	return l
}

// beam throws light from the lamp in a direction.
func beam(c *canvas, from pt, angle, length, light float64) {
	for _, w := range []float64{0.20, 0.14, 0.08} {
		s := shape{from}
		for _, a := range []float64{angle - w, angle + w} {
			s = append(s, pt{from.x + length*math.Cos(a), from.y + length*math.Sin(a)})
		}
		c.glowShape(s, light/3)
	}
}

// rock is Orrow Head, its top at the origin.
func rock() shape {
	return shape{{-30, 0}, {-18, -2}, {20, -1}, {34, 3}, {42, 16}, {60, 24}, {66, 44}, {88, 58}, {96, 110}, {-110, 110},
		{-96, 62}, {-70, 50}, {-64, 30}, {-44, 20}, {-40, 6}}
}

// cutter is a one-masted ship around its waterline; w is the wind in the sails.
func drawCutter(c *canvas, at pt, by, angle, tone float64) {
	p := func(s shape) shape { return place(s, at, by, angle) }
	c.card(tone*0.7, p(stroke(pt{-4, -4}, pt{-2, -72}, 2.4)), p(stroke(pt{20, -10}, pt{58, -24}, 2)), p(stroke(pt{-3, -14}, pt{-40, -20}, 1.8)))
	main := shape{{-5, -66}, {-26, -60}, {-40, -22}, {-22, -15}, {-5, -15}}
	jib := shape{{-1, -64}, {30, -40}, {54, -24}, {24, -18}, {2, -20}}
	c.card(tone*1.9, p(main))
	c.card(tone*1.7, p(jib))
	c.fill(p(stroke(pt{-8, -56}, pt{-33, -42}, 0.8)), tone, 0.7)
	c.fill(p(stroke(pt{-7, -40}, pt{-37, -32}, 0.8)), tone, 0.7)
	c.card(tone*1.4, p(shape{{-2, -72}, {-18, -76}, {-14, -72}, {-19, -68}, {-2, -69}}))
	c.card(tone, p(shape{{-42, -12}, {-20, -7}, {10, -8}, {34, -15}, {26, 6}, {-34, 8}}))
	c.fill(p(shape{{-40, -9}, {-20, -4.5}, {10, -5.5}, {31, -11}, {30, -9}, {10, -3.5}, {-20, -2.5}, {-39, -7}}), tone*2.2, 0.8)
}

// drawMan is a seaman's bust from behind the collar, hat and beard, facing right.
func drawMan(c *canvas, at pt, by, tone float64) {
	p := func(s shape) shape { return place(s, at, by, 0) }
	coat := shape{{-34, 60}, {-30, 12}, {-14, -2}, {-4, -8}, {8, -6}, {22, 4}, {32, 22}, {36, 60}}
	head := shape{{-12, -8}, {-15, -26}, {-11, -40}, {4, -44}, {13, -38}, {14, -31}, {20, -24}, {15, -21}, {16, -15}, {12, -8}, {4, -4}}
	beard := shape{{-12, -18}, {-6, -22}, {2, -17}, {15, -18}, {17, -8}, {12, 4}, {2, 6}, {-8, -4}}
	hat := shape{{-19, -38}, {-14, -52}, {2, -57}, {15, -51}, {14, -44}, {25, -39}, {24, -36}, {4, -38}}
	c.card(tone*0.8, p(coat))
	c.fill(p(shape{{-14, -2}, {-4, -8}, {2, 10}, {-8, 22}}), tone*1.6, 0.9)
	c.card(tone*2.2, p(head))
	c.card(tone*1.2, p(beard))
	c.card(tone*0.6, p(hat))
	c.fill(p(box(-13, -43, 27, 3)), tone*2.4, 0.8)
	c.fill(p(ellipse(pt{8, -30}, 1.7, 1.7)), 0.04, 1)
	for _, y := range []float64{24, 38, 52} {
		c.fill(p(ellipse(pt{4, y}, 2, 2)), tone*2.6, 1)
	}
}

// drawWoman is Ada Marrable's bust, hair bound up, facing left.
func drawWoman(c *canvas, at pt, by, tone float64) {
	p := func(s shape) shape { return place(s, at, by, 0) }
	coat := shape{{-30, 62}, {-27, 20}, {-16, 6}, {-6, 0}, {8, -2}, {20, 6}, {30, 22}, {34, 62}}
	hair := shape{{-10, -42}, {4, -48}, {16, -42}, {20, -28}, {15, -12}, {6, -10}, {2, -30}}
	head := shape{{12, -4}, {14, -26}, {8, -40}, {-6, -42}, {-12, -34}, {-12, -27}, {-17, -21}, {-13, -18}, {-13, -12}, {-9, -7}, {-2, -5}, {-4, 4}, {10, 4}}
	c.card(tone, p(coat))
	c.fill(p(shape{{-16, 6}, {-6, 0}, {4, 14}, {-2, 30}}), tone*2.2, 0.9)
	c.fill(p(shape{{20, 6}, {8, -2}, {4, 14}, {8, 30}}), tone*1.7, 0.9)
	c.card(tone*2.6, p(head))
	c.card(tone*0.7, p(hair), p(ellipse(pt{21, -34}, 8, 8)), p(shape{{-12, -36}, {-4, -47}, {8, -46}, {4, -37}}))
	c.fill(p(ellipse(pt{-7, -28}, 1.6, 1.7)), 0.04, 1)
	c.fill(p(stroke(pt{-10, -32}, pt{-4, -33}, 1)), 0.08, 1)
	c.fill(p(stroke(pt{-12, -13}, pt{-8, -13}, 1.2)), 0.2, 1)
}

// arm is one arm of the beast from its foot, swaying; it curls at the tip.
func arm(foot pt, height, lean, sway, thick float64) (shape, []shape) {
	path := func(s float64) pt {
		bend := lean*s*s + sway*math.Sin(2.6*s+sway*0.02)*s
		curl := math.Max(0, s-0.68) * 3
		return pt{foot.x + bend + 26*math.Copysign(1, lean)*math.Sin(curl*3.2)*curl*0.6, foot.y - height*(s-0.45*curl*curl*0.35)}
	}
	s := limb(path, func(s float64) float64 { return thick*(1-s)*0.95 + 2.5 })
	var cups []shape
	for k := 1; k < 9; k++ {
		t := float64(k) / 10
		q := path(t)
		w := thick * (1 - t)
		cups = append(cups, ellipse(pt{q.x - math.Copysign(w*0.22, -lean), q.y}, w*0.13+0.8, w*0.10+0.8))
	}
	return s, cups
}

func drawArm(c *canvas, foot pt, height, lean, sway, thick, tone float64) {
	s, cups := arm(foot, height, lean, sway, thick)
	c.card(tone, s)
	for _, cup := range cups {
		c.fill(cup, tone*2+0.1, 0.9)
	}
}

// drawHead is the beast itself, with two eyes like portholes.
func drawHead(c *canvas, at pt, by, look, tone float64) {
	p := func(s shape) shape { return place(s, at, by, 0) }
	c.card(tone, p(shape{{-46, 70}, {-52, 10}, {-40, -34}, {-16, -60}, {0, -66}, {16, -60}, {40, -34}, {52, 10}, {46, 70}}))
	for _, x := range []float64{-22, 22} {
		c.card(tone*2.2, p(ellipse(pt{x, -4}, 15, 17)))
		c.fill(p(ellipse(pt{x, -3}, 11, 13)), 0.93, 1)
		c.fill(p(ellipse(pt{x + look, -1}, 5, 7)), 0.02, 1)
		c.fill(p(shape{{x - 17, -24}, {x + 17, -24}, {x + 15, -12 - x*0.12}, {x - 15, -12 + x*0.12}}), tone*0.8, 1)
	}
	for k := -2; k <= 2; k++ {
		x := float64(k) * 11
		c.fill(p(ellipse(pt{x, 30 - math.Abs(x)*0.2}, 2.4, 2.4)), tone*0.4, 1)
	}
}

// gull is a bird with its wings at an angle.
func gull(at pt, by, wing float64) shape {
	up := -8 * math.Sin(wing)
	return place(shape{{-16, up}, {-8, up * 0.7}, {-3, -2}, {0, -3}, {3, -2}, {8, up * 0.7}, {16, up}, {8, up*0.5 + 2}, {3, 2}, {0, 3}, {-3, 2}, {-8, up*0.5 + 2}}, at, by, 0)
}

// border is the card that title words are pasted on.
func border(c *canvas, inset float64) {
	for k, t := range []float64{0.55, 0.12, 0.48, 0.14} {
		d := inset + float64(k)*[]float64{0, 2.5, 2.5, 2}[k]
		c.fill(box(d, d, Width-2*d, Height-2*d), t, 1)
	}
	for _, x := range []float64{inset + 7, Width - inset - 7} {
		for _, y := range []float64{inset + 7, Height - inset - 7} {
			c.card(0.5, ellipse(pt{x, y}, 11, 11))
			c.fill(ellipse(pt{x, y}, 6, 6), 0.16, 1)
			c.fill(ellipse(pt{x, y}, 2.5, 2.5), 0.6, 1)
		}
	}
}
