package tempo

import (
	"fmt"
	"math/big"

	"cuechoir/internal/fault"
)

// Settling. Aim: after an edit every pinned beat lies on its frame again, and
// nothing moves beyond the pinned beats on either side of the edit. Method:
// the pins part the map into intervals (bar 1 beat 1 stands in for a first
// one; after the last the map runs on freely). An interval whose length is as
// it must be is not touched. (Bars before bar 1 follow its tempo, as ever.) In another, all tempos that the edit did not ask
// for are slowed or quickened by one ratio, holds left as they are: the shape
// of the tempo stays. Ratios that would need endless digits are rounded to
// 1/65536 of a frame, and one stretch takes what is left over, so that pins
// stay exact.

// grainDen is the fineness of rounded tempos, in parts of a frame a quarter.
const grainDen = 1 << 16

// interval is the stretches from one anchor to the next; the last is open.
type interval struct {
	from, to int      // indices of draft.list
	need     *big.Rat // frames, nil in the open one
	words    string
}

func (d *draft) settle() error {
	intervals, err := d.intervals()
	if err != nil {
		return err
	}
	for _, v := range intervals {
		if v.need == nil {
			continue
		}
		if err := fitTo(d.list[v.from:v.to], v.need, v.words); err != nil {
			return err
		}
	}
	d.merge()
	if d.fits() {
		return nil
	}
	// A boundary within a glide may be too fine: round the intervals it is in.
	fine := map[int]bool{}
	for i, s := range d.list {
		fine[i] = !s.fits()
	}
	starts := d.starts()
	if intervals, err = d.intervals(); err != nil {
		return err
	}
	for _, v := range intervals {
		at := d.starts()
		for i, s := range starts {
			if fine[i] && s.Cmp(at[v.to]) < 0 && starts[i+1].Cmp(at[v.from]) > 0 {
				roundTo(d.list[v.from:v.to], v.need)
				break
			}
		}
	}
	d.merge()
	return nil
}

func (d *draft) fits() bool {
	for _, s := range d.list {
		if !s.fits() {
			return false
		}
	}
	return true
}

// starts are where the stretches begin, and the end of the last.
func (d *draft) starts() []*big.Rat {
	out := []*big.Rat{new(big.Rat)}
	for i, s := range d.list {
		out = append(out, new(big.Rat).Add(out[i], s.quarters))
	}
	return out
}

// intervals splits the draft at its pins.
func (d *draft) intervals() ([]interval, error) {
	m := d.metres()
	frame, index, words := d.start, 0, "the map's start"
	var quarters []*big.Rat
	for _, p := range d.pins {
		if beats := m.ofBar(p.Bar).metre.Beats(); p.Beat > beats {
			return nil, fault.New(fault.Usage, "the pinned beat %s would lie outside its bar of %s", p, m.ofBar(p.Bar).metre).Mended("unpin it first")
		}
		q := m.beatQuarter(p.Bar, p.Beat)
		quarters = append(quarters, q)
		d.split(q)
	}
	if n := len(quarters); n > 0 { // what runs on after the last pin keeps its tempo
		d.reach(new(big.Rat).Add(quarters[n-1], big.NewRat(1, 1)))
	}
	var out []interval
	for k, p := range d.pins {
		at := d.split(quarters[k])
		if at == 0 { // bar 1 beat 1 itself
			d.start.SetInt64(p.Frame)
		} else {
			need := new(big.Rat).SetInt64(p.Frame)
			name := fmt.Sprintf("beat %s", p)
			out = append(out, interval{index, at, need.Sub(need, frame), fmt.Sprintf("%s and %s", words, name)})
		}
		frame, index, words = new(big.Rat).SetInt64(p.Frame), at, fmt.Sprintf("beat %s", p)
	}
	return append(out, interval{from: index, to: len(d.list)}), nil
}

// lengths of stretches: what may be scaled, and what may not.
func lengthsOf(list []stretch) (free, fixed *big.Rat) {
	free, fixed = new(big.Rat), new(big.Rat)
	for _, s := range list {
		fixed.Add(fixed, s.hold)
		if s.kept {
			fixed.Add(fixed, s.frames())
		} else {
			free.Add(free, s.frames())
		}
	}
	return free, fixed
}

// fitTo makes stretches last a number of frames by scaling their tempos.
func fitTo(list []stretch, need *big.Rat, between string) error {
	free, fixed := lengthsOf(list)
	left := new(big.Rat).Sub(need, fixed)
	if left.Cmp(free) == 0 {
		return nil
	}
	if free.Sign() == 0 {
		return fault.New(fault.NotMet, "everything between %s is spoken for: nothing there can give way", between).
			Mended("unpin one of them, or choose a shorter passage")
	}
	if left.Sign() <= 0 {
		f, _ := need.Float64()
		x, _ := fixed.Float64()
		return fault.New(fault.NotMet, "between %s lie %.4g frames, and %.4g are spoken for", between, f, x).
			Mended("unpin one of them, hold for less, or choose a shorter passage")
	}
	ratio := left.Quo(left, free)
	coarse := false
	for i := range list {
		if s := &list[i]; !s.kept {
			s.per.Mul(s.per, ratio)
			s.end.Mul(s.end, ratio)
			coarse = coarse || s.per.Denom().BitLen() > 17 || s.end.Denom().BitLen() > 17
		}
	}
	if coarse {
		roundTo(list, need)
	}
	return nil
}

// roundTo rounds tempos, and lets one stretch take what is left over; with no
// need the end moves by as little.
func roundTo(list []stretch, need *big.Rat) {
	rest := -1
	for i := range list {
		s := &list[i]
		if s.kept {
			continue
		}
		s.per, s.end = toGrain(s.per), toGrain(s.end)
		if rest < 0 || s.quarters.Num().BitLen() <= 12 || list[rest].quarters.Num().BitLen() > 12 {
			rest = i
		}
	}
	if need == nil || rest < 0 {
		return
	}
	free, fixed := lengthsOf(list)
	more := new(big.Rat).Sub(need, fixed)
	more.Sub(more, free)
	more.Quo(more, list[rest].quarters)
	list[rest].per.Add(list[rest].per, more)
	list[rest].end.Add(list[rest].end, more)
}

func toGrain(x *big.Rat) *big.Rat {
	n := roundHeld(new(big.Rat).Mul(x, big.NewRat(grainDen, 1)))
	return big.NewRat(n, grainDen)
}
