package tempo

import (
	"math/big"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// stretch is a section while a map is edited: exact, of any length.
type stretch struct {
	quarters, per, end *big.Rat
	hold               *big.Rat // 0 or more
	metre              Metre
	silent             bool
	kept               bool // its tempo is what this edit asks for: not to be changed again
}

func (s stretch) clone() stretch {
	c := func(x *big.Rat) *big.Rat { return new(big.Rat).Set(x) }
	s.quarters, s.per, s.end, s.hold = c(s.quarters), c(s.per), c(s.end), c(s.hold)
	return s
}

// frames is how long it lasts without its hold.
func (s stretch) frames() *big.Rat {
	x := new(big.Rat).Add(s.per, s.end)
	return x.Mul(x.Mul(x, s.quarters), big.NewRat(1, 2))
}

func (s stretch) glides() bool { return s.per.Cmp(s.end) != 0 }

// periodAt is the frames a quarter lasts x quarters in.
func (s stretch) periodAt(x *big.Rat) *big.Rat {
	p := new(big.Rat).Sub(s.end, s.per)
	p.Mul(p, x).Quo(p, s.quarters)
	return p.Add(p, s.per)
}

// draft is a map that is being edited. An edit changes the list as if nothing
// were pinned; settle (settle.go) then brings every pinned beat back.
type draft struct {
	g     *Grid
	style Style
	start *big.Rat
	list  []stretch
	pins  []Pin
}

func (g *Grid) draft() *draft {
	d := &draft{g: g, style: g.m.Style, start: g.m.Start.Rat(), pins: append([]Pin(nil), g.m.Pins...)}
	for _, s := range g.m.Sections {
		d.list = append(d.list, stretch{quarters: s.Quarters().Rat(), per: s.FramesPerQuarter.Rat(), end: s.EndPeriod().Rat(),
			hold: s.Hold.Rat(), metre: s.Metre.orCommon(), silent: s.Silent})
	}
	return d
}

// metres are the draft's metres. They change at bar lines alone.
func (d *draft) metres() metreRuns {
	var out metreRuns
	q := new(big.Rat)
	for _, s := range d.list {
		n := len(out)
		if n == 0 || out[n-1].metre != s.metre {
			bar := 1
			if n > 0 {
				x := new(big.Rat).Sub(q, out[n-1].quarter)
				bar = out[n-1].bar + int(floor(x.Quo(x, out[n-1].barLen)))
			}
			out = append(out, metreRun{new(big.Rat).Set(q), bar, s.metre, s.metre.BarQuarters().Rat()})
		}
		q.Add(q, s.quarters)
	}
	return out
}

func (d *draft) length() *big.Rat {
	q := new(big.Rat)
	for _, s := range d.list {
		q.Add(q, s.quarters)
	}
	return q
}

// reach makes the last tempo run on, if need be, until a quarter.
func (d *draft) reach(quarter *big.Rat) {
	more := new(big.Rat).Sub(quarter, d.length())
	if more.Sign() <= 0 {
		return
	}
	last := d.list[len(d.list)-1].clone()
	last.quarters, last.per, last.hold, last.silent = more, new(big.Rat).Set(last.end), new(big.Rat), false
	d.list = append(d.list, last)
}

// split makes a stretch begin at a quarter and returns its index. A hold stays
// with the beat that it holds.
func (d *draft) split(quarter *big.Rat) int {
	d.reach(quarter)
	at := new(big.Rat)
	for i := range d.list {
		if at.Cmp(quarter) == 0 {
			return i
		}
		next := new(big.Rat).Add(at, d.list[i].quarters)
		if next.Cmp(quarter) > 0 {
			a, b := d.list[i].clone(), d.list[i].clone()
			a.quarters.Sub(quarter, at)
			b.quarters.Sub(next, quarter)
			a.end = d.list[i].periodAt(a.quarters)
			b.per.Set(a.end)
			a.hold = new(big.Rat)
			d.list = append(d.list[:i], append([]stretch{a, b}, d.list[i+1:]...)...)
			return i + 1
		}
		at = next
	}
	return len(d.list)
}

// span splits at the first bar's beginning and the last one's end.
func (d *draft) span(from, to int) (i, j int) {
	m := d.metres()
	q0, q1 := m.barQuarter(from), m.barQuarter(to+1)
	d.split(q1)
	i = d.split(q0)
	return i, d.split(q1)
}

// merge joins neighbours that one section says as well.
func (d *draft) merge() {
	out := d.list[:0:0]
	for _, s := range d.list {
		if n := len(out); n > 0 && out[n-1].joins(s) {
			out[n-1].quarters.Add(out[n-1].quarters, s.quarters)
			out[n-1].end, out[n-1].hold = s.end, s.hold
			continue
		}
		out = append(out, s.clone())
	}
	d.list = out
}

// joins reports that s goes on where a ends, with one bend of the tempo.
func (a stretch) joins(s stretch) bool {
	if a.metre != s.metre || a.silent != s.silent || a.hold.Sign() != 0 || a.end.Cmp(s.per) != 0 || a.glides() != s.glides() {
		return false
	}
	x := new(big.Rat).Sub(a.end, a.per)
	y := new(big.Rat).Sub(s.end, s.per)
	return x.Mul(x, s.quarters).Cmp(y.Mul(y, a.quarters)) == 0
}

// section is a stretch as it is kept; false when it is too fine for that.
func (s stretch) section() (Section, bool) {
	bar := s.metre.BarQuarters().Rat()
	bars := floor(new(big.Rat).Quo(s.quarters, bar))
	rest := bar.Mul(bar, new(big.Rat).SetInt64(bars))
	rest.Sub(s.quarters, rest)
	out := Section{Bars: int(bars), Metre: s.metre, Silent: s.silent}
	var ok [4]bool
	out.Extra, ok[0] = timecode.FromRat(rest)
	out.FramesPerQuarter, ok[1] = timecode.FromRat(s.per)
	out.Hold, ok[2] = timecode.FromRat(s.hold)
	end := s.per
	if s.glides() {
		end = s.end
	}
	out.EndFramesPerQuarter, ok[3] = timecode.FromRat(end)
	if !s.glides() {
		out.EndFramesPerQuarter = timecode.Ratio{}
	}
	if out.Hold.Sign() == 0 {
		out.Hold = timecode.Ratio{}
	}
	return out, ok == [4]bool{true, true, true, true} && s.fits()
}

// fits reports tempos that a map may hold.
func (s stretch) fits() bool {
	limit := big.NewInt(maxRatioDen)
	return s.per.Denom().Cmp(limit) <= 0 && s.end.Denom().Cmp(limit) <= 0
}

// finish settles the draft and makes the map, which has passed NewGrid.
func (d *draft) finish() (Map, error) {
	if err := d.settle(); err != nil {
		return Map{}, err
	}
	m := Map{Style: d.style, Pins: d.pins}
	start, ok := timecode.FromRat(d.start)
	if !ok {
		return Map{}, fault.New(fault.OverLimit, "the map's start is too fine to hold")
	}
	m.Start = start
	tempos := map[timecode.Ratio]bool{}
	for i, s := range d.list {
		x, ok := s.section()
		if !ok {
			return Map{}, fault.New(fault.OverLimit, "section %d of the map would have a tempo too fine to hold", i+1).
				Mended("use simpler fractions of a frame")
		}
		m.Sections = append(m.Sections, x)
		tempos[x.FramesPerQuarter], tempos[x.EndPeriod()] = true, true
	}
	if m.Style == Steady && len(tempos) > 1 {
		m.Style = Stepped
	}
	if _, err := NewGrid(m, d.g.rate, d.g.length); err != nil {
		return Map{}, err
	}
	return m, nil
}
