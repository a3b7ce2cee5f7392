package tempo

import (
	"context"
	"math/big"
	"slices"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// glideMap makes the map of a chain of glides.
func (g *glider) glideMap(last *glideState) Map {
	p := g.p
	var chain []*glideState
	var legs []*leg
	for s := last; s != nil; s = s.before {
		chain, legs = append(chain, s), append(legs, s.leg)
	}
	slices.Reverse(chain)
	slices.Reverse(legs)
	first := g.perQuarter(chain[0].tempos[0])
	bar, start := p.beginning(legs, first)
	d := &draft{}
	p.lay(d, big.NewRat((bar-1)*p.main.bar+int64(legs[0].phase), 1), p.main, first.Rat(), first.Rat())
	for _, s := range chain {
		g.layLeg(d, s)
	}
	end := g.perQuarter(last.tempos[1]).Rat()
	p.lay(d, big.NewRat(p.main.bar-int64(last.leg.end), 1), p.main, end, end)
	d.merge()
	m := Map{Style: Gliding, Start: start}
	for _, s := range d.list {
		section, _ := s.section() // parts of sixteenths of a frame always fit
		m.Sections = append(m.Sections, section)
	}
	p.cover(&m)
	return m
}

// perQuarter is one of the row's tempos.
func (g *glider) perQuarter(tempo int) timecode.Ratio {
	return timecode.R(g.parts[tempo]*g.p.perQuarter, glideDen*g.p.main.beat)
}

// lay adds units of one metre, from one tempo to another in frames a quarter.
func (p *problem) lay(d *draft, units *big.Rat, l lengths, from, to *big.Rat) {
	if units.Sign() > 0 {
		q := new(big.Rat).Quo(units, big.NewRat(p.perQuarter, 1))
		d.list = append(d.list, stretch{quarters: q, per: from, end: to, hold: new(big.Rat), metre: l.metre}.clone())
	}
}

// layLeg adds the two glides of a leg, parted where the metre changes.
func (g *glider) layLeg(d *draft, s *glideState) {
	p, l := g.p, s.leg
	half := big.NewRat(l.units, 2)
	p0, p1 := g.perQuarter(s.tempos[0]).Rat(), g.perQuarter(s.tempos[1]).Rat()
	gap := p.nodes[l.to].frame - p.nodes[l.from].frame
	mid := big.NewRat(2*gap*p.perQuarter, l.units)
	mid.Sub(mid, new(big.Rat).Mul(new(big.Rat).Add(p0, p1), big.NewRat(1, 2)))
	tempoAt := func(u *big.Rat) *big.Rat {
		a, b, x := p0, mid, new(big.Rat).Set(u)
		if u.Cmp(half) > 0 {
			a, b, x = mid, p1, x.Sub(u, half)
		}
		t := new(big.Rat).Sub(b, a)
		t.Mul(t, x).Quo(t, half)
		return t.Add(t, a)
	}
	at := new(big.Rat)
	to := func(u *big.Rat, metre lengths) {
		if at.Cmp(half) < 0 && u.Cmp(half) > 0 {
			p.lay(d, new(big.Rat).Sub(half, at), metre, tempoAt(at), mid)
			at = half
		}
		p.lay(d, new(big.Rat).Sub(u, at), metre, tempoAt(at), tempoAt(u))
		at = u
	}
	if odd := p.odd[l.odd]; odd.units > 0 {
		u := l.units - int64(l.end) - odd.units
		to(big.NewRat(u, 1), p.main)
		for _, b := range odd.bars {
			u += b.bar
			to(big.NewRat(u, 1), b)
		}
	}
	to(big.NewRat(l.units, 1), p.main)
}

// gliding are the best maps of glides and of one tempo, and one of steps
// where there is room. When only steps meet the must-hits they come alone.
func (p *problem) gliding(ctx context.Context) ([]Answer, error) {
	all, err := p.glideAnswers(ctx)
	if err != nil {
		return nil, err
	}
	steady, err := p.answers(p.anySteady(ctx))
	if err != nil {
		return nil, err
	}
	out := p.unlike(p.meeting(append(all, steady...)))
	if len(out) >= p.o.Answers {
		return out, ctx.Err()
	}
	q := p.withAnswers(p.o.Answers)
	q.o.Style = Stepped
	more, err := q.stepped(ctx)
	if err != nil && (len(out) == 0 || fault.KindOf(err) != fault.OverLimit) {
		return nil, err
	}
	if steps := q.meeting(more); len(out) > 0 || len(steps) > 0 {
		return p.topUp(out, steps), ctx.Err()
	}
	return more, nil // the nearest
}

// topUp adds answers of another style that differ in kind, while there is room.
func (p *problem) topUp(out, more []Answer) []Answer {
	for _, a := range more {
		if len(out) < p.o.Answers && !slices.ContainsFunc(out, func(b Answer) bool { return p.alike(a, b) }) {
			out = append(out, a)
		}
	}
	return out
}

// withAnswers is the problem with another number of answers wished for.
func (p *problem) withAnswers(n int) *problem {
	q := *p
	q.o.Answers = n
	return &q
}

// glideAnswers are the best map of glides and others that ask for more of one
// thing.
func (p *problem) glideAnswers(ctx context.Context) ([]Answer, error) {
	p = p.withoutDearBars()
	legs, err := p.legs(false)
	if err != nil {
		return nil, err
	}
	passes := []variant{{p.standard(), false}}
	if p.o.Answers > 1 {
		calm, more := p.standard(), p.standard()
		calm.glide *= 4
		more.want *= 4
		passes = append(passes, variant{calm, true}, variant{more, false})
	}
	var maps []Map
	for _, v := range passes {
		g := p.newGlider(v.weights, v.noOdd)
		ends, err := g.glides(ctx, legs)
		if err != nil {
			return nil, err
		}
		if len(ends) > 0 {
			maps = append(maps, g.glideMap(ends[0]))
		}
		if g.looked > glideWork/4 {
			break // a search this large is made once
		}
	}
	return p.answers(maps)
}
