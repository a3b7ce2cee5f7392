package tempo

import (
	"math/big"
	"sort"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Grid is a map laid on a reference: exact positions of bars and beats. It is
// read-only after NewGrid and safe for concurrent use.
type Grid struct {
	m      Map
	rate   timecode.Rate
	length int64 // frames of the reference
	tempos []tempoRun
	metres metreRuns
	silent [][2]*big.Rat // quarters from and to, in order
	first  int           // number of the first bar listed
	last   int
}

// metreRun is a stretch of one metre from a bar line on.
type metreRun struct {
	quarter *big.Rat
	bar     int // number of the bar that begins at quarter
	metre   Metre
	barLen  *big.Rat
}

// metreRuns are the metres of a map, in order.
type metreRuns []metreRun

func (m metreRuns) ofBar(bar int) *metreRun {
	i := sort.Search(len(m), func(i int) bool { return m[i].bar > bar })
	return &m[max(i-1, 0)]
}

// barQuarter is where a bar begins.
func (m metreRuns) barQuarter(bar int) *big.Rat {
	r := m.ofBar(bar)
	x := new(big.Rat).SetInt64(int64(bar - r.bar))
	x.Mul(x, r.barLen)
	return x.Add(x, r.quarter)
}

// beatQuarter is where a beat begins.
func (m metreRuns) beatQuarter(bar, beat int) *big.Rat {
	x := m.ofBar(bar).metre.BeatQuarters().Rat()
	x.Mul(x, new(big.Rat).SetInt64(int64(beat-1)))
	return x.Add(x, m.barQuarter(bar))
}

// Bounds of a grid.
const (
	maxGridBars  = 200_000
	maxGridHours = 24
	// Positions are exact; a map of many unlike tempos would need endless digits.
	maxPositionBits = 1024
)

// NewGrid lays m on a reference of lengthFrames frames at rate. It fails on a
// map that does not validate, a tempo outside 20..400 quarters a minute, a
// pinned beat that does not lie on its frame, a reference over 24 hours, or hundreds of unlike tempos whose exact positions
// would need more than 1024 bits.
func NewGrid(m Map, rate timecode.Rate, lengthFrames int64) (*Grid, error) {
	if err := rate.Validate(); err != nil {
		return nil, fault.New(fault.Usage, "the map needs a frame rate").Because(err)
	}
	if lengthFrames < 0 || lengthFrames > maxGridHours*3600*(rate.Num/rate.Den+1) {
		return nil, fault.New(fault.OverLimit, "a reference of %d frames is out of range", lengthFrames).Mended("at most %d hours", maxGridHours)
	}
	if err := m.Validate(); err != nil {
		return nil, err
	}
	g := &Grid{m: m.clone(), rate: rate, length: lengthFrames}
	if err := g.layRuns(); err != nil {
		return nil, err
	}
	if err := g.checkPins(); err != nil {
		return nil, err
	}
	g.first = min(1, g.barAt(g.quarterOfFrame(new(big.Rat))))
	g.last = max(1, g.barAt(g.quarterOfFrame(big.NewRat(max(lengthFrames-1, 0), 1))))
	if g.last-g.first > maxGridBars {
		return nil, fault.New(fault.OverLimit, "the map has more than %d bars over the reference", maxGridBars)
	}
	return g, nil
}

func (g *Grid) layRuns() error {
	q, f := new(big.Rat), g.m.Start.Rat()
	bar, phase := 1, new(big.Rat)
	var held *big.Rat
	for i, s := range g.m.Sections {
		if err := s.checkTempo(i, g.rate); err != nil {
			return err
		}
		if f.Denom().BitLen() > maxPositionBits {
			return fault.New(fault.OverLimit, "section %d of the map begins at a position too fine to hold", i+1).
				Mended("use tempos with simpler fractions of a frame")
		}
		g.layTempo(s, q, f, held)
		metre := s.Metre.orCommon()
		barLen := metre.BarQuarters().Rat()
		if n := len(g.metres); n == 0 || g.metres[n-1].metre != metre {
			g.metres = append(g.metres, metreRun{new(big.Rat).Set(q), bar, metre, barLen})
		}
		bar += s.Bars
		if phase.Add(phase, s.Extra.Rat()).Cmp(barLen) >= 0 {
			phase.Sub(phase, barLen)
			bar++
		}
		from := new(big.Rat).Set(q)
		q.Add(q, s.Quarters().Rat())
		f.Add(f, s.frames())
		if held = nil; s.Hold.Sign() > 0 {
			held = s.Hold.Rat()
			f.Add(f, held)
		}
		if s.Silent {
			g.silent = append(g.silent, [2]*big.Rat{from, new(big.Rat).Set(q)})
		}
	}
	if last := g.m.Sections[len(g.m.Sections)-1]; last.Glides() || held != nil { // what runs on
		g.layTempo(Section{FramesPerQuarter: last.EndPeriod()}, q, f, held)
	}
	return nil
}

// layTempo begins a run of tempo where the one before does not go on.
func (g *Grid) layTempo(s Section, q, f, held *big.Rat) {
	per := s.FramesPerQuarter.Rat()
	if n := len(g.tempos); n > 0 && held == nil && !s.Glides() && g.tempos[n-1].bend == nil && g.tempos[n-1].per.Cmp(per) == 0 {
		return
	}
	g.tempos = append(g.tempos, tempoRun{new(big.Rat).Set(q), new(big.Rat).Set(f), per, bendOf(s), held})
}

// checkPins holds every pinned beat to its frame.
func (g *Grid) checkPins() error {
	for _, p := range g.m.Pins {
		metre := g.metreOfBar(p.Bar).metre
		if p.Beat > metre.Beats() {
			return fault.New(fault.Malformed, "the pinned beat %s is not in its bar of %s", p, metre).Mended("unpin it, or change the metre back")
		}
		if at := g.frameOf(g.beatQuarter(p.Bar, p.Beat)); at.Cmp(new(big.Rat).SetInt64(p.Frame)) != 0 {
			return fault.New(fault.Malformed, "the pinned beat %s lies at frame %s", p, fit(at)).Mended("pin it anew, or unpin it")
		}
	}
	return nil
}

// Rate is the frame rate the grid was laid at.
func (g *Grid) Rate() timecode.Rate { return g.rate }

// Frames is the reference's length.
func (g *Grid) Frames() int64 { return g.length }

// Map is a copy of the map under the grid.
func (g *Grid) Map() Map {
	return g.m.clone()
}

func (g *Grid) tempoAt(quarter *big.Rat) *tempoRun {
	i := sort.Search(len(g.tempos), func(i int) bool { return g.tempos[i].quarter.Cmp(quarter) > 0 })
	return &g.tempos[max(i-1, 0)]
}

func (g *Grid) metreAt(quarter *big.Rat) *metreRun {
	i := sort.Search(len(g.metres), func(i int) bool { return g.metres[i].quarter.Cmp(quarter) > 0 })
	return &g.metres[max(i-1, 0)]
}

func (g *Grid) metreOfBar(bar int) *metreRun { return g.metres.ofBar(bar) }

// frameOf is the exact frame position of a quarter.
func (g *Grid) frameOf(quarter *big.Rat) *big.Rat { return g.tempoAt(quarter).at(quarter) }

// quarterOfFrame is the inverse of frameOf, exact where the tempo stays; a
// frame on which a beat is held is the end of that beat.
func (g *Grid) quarterOfFrame(frame *big.Rat) *big.Rat {
	i := max(sort.Search(len(g.tempos), func(i int) bool { return g.tempos[i].frame.Cmp(frame) > 0 })-1, 0)
	if i+1 == len(g.tempos) {
		return g.tempos[i].inverse(frame, nil)
	}
	next := &g.tempos[i+1]
	if next.held != nil && new(big.Rat).Sub(next.frame, next.held).Cmp(frame) <= 0 {
		return new(big.Rat).Set(next.quarter)
	}
	return g.tempos[i].inverse(frame, next.quarter)
}

// barAt is the number of the bar that a quarter lies in; 0 and below before
// bar 1.
func (g *Grid) barAt(quarter *big.Rat) int {
	r := g.metreAt(quarter)
	x := new(big.Rat).Sub(quarter, r.quarter)
	return r.bar + int(floor(x.Quo(x, r.barLen)))
}

// barQuarter is where a bar begins.
func (g *Grid) barQuarter(bar int) *big.Rat { return g.metres.barQuarter(bar) }

// beatQuarter is where a beat begins.
func (g *Grid) beatQuarter(bar, beat int) *big.Rat { return g.metres.beatQuarter(bar, beat) }

// FrameAt is the frame position of a quarter: exact when its terms fit a
// Ratio, else the nearest 1/2^20 frame.
func (g *Grid) FrameAt(quarter timecode.Ratio) timecode.Ratio { return fit(g.frameOf(quarter.Rat())) }

// SampleAt is the sample at which a quarter sounds: the exact position,
// rounded once (halves up). It never falls as the quarter rises, and rises
// strictly between quarters that lie a sample or more apart. The quarter after
// a held beat sounds when the hold is over. Positions beyond +-2^62 samples are
// kept there.
func (g *Grid) SampleAt(quarter timecode.Ratio, sampleRate int) int64 {
	return g.sampleOf(quarter.Rat(), sampleRate)
}

func (g *Grid) sampleOf(quarter *big.Rat, sampleRate int) int64 {
	x := g.frameOf(quarter)
	x.Mul(x, big.NewRat(int64(sampleRate)*g.rate.Den, g.rate.Num))
	return roundHeld(x)
}

// QuarterAt is the quarter that sounds at a sample: exact when the tempo stays
// and the terms fit a Ratio, else within 1/2^20 quarter (under a third of a
// sample). While a beat is held it stays on that beat's end.
func (g *Grid) QuarterAt(sample int64, sampleRate int) timecode.Ratio {
	if sampleRate <= 0 {
		return timecode.Ratio{}
	}
	x := new(big.Rat).SetInt64(sample)
	x.Mul(x, big.NewRat(g.rate.Num, int64(sampleRate)*g.rate.Den))
	return fit(g.quarterOfFrame(x))
}

// BarBeat is the bar a quarter lies in, and its place in it as text: "1" on
// the first beat, "3+" half-way between beats 3 and 4, else "3.25" to two
// places cut down.
func (g *Grid) BarBeat(quarter timecode.Ratio) (bar int, beat string) {
	q := quarter.Rat()
	bar = g.barAt(q)
	x := q.Sub(q, g.barQuarter(bar))
	x.Quo(x, g.metreOfBar(bar).metre.BeatQuarters().Rat())
	whole := floor(x)
	hundredths := floor(x.Mul(x.Sub(x, new(big.Rat).SetInt64(whole)), big.NewRat(100, 1)))
	return bar, beatText(whole+1, hundredths, x)
}

// floor is the largest integer not above x, held within int64.
func floor(x *big.Rat) int64 {
	q := new(big.Int).Div(x.Num(), x.Denom())
	if !q.IsInt64() {
		return int64(q.Sign()) << 62
	}
	return q.Int64()
}

// roundHeld is timecode.RoundRat held within +-2^62.
func roundHeld(x *big.Rat) int64 {
	limit := new(big.Rat).SetInt64(1 << 62)
	if cmpAbs(x, limit) > 0 {
		return int64(x.Sign()) << 62
	}
	return timecode.RoundRat(x)
}

// cmpAbs compares magnitudes.
func cmpAbs(a, b *big.Rat) int {
	return new(big.Rat).Abs(a).Cmp(new(big.Rat).Abs(b))
}

// fitDen is the fineness that a position is rounded to when it does not fit.
const fitDen = 1 << 20

func fit(x *big.Rat) timecode.Ratio {
	if r, ok := timecode.FromRat(x); ok {
		return r
	}
	n := roundHeld(new(big.Rat).Mul(x, big.NewRat(fitDen, 1)))
	return timecode.R(max(min(n, timecode.MaxTerm), -timecode.MaxTerm), fitDen)
}
