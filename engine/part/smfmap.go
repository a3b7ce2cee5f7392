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

// FrameMark is a named place on the picture.
type FrameMark struct {
	Frame int64
	Text  string
}

// ConductorOf writes a map as tempo and metre changes, from the bar in which
// frame 0 lies (or bar 1 when that is earlier) to the reference's last bar: 0
// is that bar's beginning, Origin says where it lies. The format keeps whole
// microseconds a quarter; where their rounding would add up to driftMicros the
// next steps run a microsecond faster or slower. A glide becomes steps, fine
// enough that it is never bent by more than bendMicros; a held beat is a slow
// stretch at its very end. So every beat of the grid stays within half a
// millisecond of the map. Marks lie at their time, to 1/3840 quarter.
func ConductorOf(g *tempo.Grid, name string, marks []FrameMark) Conductor {
	c := Conductor{Name: name}
	w := mapWriter{g: g, c: &c, drift: drift{rate: g.Rate()}}
	w.origin, w.from = Origin(g)
	bars := g.Bars(48000)
	last := bars[len(bars)-1].Quarter.Add(bars[len(bars)-1].Metre.BarQuarters())
	at, m := timecode.Int(0), g.Map()
	for i, s := range m.Sections {
		from, end := at, at.Add(s.Quarters())
		at = end
		if i == 0 {
			from = w.origin
		}
		if i == 0 || s.Metre.String() != m.Sections[i-1].Metre.String() {
			c.Metres = append(c.Metres, metreOf(from.Sub(w.origin), s.Metre))
		}
		w.section(s, from, end)
	}
	end := m.Sections[len(m.Sections)-1]
	for n := 0; at.Cmp(last) < 0 || n == 0 && end.Hold.Sign() > 0; n++ { // what runs on; a hold has an end
		next := at.Add(end.Metre.BarQuarters())
		w.step(at, next)
		at = next
	}
	for _, x := range marks {
		if q, ok := w.quarterOf(x.Frame); ok {
			c.Markers = append(c.Markers, Marker{q, x.Text})
		}
	}
	return c
}

// Origin is where a written map begins: the first bar of Grid.Bars, as a
// quarter and as a frame. It is bar 1 when that holds frame 0.
func Origin(g *tempo.Grid) (quarter, frame timecode.Ratio) {
	first := g.Bars(48000)[0]
	return first.Quarter, first.Frame
}

// bendMicros is how far a step may stand in for a glide.
const bendMicros = 200

// markDivision is the parts of a quarter that a mark's place is kept in.
const markDivision = 4 * usualDivision

// mapWriter walks a map and writes its tempos.
type mapWriter struct {
	g            *tempo.Grid
	c            *Conductor
	drift        drift
	origin, from timecode.Ratio // quarter and frame at which the file begins
}

// section writes the steps of a section, which may begin before bar 1.
func (w *mapWriter) section(s tempo.Section, from, end timecode.Ratio) {
	zero := timecode.Int(0)
	stop := end
	if s.Hold.Sign() > 0 {
		stop = end.Sub(w.holdSpan(s))
	}
	size := s.Metre.BarQuarters()
	for at := from; at.Cmp(stop) < 0; {
		if s.Glides() && at.Cmp(zero) >= 0 {
			size = w.glideStep(s)
		}
		next := at.Add(size)
		if at.Cmp(zero) < 0 && next.Cmp(zero) > 0 {
			next = zero
		}
		if next.Cmp(stop) > 0 {
			next = stop
		}
		w.step(at, next)
		at = next
	}
	if stop != end {
		w.step(stop, end)
	}
}

// holdSpan is the stretch at a section's end that is slowed to hold its last
// beat: as short as the format's slowest tempo allows, 1/8 quarter at least and
// a quarter or a beat at most. What is held longer, some 16 s, is refused when
// it is written.
func (w *mapWriter) holdSpan(s tempo.Section) timecode.Ratio {
	hold := s.Hold.Float() / w.g.Rate().Float() * 1e6
	slowest := max(s.FramesPerQuarter.Float(), s.EndPeriod().Float()) / w.g.Rate().Float() * 1e6
	most := timecode.Int(1)
	for _, x := range []timecode.Ratio{s.Metre.BeatQuarters(), s.Quarters()} {
		if x.Cmp(most) < 0 {
			most = x
		}
	}
	for span := timecode.R(1, 8); span.Cmp(most) < 0; span = span.Mul(timecode.Int(2)) {
		if hold/span.Float()+slowest < 1<<24-2 {
			return span
		}
	}
	return most
}

