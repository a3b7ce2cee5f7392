package tempo

import (
	"slices"

	"cuechoir/engine/timecode"
)

// piece is a stretch of one metre and one tempo.
type piece struct {
	units int64
	l     lengths
	per   timecode.Ratio // frames a quarter
}

// steppedMap makes the map of a chain. Without pinned bars, bar 1 holds frame 0.
func (p *problem) steppedMap(last *state) Map {
	var legs []*leg
	for s := last; s != nil; s = s.before {
		legs = append(legs, s.leg)
	}
	slices.Reverse(legs)
	first := legs[0]
	per := p.perOf(first)
	bar, start := p.beginning(legs, per)
	m := Map{Style: Stepped, Start: start}
	pieces := []piece{{(bar-1)*p.main.bar + int64(first.phase), p.main, per}}
	for _, l := range legs {
		pieces = p.appendPieces(pieces, l)
	}
	end := legs[len(legs)-1]
	pieces = append(pieces, piece{p.main.bar - int64(end.end), p.main, p.perOf(end)})
	m.Sections = p.sections(pieces)
	p.cover(&m)
	return m
}

// beginning is the bar that the first anchor lies in, and where bar 1 begins
// when the tempo of the first leg's start runs back.
func (p *problem) beginning(legs []*leg, per timecode.Ratio) (bar int64, start timecode.Ratio) {
	first := legs[0]
	barLine := timecode.Int(p.nodes[first.from].frame).Sub(p.framesOf(int64(first.phase), per))
	barFrames := p.framesOf(p.main.bar, per)
	if bar = p.firstBar(legs); bar == 0 {
		bar = 1 - barLine.Div(barFrames).Mul(timecode.Int(-1)).Floor() // 1 + ceil
	}
	return bar, barLine.Sub(barFrames.Mul(timecode.Int(bar - 1)))
}

// perOf is a leg's frames a quarter.
func (p *problem) perOf(l *leg) timecode.Ratio {
	gap := p.nodes[l.to].frame - p.nodes[l.from].frame
	return timecode.R(gap*p.perQuarter, l.units)
}

func (p *problem) framesOf(units int64, per timecode.Ratio) timecode.Ratio {
	return per.Mul(timecode.R(units, p.perQuarter))
}

// firstBar is the number of the first anchor's bar when a pinned anchor gives
// it, else 0.
func (p *problem) firstBar(legs []*leg) int64 {
	passed := int64(0)
	for i, l := range legs {
		if pin := p.nodes[l.from].pin; pin != 0 {
			return int64(pin) - passed
		}
		passed += int64(l.bars)
		if pin := p.nodes[l.to].pin; pin != 0 && i == len(legs)-1 {
			return int64(pin) - passed
		}
	}
	return 0
}

func (p *problem) appendPieces(out []piece, l *leg) []piece {
	per, odd := p.perOf(l), p.odd[l.odd]
	before := l.units
	if odd.units > 0 {
		before -= odd.units + int64(l.end)
	}
	out = append(out, piece{before, p.main, per})
	if odd.units > 0 {
		for _, b := range odd.bars {
			out = append(out, piece{b.bar, b, per})
		}
		out = append(out, piece{int64(l.end), p.main, per})
	}
	return out
}

// sections joins pieces of one metre and tempo.
func (p *problem) sections(pieces []piece) []Section {
	var joined []piece
	for _, x := range pieces {
		if x.units == 0 {
			continue
		}
		if n := len(joined); n > 0 && joined[n-1].l.metre == x.l.metre && joined[n-1].per == x.per {
			joined[n-1].units += x.units
			continue
		}
		joined = append(joined, x)
	}
	var out []Section
	for _, x := range joined {
		s := Section{Bars: int(x.units / x.l.bar), Metre: x.l.metre, FramesPerQuarter: x.per}
		if rest := x.units % x.l.bar; rest > 0 {
			s.Extra = timecode.R(rest, p.perQuarter)
		}
		out = append(out, s)
	}
	return out
}
