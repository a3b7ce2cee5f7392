package part

import (
	"fmt"
	"io"
	"math/big"
	"slices"

	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// ConductorOf writes a map as tempo and metre changes, bar 1 beat 1 at 0. The
// format keeps whole microseconds a quarter; where their rounding would add up
// to driftMicros the next bars run a microsecond faster or slower, so that
// every beat of the grid stays within half a millisecond of the map. Where the
// picture begins is not in it: that is Map.Start frames before bar 1.
func ConductorOf(g *tempo.Grid, name string, markers []Marker) Conductor {
	c := Conductor{Name: name, Markers: markers}
	d := drift{rate: g.Rate()}
	at := timecode.Ratio{Num: 0, Den: 1}
	bars := g.Bars(48000)
	last := timecode.Ratio{Num: 0, Den: 1}
	if n := len(bars); n > 0 {
		last = bars[n-1].Quarter.Add(bars[n-1].Metre.BarQuarters())
	}
	m := g.Map()
	for i, s := range m.Sections {
		end := at.Add(s.Quarters())
		if i == len(m.Sections)-1 && end.Cmp(last) < 0 {
			end = last
		}
		if i == 0 || s.Metre.String() != m.Sections[i-1].Metre.String() {
			c.Metres = append(c.Metres, metreOf(at, s.Metre))
		}
		for at.Cmp(end) < 0 {
			next := at.Add(s.Metre.BarQuarters())
			if next.Cmp(end) > 0 {
				next = end
			}
			us := d.choose(s.FramesPerQuarter, next.Sub(at))
			if n := len(c.Tempos); n == 0 || c.Tempos[n-1].MicrosPerQuarter != us {
				c.Tempos = append(c.Tempos, Tempo{at, us})
			}
			at = next
		}
	}
	return c
}

func metreOf(at timecode.Ratio, m tempo.Metre) Metre {
	if m == (tempo.Metre{}) {
		m = tempo.Metre{Num: 4, Den: 4}
	}
	return Metre{At: at, Num: m.Num, Den: m.Den}
}

// driftMicros is the error at which the rounding of tempos is worked off.
const driftMicros = 250

// drift keeps the written time near the exact one.
type drift struct {
	rate    timecode.Rate
	late    big.Rat // written minus exact, microseconds
	mending bool
}

// choose is the whole microseconds a quarter for the next quarters.
func (d *drift) choose(perQuarter, quarters timecode.Ratio) uint32 {
	exact := perQuarter.Rat()
	exact.Mul(exact, big.NewRat(1_000_000*d.rate.Den, d.rate.Num))
	us := timecode.RoundRat(exact)
	if limit := big.NewRat(driftMicros, 1); new(big.Rat).Abs(&d.late).Cmp(limit) > 0 {
		d.mending = true
	}
	if d.mending {
		switch written := new(big.Rat).SetInt64(us); {
		case d.late.Sign() > 0 && written.Cmp(exact) >= 0:
			us--
		case d.late.Sign() < 0 && written.Cmp(exact) <= 0:
			us++
		}
	}
	was := d.late.Sign()
	step := new(big.Rat).SetInt64(us)
	step.Mul(step.Sub(step, exact), quarters.Rat())
	if d.late.Add(&d.late, step); d.late.Sign() != was {
		d.mending = false
	}
	return uint32(us)
}

// ReadMap reads the tempos, metres and markers of a Standard MIDI File as a
// map at a frame rate, with bar 1 beat 1 (the file's beginning) at the frame
// start. Without a tempo it is 120 quarters a minute, without a metre 4/4, as
// the standard says. The strings are remarks for the person. A tempo outside
// 20 to 400 quarters a minute, or a metre changed inside a bar, is refused.
func ReadMap(r io.Reader, name string, rate timecode.Rate, start timecode.Ratio) (tempo.Map, []Marker, []string, error) {
	fail := func(err error) (tempo.Map, []Marker, []string, error) { return tempo.Map{}, nil, nil, err }
	if err := rate.Validate(); err != nil {
		return fail(fault.New(fault.Usage, "a map needs a frame rate").Because(err))
	}
	s, err := readSong(r, name)
	if err != nil {
		return fail(err)
	}
	m := tempo.Map{Style: tempo.Stepped, Start: start}
	changes := s.changes()
	for i, c := range changes {
		length := int64(0) // the last runs on: one bar of it is written
		if i+1 < len(changes) {
			length = changes[i+1].tick - c.tick
		}
		section, err := s.section(c, length, rate)
		if err != nil {
			return fail(err)
		}
		m.Sections = append(m.Sections, section)
	}
	if _, err := tempo.NewGrid(m, rate, 0); err != nil {
		return fail(fault.New(fault.KindOf(err), "the file's tempos and metres make no map").Because(err).In(name, ""))
	}
	var markers []Marker
	for _, x := range s.markers {
		markers = append(markers, Marker{s.quarters(x.tick), x.text})
	}
	return m, markers, s.notes, nil
}

// change is a place where tempo or metre change.
type change struct {
	tick   int64
	micros int64
	metre  metreAt
}

// changes are the places in order, from 0; of two on one tick the later holds.
func (s *song) changes() []change {
	type event struct {
		tick   int64
		micros int64
		metre  *metreAt
	}
	var all []event
	for _, t := range s.tempos {
		all = append(all, event{tick: t.tick, micros: t.micros})
	}
	for i := range s.metres {
		all = append(all, event{tick: s.metres[i].tick, metre: &s.metres[i]})
	}
	slices.SortStableFunc(all, func(a, b event) int { return int(min(max(a.tick-b.tick, -1), 1)) })
	out := []change{{micros: 500_000, metre: metreAt{num: 4, den: 4}}}
	for _, e := range all {
		c := out[len(out)-1]
		if e.metre != nil {
			c.metre = *e.metre
		} else {
			c.micros = e.micros
		}
		if c.tick == e.tick {
			out[len(out)-1] = c
			continue
		}
		if last := out[len(out)-1]; c.micros == last.micros && c.metre.num == last.metre.num && c.metre.den == last.metre.den {
			continue
		}
		c.tick = e.tick
		out = append(out, c)
	}
	return out
}

// section is a stretch of ticks; 0 ticks are one bar.
func (s *song) section(c change, ticks int64, rate timecode.Rate) (tempo.Section, error) {
	out := tempo.Section{Bars: 1, Metre: tempo.Metre{Num: c.metre.num, Den: c.metre.den}}
	place := s.where(c.tick)
	if err := out.Metre.Validate(); err != nil {
		return out, fault.New(fault.Unsupported, "the metre").Because(err).In(s.name, place)
	}
	per := big.NewRat(c.micros, 1_000_000)
	fit, ok := timecode.FromRat(per.Mul(per, big.NewRat(rate.Num, rate.Den)))
	if !ok || c.micros == 0 {
		return out, fault.New(fault.OverLimit, "a tempo of %d microseconds a quarter is out of range", c.micros).In(s.name, place)
	}
	out.FramesPerQuarter = fit
	if ticks == 0 {
		return out, nil
	}
	bar := 4 * int64(s.division) * int64(c.metre.num) // ticks times den
	n := ticks * int64(c.metre.den)
	if n/bar > maxNotes {
		return out, fault.New(fault.OverLimit, "a stretch of %d bars is too long", n/bar).In(s.name, place)
	}
	out.Bars, out.Extra = int(n/bar), timecode.R(n%bar, int64(s.division)*int64(c.metre.den))
	return out, nil
}

// tempoAt and markerAt are changes in ticks.
type tempoAt struct{ tick, micros int64 }

type markerAt struct {
	tick int64
	text string
}

func (b *builder) conduct(kind byte, data []byte, s *song) {
	switch kind {
	case metaMetre:
		if len(data) == 4 && data[0] > 0 && data[1] < 8 {
			s.metres = append(s.metres, metreAt{b.tick, int(data[0]), 1 << data[1]})
			return
		}
		s.notes = append(s.notes, fmt.Sprintf("a metre that is none was passed over at tick %d", b.tick))
	case metaTempo:
		if len(data) == 3 {
			s.tempos = append(s.tempos, tempoAt{b.tick, int64(data[0])<<16 | int64(data[1])<<8 | int64(data[2])})
		}
	case metaMarker:
		if t := plainText(data, maxLyric); t != "" {
			s.markers = append(s.markers, markerAt{b.tick, t})
		}
	}
}
