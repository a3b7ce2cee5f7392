package tempo

import (
	"math/big"
	"slices"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Edits by hand. Each gives a new map and leaves the grid as it is. A pinned
// beat never moves, and nothing moves beyond the pinned beats on either side:
// between them the tempos give way evenly. Before the first pin bar 1 stays
// where it is; after the last one the rest of the map is shifted as it is.

// maxAhead is how many bars past the reference's end an edit may reach.
const maxAhead = 64

// checkBars holds bars to the map.
func (g *Grid) checkBars(from, to int) error {
	if from < 1 || to < from || to > g.last+maxAhead {
		if from == to {
			return fault.New(fault.Usage, "bar %d is not in the map, which has bars 1 to %d", from, g.last)
		}
		return fault.New(fault.Usage, "bars %d to %d are not all in the map, which has bars 1 to %d", from, to, g.last)
	}
	return nil
}

// checkBeat holds a beat to its bar.
func (g *Grid) checkBeat(bar, beat int) error {
	if err := g.checkBars(bar, bar); err != nil {
		return err
	}
	if m := g.metreOfBar(bar).metre; beat < 1 || beat > m.Beats() {
		return fault.New(fault.Usage, "beat %d is not in bar %d, which has %s of %s", beat, bar, plural(m.Beats(), "beat"), m)
	}
	return nil
}

// InsertBars puts n bars (1 to 1000) before a bar, at the tempo there, in the
// metre given or, when that is zero, the metre there. Pinned beats from that
// bar on get later bar numbers and keep their frames.
func (g *Grid) InsertBars(before, n int, metre Metre) (Map, error) {
	if err := g.checkBars(before, before); err != nil {
		return Map{}, err
	}
	if n < 1 || n > 1000 {
		return Map{}, fault.New(fault.Usage, "%d bars cannot be inserted", n).Mended("insert 1 to 1000")
	}
	if err := metre.Validate(); err != nil {
		return Map{}, err
	}
	d := g.draft()
	if metre == (Metre{}) {
		metre = g.metreOfBar(before).metre
	}
	i := d.split(g.barQuarter(before))
	var per *big.Rat
	if i < len(d.list) {
		per = d.list[i].per
	} else {
		per = d.list[i-1].end
	}
	quarters := metre.BarQuarters().Rat()
	quarters.Mul(quarters, big.NewRat(int64(n), 1))
	s := stretch{quarters: quarters, per: per, end: per, hold: new(big.Rat), metre: metre}
	d.list = slices.Insert(d.list, i, s.clone())
	for k := range d.pins {
		if d.pins[k].Bar >= before {
			d.pins[k].Bar += n
		}
	}
	return d.finish()
}

// DeleteBars takes bars out. A bar that holds a pinned beat is refused.
func (g *Grid) DeleteBars(from, to int) (Map, error) {
	if err := g.checkBars(from, to); err != nil {
		return Map{}, err
	}
	d := g.draft()
	for k := range d.pins {
		switch p := &d.pins[k]; {
		case p.Bar > to:
			p.Bar -= to - from + 1
		case p.Bar >= from:
			return Map{}, fault.New(fault.Usage, "bar %d holds the pinned beat %s", p.Bar, p).Mended("unpin it first")
		}
	}
	d.reach(g.barQuarter(to + 2)) // one bar at least is left
	i, j := d.span(from, to)
	d.list = slices.Delete(d.list, i, j)
	return d.finish()
}

// SetMetre gives bars another metre. A bar that gets longer goes on at the
// tempo of its end; one that gets shorter loses its last beats.
func (g *Grid) SetMetre(from, to int, metre Metre) (Map, error) {
	if err := g.checkBars(from, to); err != nil {
		return Map{}, err
	}
	if err := metre.Validate(); err != nil {
		return Map{}, err
	}
	metre = metre.orCommon()
	d := g.draft()
	for bar := to; bar >= from; bar-- { // from the back: bars before keep their place
		i, j := d.span(bar, bar)
		last := d.list[j-1]
		hold := new(big.Rat).Set(last.hold)
		start := g.barQuarter(bar)
		end := new(big.Rat).Add(start, metre.BarQuarters().Rat())
		was := g.barQuarter(bar + 1)
		switch more := new(big.Rat).Sub(end, was); more.Sign() {
		case -1:
			k := d.split(end)
			_, j = i, d.split(was)
			d.list = slices.Delete(d.list, k, j)
			j = k
		case 1:
			d.list[j-1].hold = new(big.Rat)
			s := last.clone()
			s.quarters, s.per = more, new(big.Rat).Set(last.end)
			d.list = slices.Insert(d.list, j, s)
			j++
		}
		d.list[j-1].hold = hold
		for k := i; k < j; k++ {
			d.list[k].metre = metre
		}
	}
	return d.finish()
}

// PinBeat ties a beat to a frame, or a pinned one to another frame.
func (g *Grid) PinBeat(bar, beat int, frame int64) (Map, error) {
	if err := g.checkBeat(bar, beat); err != nil {
		return Map{}, err
	}
	p := Pin{bar, beat, frame}
	if frame < -maxFrames || frame > maxFrames {
		return Map{}, fault.New(fault.Usage, "%s is out of range", p)
	}
	d := g.draft()
	d.pins = slices.DeleteFunc(d.pins, func(q Pin) bool { return q.Bar == bar && q.Beat == beat })
	if len(d.pins) >= maxPins {
		return Map{}, fault.New(fault.OverLimit, "more than %d pinned beats", maxPins)
	}
	i := 0
	for i < len(d.pins) && (d.pins[i].Bar < bar || d.pins[i].Bar == bar && d.pins[i].Beat < beat) {
		i++
	}
	for k, q := range d.pins {
		if k < i && !q.before(p) || k >= i && !p.before(q) {
			return Map{}, fault.New(fault.NotMet, "beat %s and the pinned beat %s are in the wrong order on the picture", p, q).
				Mended("unpin %d.%d, or choose another frame", q.Bar, q.Beat)
		}
	}
	d.pins = slices.Insert(d.pins, i, p)
	if i == 0 && (bar > 1 || beat > 1) && d.start.Cmp(new(big.Rat).SetInt64(frame)) >= 0 {
		return Map{}, fault.New(fault.NotMet, "bar 1 begins at frame %s, and beat %s would come before it", fit(d.start), p).
			Mended("pin 1.1 to an earlier frame first")
	}
	return d.finish()
}

// Unpin lets a pinned beat go. Nothing moves.
func (g *Grid) Unpin(bar, beat int) (Map, error) {
	d := g.draft()
	n := len(d.pins)
	d.pins = slices.DeleteFunc(d.pins, func(q Pin) bool { return q.Bar == bar && q.Beat == beat })
	if len(d.pins) == n {
		return Map{}, fault.New(fault.Missing, "beat %d.%d is not pinned", bar, beat)
	}
	return d.finish()
}

// Scale makes bars last times as long (1/16 to 16): every tempo in them is
// divided by it, holds stay. Between pinned beats the bars around give way.
func (g *Grid) Scale(from, to int, times timecode.Ratio) (Map, error) {
	if times.Cmp(timecode.R(1, 16)) < 0 || times.Cmp(timecode.Int(16)) > 0 {
		return Map{}, fault.New(fault.Usage, "bars cannot be made %s times as long", times).Mended("use 1/16 to 16")
	}
	return g.retime(from, to, func(list []stretch) error {
		free, fixed := lengthsOf(list)
		free.Mul(free, times.Rat())
		return fitTo(list, free.Add(free, fixed), "these bars")
	})
}

// ScaleTo makes bars last a number of frames, holds among them.
func (g *Grid) ScaleTo(from, to int, frames int64) (Map, error) {
	return g.retime(from, to, func(list []stretch) error {
		return fitTo(list, new(big.Rat).SetInt64(frames), "these bars")
	})
}

// SetTempo gives bars one tempo, in beats of each bar's metre a minute, kept
// to a thousandth. Glides in them become steady.
func (g *Grid) SetTempo(from, to int, bpm float64) (Map, error) {
	if !(bpm > 0 && bpm < 10_000) {
		return Map{}, fault.New(fault.Usage, "%.4g BPM is no tempo", bpm)
	}
	return g.retime(from, to, func(list []stretch) error {
		for i := range list {
			per := beatFrames(bpm, g.rate).Div(list[i].metre.BeatQuarters()).Rat()
			list[i].per, list[i].end = per, new(big.Rat).Set(per)
		}
		return nil
	})
}

// retime changes the tempos of bars, which may hold no pinned beat inside.
func (g *Grid) retime(from, to int, change func([]stretch) error) (Map, error) {
	if err := g.checkBars(from, to); err != nil {
		return Map{}, err
	}
	d := g.draft()
	for _, p := range d.pins {
		if p.Bar >= from && p.Bar <= to && (p.Bar != from || p.Beat > 1) {
			return Map{}, fault.New(fault.Usage, "bar %d holds the pinned beat %s", p.Bar, p).Mended("unpin it first, or scale the bars on either side")
		}
	}
	i, j := d.span(from, to)
	if err := change(d.list[i:j]); err != nil {
		return Map{}, err
	}
	for k := i; k < j; k++ {
		d.list[k].kept = true
	}
	return d.finish()
}

// Hold holds a beat for frames beyond its length (0 lets it go): no beat
// sounds until then.
func (g *Grid) Hold(bar, beat int, frames int64) (Map, error) {
	if err := g.checkBeat(bar, beat); err != nil {
		return Map{}, err
	}
	if frames < 0 || frames > maxHold {
		return Map{}, fault.New(fault.Usage, "a beat cannot be held for %d frames", frames).Mended("hold it for 0 to %d", maxHold)
	}
	d := g.draft()
	end := g.beatQuarter(bar, beat)
	end.Add(end, g.metreOfBar(bar).metre.BeatQuarters().Rat())
	at := d.split(end)
	d.list[at-1].hold = new(big.Rat).SetInt64(frames)
	return d.finish()
}

// Silence makes the parts rest in bars, or sing again.
func (g *Grid) Silence(from, to int, silent bool) (Map, error) {
	if err := g.checkBars(from, to); err != nil {
		return Map{}, err
	}
	d := g.draft()
	i, j := d.span(from, to)
	for k := i; k < j; k++ {
		d.list[k].silent = silent
	}
	return d.finish()
}