// glideStep is the length of the steps of a glide: a part of a quarter.
func (w *mapWriter) glideStep(s tempo.Section) timecode.Ratio {
	bend := (s.EndPeriod().Float() - s.FramesPerQuarter.Float()) / s.Quarters().Float() // frames a quarter, a quarter
	micros := max(bend, -bend) / w.g.Rate().Float() * 1e6 / 8
	parts := int64(1)
	for parts < 64 && micros > bendMicros*float64(parts*parts) {
		parts *= 2
	}
	return timecode.R(1, parts)
}

// step writes one tempo from a quarter to the next.
func (w *mapWriter) step(at, next timecode.Ratio) {
	frames := w.g.FrameAt(next).Rat()
	frames.Sub(frames, w.g.FrameAt(at).Rat())
	us := w.drift.choose(frames, next.Sub(at).Rat())
	if n := len(w.c.Tempos); n == 0 || w.c.Tempos[n-1].MicrosPerQuarter != us {
		w.c.Tempos = append(w.c.Tempos, Tempo{at.Sub(w.origin), us})
	}
}

// quarterOf is where a frame lies in the tempos as written.
func (w *mapWriter) quarterOf(frame int64) (timecode.Ratio, bool) {
	rate := w.g.Rate()
	left := new(big.Rat).Sub(new(big.Rat).SetInt64(frame), w.from.Rat())
	left.Mul(left, big.NewRat(1_000_000*rate.Den, rate.Num)) // microseconds
	if left.Sign() < 0 {
		return timecode.Ratio{}, false
	}
	for i, t := range w.c.Tempos {
		us := new(big.Rat).SetInt64(int64(t.MicrosPerQuarter))
		if i+1 < len(w.c.Tempos) {
			length := w.c.Tempos[i+1].At.Sub(t.At).Rat()
			if length.Mul(length, us); length.Cmp(left) <= 0 {
				left.Sub(left, length)
				continue
			}
		}
		left.Quo(left, us).Add(left, t.At.Rat())
		return timecode.R(timecode.RoundRat(left.Mul(left, big.NewRat(markDivision, 1))), markDivision), true
	}
	return timecode.Ratio{}, false
}

func metreOf(at timecode.Ratio, m tempo.Metre) Metre {
	if m == (tempo.Metre{}) {
		m = tempo.Metre{Num: 4, Den: 4}
	}
	return Metre{At: at, Num: m.Num, Den: m.Den}
}

// slowestMicros is the slowest tempo of a map, 20 quarters a minute.
const slowestMicros = 3_000_000

// holdBits is how finely a held beat is read: to 1/2^20 of a frame.
const holdBits = 20

// driftMicros is the error at which the rounding of tempos is worked off.
const driftMicros = 250

// drift keeps the written time near the exact one.
type drift struct {
	rate    timecode.Rate
	late    big.Rat // written minus exact, microseconds
	mending bool
}

// choose is the whole microseconds a quarter for the next quarters, which last
// so many frames.
func (d *drift) choose(frames, quarters *big.Rat) uint32 {
	exact := new(big.Rat).Mul(frames, big.NewRat(1_000_000*d.rate.Den, d.rate.Num))
	exact.Quo(exact, quarters)
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
	step.Mul(step.Sub(step, exact), quarters)
	if d.late.Add(&d.late, step); d.late.Sign() != was {
		d.mending = false
	}
	return uint32(min(us, 1<<32-1))
}

// ReadMap reads the tempos, metres and markers of a Standard MIDI File as a
// map at a frame rate, with bar 1 beat 1 (the file's beginning) at the frame
// start. Without a tempo it is 120 quarters a minute, without a metre 4/4, as
// the standard says. A stretch of a quarter at most that is slower than 20 quarters
// a minute is read as the beat before it being held. The strings are remarks
// for the person. Another tempo outside 20 to 400 quarters a minute, or a metre
// changed inside a bar, is refused.
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
		hold := int64(0)
		if i > 0 && c.micros > slowestMicros && changes[i-1].micros <= slowestMicros && length > 0 && length <= int64(s.division) {
			hold, c.micros = (c.micros-changes[i-1].micros)*length, changes[i-1].micros
		}
		section, err := s.section(c, length, rate)
		if err != nil {
			return fail(err)
		}
		if hold > 0 {
			x := big.NewRat(hold, int64(s.division)*1_000_000)
			x.Mul(x, big.NewRat(rate.Num<<holdBits, rate.Den))
			section.Hold = timecode.R(timecode.RoundRat(x), 1<<holdBits)
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
