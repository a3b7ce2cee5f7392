package tempo

import (
	"fmt"
	"math/big"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Section is a stretch of one metre and one tempo, or of one glide from a
// tempo to another.
type Section struct {
	Bars                int            // whole bars, or bars' worth of quarters when the section begins inside a bar
	Metre               Metre          // zero is 4/4
	FramesPerQuarter    timecode.Ratio // frames of the reference that a quarter note lasts, as the section begins
	EndFramesPerQuarter timecode.Ratio // 0: the tempo stays. Else frames a quarter run straight, quarter by quarter, to this: quarter x of L lies FramesPerQuarter*x + (End-FramesPerQuarter)*x*x/(2L) frames in
	Extra               timecode.Ratio // quarters beyond the whole bars, less than a bar: the tempo then changes inside a bar, on a hit that lands there. Usually 0
	Hold                timecode.Ratio // frames that the section's last beat is held beyond its length; no beat sounds in them
	Silent              bool           // its bars are counted, and the parts rest
}

// Glides reports a section whose tempo moves.
func (s Section) Glides() bool {
	return s.EndFramesPerQuarter.Sign() != 0 && s.EndFramesPerQuarter.Cmp(s.FramesPerQuarter) != 0
}

// EndPeriod is the frames a quarter lasts as the section ends.
func (s Section) EndPeriod() timecode.Ratio {
	if s.EndFramesPerQuarter.Sign() != 0 {
		return s.EndFramesPerQuarter
	}
	return s.FramesPerQuarter
}

// Pin ties a beat to a frame: every later solve and edit keeps it there.
type Pin struct {
	Bar, Beat int // both from 1
	Frame     int64
}

// String is "12.3 at frame 480".
func (p Pin) String() string { return fmt.Sprintf("%d.%d at frame %d", p.Bar, p.Beat, p.Frame) }

// Map lays bars on the picture. Before bar 1 the first section's metre and
// the tempo that it begins with run back; after the last section its metre and
// the tempo that it ends with run on.
type Map struct {
	Style    Style
	Start    timecode.Ratio // frame position of bar 1 beat 1; may be below or above 0, and between frames
	Sections []Section
	Pins     []Pin // in order of beats; NewGrid refuses a map that breaks one
}

// clone is a copy that shares nothing.
func (m Map) clone() Map {
	m.Sections = append([]Section(nil), m.Sections...)
	m.Pins = append([]Pin(nil), m.Pins...)
	return m
}

// Bounds of a map.
const (
	maxBars      = 10_000
	maxRatioDen  = 1 << 31 // denominator of a tempo or a start
	maxExtraDen  = 1 << 15 // of quarters beyond whole bars
	maxPhaseBits = 20      // of the common denominator of all such quarters
	maxFrames    = 24 * 3600 * 1000
	maxHold      = 1 << 20 // frames
	maxPins      = 1000
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
	return m.validatePins()
}

// validatePins checks their order; whether the map keeps them is NewGrid's.
func (m *Map) validatePins() error {
	if len(m.Pins) > maxPins {
		return fault.New(fault.OverLimit, "the map has more than %d pinned beats", maxPins)
	}
	for i, p := range m.Pins {
		switch {
		case p.Bar < 1 || p.Bar > maxBars || p.Beat < 1 || p.Beat > maxMetreTerm || p.Frame < -maxFrames || p.Frame > maxFrames:
			return fault.New(fault.OverLimit, "pinned beat %d, %s, is out of range", i+1, p)
		case i > 0 && !m.Pins[i-1].before(p):
			return fault.New(fault.Malformed, "the pinned beats %s and %s are not in order", m.Pins[i-1], p).
				Mended("unpin one of them, or pin a later beat to a later frame")
		}
	}
	return nil
}

// before reports an earlier beat on an earlier frame.
func (p Pin) before(q Pin) bool {
	return (p.Bar < q.Bar || p.Bar == q.Bar && p.Beat < q.Beat) && p.Frame < q.Frame
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
	case s.EndFramesPerQuarter.Sign() < 0 || !termsFit(s.EndFramesPerQuarter, maxFrames):
		return fault.New(fault.OverLimit, "the tempo that section %d glides to, %s frames a quarter, is out of range", i+1, s.EndFramesPerQuarter)
	case s.Hold.Sign() < 0 || !termsFit(s.Hold, maxHold):
		return fault.New(fault.OverLimit, "section %d of the map holds its last beat for %s frames", i+1, s.Hold).Mended("hold a beat for 0 to %d frames", maxHold)
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

// BPM is the section's tempo as it begins, in beats of its metre a minute, for
// display.
func (s Section) BPM(rate timecode.Rate) float64 {
	return BPM(s.FramesPerQuarter, rate) / s.Metre.BeatQuarters().Float()
}

// BPM is 60 x fps / F: quarters a minute of a click of F frames (arithmetic).
func BPM(framesPerQuarter timecode.Ratio, rate timecode.Rate) float64 {
	return 60 * rate.Float() / framesPerQuarter.Float()
}

// checkTempo holds a section to 20..400 quarters a minute at a rate, exactly.
func (s Section) checkTempo(i int, rate timecode.Rate) error {
	for _, per := range []timecode.Ratio{s.FramesPerQuarter, s.EndPeriod()} {
		if err := checkPeriod(i, per, rate); err != nil {
			return err
		}
	}
	return nil
}

func checkPeriod(i int, per timecode.Ratio, rate timecode.Rate) error {
	bpm := big.NewRat(60*rate.Num, rate.Den)
	bpm.Quo(bpm, per.Rat())
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
