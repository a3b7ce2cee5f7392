package dsp

import "math"

// settleEvery is how often a cascade looks whether its state has died away, in
// samples since its start: not at the ends of blocks, as the sound must not
// depend on how it is cut.
const settleEvery = 64

// Cascade runs second-order sections one after another with 64-bit state. What
// comes out is the same bit for bit however the sound is cut into blocks, and
// no state stays in the subnormal numbers that make processors slow. The zero
// value, without sections, changes nothing.
type Cascade struct {
	sections []section
	phase    int // samples since the last look at the state
}

// section is a section in state form: with s1 and s2 of the transposed direct
// form II, and y = b0·x + s1 put into the states,
//
//	s1' = c1·x + s2 - a1·s1    c1 = B1 - A1·B0
//	s2' = c2·x - a2·s1         c2 = B2 - A2·B0
//
// so that y is not waited for: half the steps from one sample to the next.
type section struct{ b0, c1, c2, a1, a2, s1, s2 float64 }

// NewCascade makes a cascade at rest.
func NewCascade(of ...Coefficients) Cascade {
	var c Cascade
	for _, k := range of {
		c.sections = append(c.sections, section{b0: k.B0, c1: k.B1 - float64(k.A1*k.B0), c2: k.B2 - float64(k.A2*k.B0), a1: k.A1, a2: k.A2})
	}
	return c
}

// Process filters x in place.
func (c *Cascade) Process(x []float64) {
	for len(x) > 0 && len(c.sections) > 0 {
		n := min(settleEvery-c.phase, len(x))
		rest := c.sections
		for ; len(rest) == 3 || len(rest) > 4; rest = rest[3:] {
			runThree(&rest[0], &rest[1], &rest[2], x[:n])
		}
		for ; len(rest) >= 2; rest = rest[2:] {
			runPair(&rest[0], &rest[1], x[:n])
		}
		if len(rest) == 1 {
			rest[0].run(x[:n])
		}
		if c.phase += n; c.phase == settleEvery {
			c.phase = 0
			for i := range c.sections {
				c.sections[i].settle()
			}
		}
		x = x[n:]
	}
}

// The conversions below keep processors from fusing, so that each computes the
// same.

func (p *section) run(x []float64) {
	b0, c1, c2, a1, a2 := p.b0, p.c1, p.c2, p.a1, p.a2
	s1, s2 := p.s1, p.s2
	for i, v := range x {
		x[i] = float64(b0*v) + s1
		n := (float64(c1*v) + s2) - float64(a1*s1)
		s2 = float64(c2*v) - float64(a2*s1)
		s1 = n
	}
	p.s1, p.s2 = s1, s2
}

// runPair is two sections in one loop: the second works on a sample while the
// first is at the next, in the time that one takes by itself.
func runPair(p, q *section, x []float64) {
	s1, s2, t1, t2 := p.s1, p.s2, q.s1, q.s2
	for i, v := range x {
		u := float64(p.b0*v) + s1
		n := (float64(p.c1*v) + s2) - float64(p.a1*s1)
		s2 = float64(p.c2*v) - float64(p.a2*s1)
		s1 = n
		x[i] = float64(q.b0*u) + t1
		m := (float64(q.c1*u) + t2) - float64(q.a1*t1)
		t2 = float64(q.c2*u) - float64(q.a2*t1)
		t1 = m
	}
	p.s1, p.s2, q.s1, q.s2 = s1, s2, t1, t2
}

// runThree is three of them. There are no registers for more.
func runThree(p, q, r *section, x []float64) {
	s1, s2, t1, t2, u1, u2 := p.s1, p.s2, q.s1, q.s2, r.s1, r.s2
	for i, v := range x {
		y := float64(p.b0*v) + s1
		s1, s2 = (float64(p.c1*v)+s2)-float64(p.a1*s1), float64(p.c2*v)-float64(p.a2*s1)
		z := float64(q.b0*y) + t1
		t1, t2 = (float64(q.c1*y)+t2)-float64(q.a1*t1), float64(q.c2*y)-float64(q.a2*t1)
		x[i] = float64(r.b0*z) + u1
		u1, u2 = (float64(r.c1*z)+u2)-float64(r.a1*u1), float64(r.c2*z)-float64(r.a2*u1)
	}
	p.s1, p.s2, q.s1, q.s2, r.s1, r.s2 = s1, s2, t1, t2, u1, u2
}

// settle puts the state to 0 when all of it is too small to matter, or broken.
// One half alone would push the other up again.
func (p *section) settle() {
	if math.Abs(p.s1) < denormal && math.Abs(p.s2) < denormal || !(math.Abs(p.s1)+math.Abs(p.s2) <= math.MaxFloat64) {
		p.s1, p.s2 = 0, 0
	}
}

// Tail is how many samples the answer to an impulse takes to fall by so many
// dB, from the slowest pole; at most the given bound.
func (c *Cascade) Tail(db float64, most int) int {
	tail := 0.0
	for _, p := range c.sections {
		r := poleRadius(p.a1, p.a2)
		if r <= 0 {
			continue
		}
		if r >= 1 {
			return most
		}
		tail += db / 20 * math.Ln10 / -math.Log(r)
	}
	return int(math.Min(math.Ceil(tail), float64(most)))
}

// poleRadius is the magnitude of the larger root of z² + a1·z + a2.
func poleRadius(a1, a2 float64) float64 {
	d := a1*a1/4 - a2
	if d < 0 {
		return math.Sqrt(a2)
	}
	return math.Abs(a1)/2 + math.Sqrt(d)
}
