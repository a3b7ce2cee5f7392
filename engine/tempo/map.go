package tempo

import (
	"math/big"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Section is a stretch of one metre and one tempo.
type Section struct {
	Bars             int            // whole bars, or bars' worth of quarters when the section begins inside a bar
	Metre            Metre          // zero is 4/4
	FramesPerQuarter timecode.Ratio // frames of the reference that a quarter note lasts
	Extra            timecode.Ratio // quarters beyond the whole bars, less than a bar: the tempo then changes inside a bar, on a hit that lands there. Usually 0
}

// Map lays bars on the picture. Before bar 1 the first section's tempo and
// metre run back; after the last section its tempo and metre run on.
type Map struct {
	Style    Style
	Start    timecode.Ratio // frame position of bar 1 beat 1; may be below or above 0, and between frames
	Sections []Section
}

// Bounds of a map.
const (
	maxBars      = 10_000
	maxRatioDen  = 1 << 31 // denominator of a tempo or a start
	maxExtraDen  = 1 << 15 // of quarters beyond whole bars
	maxPhaseBits = 20      // of the common denominator of all such quarters
	maxFrames    = 24 * 3600 * 1000
	minBPM       = 20 // quarter notes a minute
	maxBPM       = 400
)

// Validate reports the first thing wrong with a map: at most 10000 bars in
// all, metres of 1..32 over 1..32, tempos above 0, a metre changed only at a
// bar line. Tempo bounds of 20 to 400 quarters a minute need the frame rate
// and are checked by NewGrid.
func (m *Map) Validate() error {
	if err := m.Style.Validate(); err != nil {
		return err
	}
	if len(m.Sections) == 0 {
		return fault.New(fault.Malformed, "the tempo map has no sections").Mended("solve the map, or give it at least one section")
	}
	if !termsFit(m.Start, maxFrames) {
		return fault.New(fault.OverLimit, "the map's start %s is out of range", m.Start)
	}
	bars := 0
	phase := new(big.Rat) // quarters since the last bar line
	for i, s := range m.Sections {
		if err := s.validate(i); err != nil {
			return err
		}
		if i > 0 && phase.Sign() != 0 && s.Metre.orCommon() != m.Sections[i-1].Metre.orCommon() {
			return fault.New(fault.Malformed, "section %d of the map changes the metre inside a bar", i+1).
				Mended("end section %d at a bar line", i)
		}
		bars += s.Bars + 1
		if bars-len(m.Sections) > maxBars || s.Bars > maxBars || len(m.Sections) > maxBars {
			return fault.New(fault.OverLimit, "the map has more than %d bars", maxBars)
		}
		if bar := s.Metre.BarQuarters().Rat(); phase.Add(phase, s.Extra.Rat()).Cmp(bar) >= 0 {
			phase.Sub(phase, bar)
		}
		if phase.Denom().BitLen() > maxPhaseBits {
			return fault.New(fault.OverLimit, "section %d of the map ends at a position too fine to hold", i+1)
		}
	}
	return nil
}

func (s Section) validate(i int) error {
	switch bar := s.Metre.BarQuarters; {
	case s.Metre.Validate() != nil:
		return fault.New(fault.OverLimit, "section %d of the map", i+1).Because(s.Metre.Validate())
	case s.Bars > maxBars:
		return fault.New(fault.OverLimit, "section %d of the map has more than %d bars", i+1, maxBars)
	case s.Bars < 0 || s.Bars == 0 && s.Extra.Sign() <= 0:
		return fault.New(fault.Malformed, "section %d of the map has no bars", i+1).Mended("give it at least one bar")
	case s.FramesPerQuarter.Sign() <= 0 || !termsFit(s.FramesPerQuarter, maxFrames):
		return fault.New(fault.OverLimit, "the tempo of section %d, %s frames a quarter, is out of range", i+1, s.FramesPerQuarter)
	case !s.Extra.InRange() || s.Extra.Sign() < 0 || s.Extra.Den > maxExtraDen || s.Extra.Cmp(bar()) >= 0:
		return fault.New(fault.Malformed, "section %d of the map has %s quarters beyond its bars", i+1, s.Extra).
			Mended("let them be 0 or more, and less than a bar")
	}
	return nil
}

// termsFit reports |r| <= limit with a denominator that sums can carry.
func termsFit(r timecode.Ratio, limit int64) bool {
	if !r.InRange() || r.Den > maxRatioDen {
		return false
	}
	return r.Cmp(timecode.Int(limit)) <= 0 && r.Cmp(timecode.Int(-limit)) >= 0
}

// Quarters is the section's length in quarter notes.
func (s Section) Quarters() timecode.Ratio {
	return s.Metre.BarQuarters().Mul(timecode.Int(int64(s.Bars))).Add(s.Extra)
}

// BPM is the section's tempo in beats of its metre a minute, for display.
func (s Section) BPM(rate timecode.Rate) float64 {
	return BPM(s.FramesPerQuarter, rate) / s.Metre.BeatQuarters().Float()
}

// BPM is 60 x fps / F: quarters a minute of a click of F frames (arithmetic).
func BPM(framesPerQuarter timecode.Ratio, rate timecode.Rate) float64 {
	return 60 * rate.Float() / framesPerQuarter.Float()
}

// checkTempo holds a section to 20..400 quarters a minute at a rate, exactly.
func (s Section) checkTempo(i int, rate timecode.Rate) error {
	bpm := big.NewRat(60*rate.Num, rate.Den)
	bpm.Quo(bpm, s.FramesPerQuarter.Rat())
	if bpm.Cmp(big.NewRat(minBPM, 1)) < 0 || bpm.Cmp(big.NewRat(maxBPM, 1)) > 0 {
		f, _ := bpm.Float64()
		return fault.New(fault.OverLimit, "section %d of the map runs at %.3g quarters a minute", i+1, f).
			Mended("keep tempos between %d and %d", minBPM, maxBPM)
	}
	return nil
}

// ClickNotation writes frames a beat in whole frames and eighths, "12-4" for
// 12½, and false when it is not a whole number of eighths. Common practice.
func ClickNotation(frames timecode.Ratio) (string, bool) {
	e := frames.Mul(timecode.Int(8))
	if e.Den > 1 || e.Num < 0 {
		return "", false
	}
	return timecode.Int(e.Num/8).String() + "-" + timecode.Int(e.Num%8).String(), true
}
