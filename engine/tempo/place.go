package tempo

import (
	"fmt"
	"math/big"
	"sort"

	"cuechoir/engine/timecode"
)

// BarLine is where a bar begins.
type BarLine struct {
	Number  int            // 1 is the first of the map; 0 and below run before it
	Quarter timecode.Ratio // from bar 1 beat 1
	Frame   timecode.Ratio // position on the reference
	Sample  int64          // Frame rounded once at the sample rate asked for
	Metre   Metre
	BPM     float64 // beats of the metre a minute as the bar begins, for display
	Silent  bool    // the parts rest in it
}

// BeatLine is where a beat begins.
type BeatLine struct {
	Bar, Beat int // Beat counts from 1
	Quarter   timecode.Ratio
	Frame     timecode.Ratio
	Sample    int64
	Hold      timecode.Ratio // frames that it is held beyond its length
	Silent    bool           // the parts rest on it
}

// Bars lists the bars from the one that frame 0 lies in (bar 1 when that is
// earlier) to the one that the last frame lies in.
func (g *Grid) Bars(sampleRate int) []BarLine {
	out := make([]BarLine, 0, g.last-g.first+1)
	for n := g.first; n <= g.last; n++ {
		q := g.barQuarter(n)
		metre := g.metreOfBar(n).metre
		per := fit(g.tempoAt(q).perAt(q))
		out = append(out, BarLine{Number: n, Quarter: fit(q), Frame: fit(g.frameOf(q)), Sample: g.sampleOf(q, sampleRate),
			Metre: metre, BPM: BPM(per, g.rate) / metre.BeatQuarters().Float(), Silent: g.isSilent(q)})
	}
	return out
}

// Beats lists every beat of Bars.
func (g *Grid) Beats(sampleRate int) []BeatLine {
	var out []BeatLine
	for n := g.first; n <= g.last; n++ {
		out = g.appendBeats(out, n, sampleRate)
	}
	return out
}

func (g *Grid) appendBeats(out []BeatLine, bar, sampleRate int) []BeatLine {
	q := g.barQuarter(bar)
	metre := g.metreOfBar(bar).metre
	step := metre.BeatQuarters().Rat()
	for b := 1; b <= metre.Beats(); b++ {
		line := BeatLine{Bar: bar, Beat: b, Quarter: fit(q), Frame: fit(g.frameOf(q)), Sample: g.sampleOf(q, sampleRate), Silent: g.isSilent(q)}
		q.Add(q, step)
		if t := g.tempoAt(q); t.held != nil && new(big.Rat).Sub(q, step).Cmp(t.quarter) < 0 {
			line.Hold = fit(t.held)
		}
		out = append(out, line)
	}
	return out
}

// Silent reports whether the parts rest at a quarter.
func (g *Grid) Silent(quarter timecode.Ratio) bool { return g.isSilent(quarter.Rat()) }

func (g *Grid) isSilent(quarter *big.Rat) bool {
	i := sort.Search(len(g.silent), func(i int) bool { return g.silent[i][1].Cmp(quarter) > 0 })
	return i < len(g.silent) && g.silent[i][0].Cmp(quarter) <= 0
}

// Place is a landing: a bar line, a beat or the half-way point after a beat.
type Place struct {
	Bar, Beat   int  // Beat from 1
	Half        bool // half-way between Beat and the next
	Quarter     timecode.Ratio
	Frame       timecode.Ratio // exact position of the landing
	ErrorFrames timecode.Ratio // landing minus the frame asked for: above 0 when the beat comes late
}

// String is "12.3", or "12.3+" half-way after beat 3.
func (p Place) String() string {
	s := fmt.Sprintf("%d.%d", p.Bar, p.Beat)
	if p.Half {
		s += "+"
	}
	return s
}

// Place is the beat or half-way point nearest to a frame; the earlier of two
// equally near.
func (g *Grid) Place(frame int64) Place { return g.PlaceOn(frame, LandsHalf) }

// PlaceOn is the nearest landing of one kind: a bar line, a beat, or a beat
// or half; the earlier of two equally near.
func (g *Grid) PlaceOn(frame int64, on Lands) Place {
	want := new(big.Rat).SetInt64(frame)
	q := g.quarterOfFrame(want)
	bar := g.barAt(q)
	start := g.barQuarter(bar)
	step, perBar := landingStep(g.metreOfBar(bar).metre, on)
	k := int(floor(new(big.Rat).Quo(new(big.Rat).Sub(q, start), step)))
	best := g.placeOf(bar, k, step, on, want)
	next := k + 1
	if next >= perBar { // the next landing is the next bar line
		bar, next = bar+1, 0
	}
	if p := g.placeOf(bar, next, step, on, want); cmpAbs(p.ErrorFrames.Rat(), best.ErrorFrames.Rat()) < 0 {
		best = p
	}
	return best
}

// landingStep is the spacing of landings of a kind in a bar, and their number.
func landingStep(m Metre, on Lands) (step *big.Rat, perBar int) {
	switch on {
	case LandsBeat:
		return m.BeatQuarters().Rat(), m.Beats()
	case LandsHalf:
		s := m.BeatQuarters().Rat()
		return s.Quo(s, big.NewRat(2, 1)), 2 * m.Beats()
	}
	return m.BarQuarters().Rat(), 1
}

// placeOf is landing k of a bar, measured against a frame.
func (g *Grid) placeOf(bar, k int, step *big.Rat, on Lands, want *big.Rat) Place {
	q := new(big.Rat).SetInt64(int64(k))
	q.Add(q.Mul(q, step), g.barQuarter(bar))
	f := g.frameOf(q)
	p := Place{Bar: bar, Beat: k + 1, Quarter: fit(q), Frame: fit(f), ErrorFrames: fit(new(big.Rat).Sub(f, want))}
	if on == LandsHalf {
		p.Beat, p.Half = k/2+1, k%2 == 1
	}
	return p
}

// At is a given beat of a given bar, measured against a frame.
func (g *Grid) At(bar, beat int, frame int64) Place {
	step, _ := landingStep(g.metreOfBar(bar).metre, LandsBeat)
	return g.placeOf(bar, beat-1, step, LandsBeat, new(big.Rat).SetInt64(frame))
}

// beatText writes a place in a bar: beat 3 and rest (exact hundredths of the
// way to the next) as "3", "3+" or "3.25".
func beatText(beat, hundredths int64, exact *big.Rat) string {
	switch {
	case exact.Sign() == 0:
		return fmt.Sprint(beat)
	case exact.Cmp(big.NewRat(50, 1)) == 0:
		return fmt.Sprintf("%d+", beat)
	}
	return fmt.Sprintf("%d.%02d", beat, hundredths)
}
