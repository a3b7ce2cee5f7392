package voice

import (
	"sort"

	"cuechoir/internal/fault"
)

// Point of a curve: a value at a sample.
type Point struct {
	At    int64
	Value float64
}

// Curve is straight from point to point and level beyond the ends; none is 0.
// Points rise strictly.
type Curve []Point

// At is the curve's value at a place.
func (c Curve) At(at float64) float64 {
	if len(c) == 0 {
		return 0
	}
	i := sort.Search(len(c), func(i int) bool { return float64(c[i].At) > at })
	switch i {
	case 0:
		return c[0].Value
	case len(c):
		return c[i-1].Value
	}
	a, b := c[i-1], c[i]
	return a.Value + (b.Value-a.Value)*(at-float64(a.At))/float64(b.At-a.At)
}

// idle says whether the curve is 0 from one place to another.
func (c Curve) idle(from, to float64) bool {
	if c.At(from) != 0 || c.At(to) != 0 {
		return false
	}
	for _, p := range c {
		if at := float64(p.At); at > from && at < to && p.Value != 0 {
			return false
		}
	}
	return true
}

func (c Curve) check(what string, most float64) error {
	for i, p := range c {
		if !(p.Value >= -most && p.Value <= most) {
			return fault.New(fault.Usage, "%s of %g is outside ±%g", what, p.Value, most)
		}
		if i > 0 && p.At <= c[i-1].At {
			return fault.New(fault.Usage, "the curve of %s does not go forward at sample %d", what, p.At)
		}
	}
	return nil
}

// Move takes the sample at From to To.
type Move struct{ From, To int64 }

// MaxPace is how many times longer or shorter a stretch may become.
const MaxPace = 4

// warp is time as moved: straight between moves, which begin at 0 and end
// with the sound.
type warp []Move

// newWarp adds the ends and checks that time goes forward at a bearable pace.
func newWarp(moves []Move, n int64) (warp, error) {
	w := warp{{0, 0}}
	for _, m := range append(append([]Move{}, moves...), Move{n, n}) {
		last := w[len(w)-1]
		if m == last {
			continue
		}
		in, out := m.From-last.From, m.To-last.To
		if m.From > n || in <= 0 || out <= 0 || in > MaxPace*out || out > MaxPace*in {
			return nil, fault.New(fault.Usage, "samples %d to %d cannot become %d to %d: time goes forward, at most %d times as fast or slow",
				last.From, m.From, last.To, m.To, MaxPace)
		}
		w = append(w, m)
	}
	return w, nil
}

// out is where a place goes, in is where what is at a place comes from.
func (w warp) out(at float64) float64 {
	i := sort.Search(len(w)-1, func(i int) bool { return float64(w[i].From) > at })
	a, b := w[max(i, 1)-1], w[max(i, 1)]
	return float64(a.To) + (at-float64(a.From))*float64(b.To-a.To)/float64(b.From-a.From)
}

func (w warp) in(at float64) float64 {
	i := sort.Search(len(w)-1, func(i int) bool { return float64(w[i].To) > at })
	a, b := w[max(i, 1)-1], w[max(i, 1)]
	return float64(a.From) + (at-float64(a.To))*float64(b.From-a.From)/float64(b.To-a.To)
}

// rigid says whether all from one place to another moves by the same.
func (w warp) rigid(from, to float64) bool {
	for i := 1; i < len(w); i++ {
		a, b := w[i-1], w[i]
		if float64(b.From) > from && float64(a.From) < to && b.To-b.From != a.To-a.From {
			return false
		}
	}
	return true
}

// still says whether nothing moves.
func (w warp) still() bool {
	for _, m := range w {
		if m.From != m.To {
			return false
		}
	}
	return true
}
