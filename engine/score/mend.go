package score

import (
	"fmt"
	"slices"
)

// Mend is an edit of what was sung, made each time the layer is heard; the
// takes stay as they are.
type Mend struct {
	Do       string  // Retune or Retime
	Amount   float64 // 0 (nothing) to 1 (all the way)
	SpeedMS  float64 // Retune: how slowly it follows the voice, in milliseconds, to MaxMendSpeedMS
	To       string  // Retime: ToGrid, ToHits, or a layer's name
	From, By int64   // timeline samples from From until By; both 0: all of the layer
}

// What a mend does, and what a retime goes to.
const (
	Retune = "retune"
	Retime = "retime"
	ToGrid = "grid"
	ToHits = "hits"
)

// Bounds of mends and colours.
const (
	MaxMendSpeedMS  = 2000
	MaxColourLines  = 32
	maxMends        = 1000
	maxColourLength = 200
)

// All says whether the mend is for all of the layer.
func (m Mend) All() bool { return m.From == 0 && m.By == 0 }

func (m Mend) validate(layer string) error {
	switch {
	case m.Do != Retune && m.Do != Retime:
		return fmt.Errorf("do: %q is not one of %s, %s", clip(m.Do), Retune, Retime)
	case !(m.Amount >= 0 && m.Amount <= 1):
		return fmt.Errorf("amount: %g is outside 0 to 1", m.Amount)
	case !(m.SpeedMS >= 0 && m.SpeedMS <= MaxMendSpeedMS):
		return fmt.Errorf("speed_ms: %g is outside 0 to %d", m.SpeedMS, MaxMendSpeedMS)
	case m.Do == Retune && m.To != "":
		return fmt.Errorf("to: a retune goes to the part's own notes")
	case m.Do == Retime && m.SpeedMS != 0:
		return fmt.Errorf("speed_ms: a retime has no speed")
	case !m.All() && (m.By <= m.From || m.From < -maxTimeline || m.By > maxTimeline):
		return fmt.Errorf("from %d by %d is empty or outside a day", m.From, m.By)
	}
	if m.Do == Retune {
		return nil
	}
	if err := CheckName(m.To); err != nil {
		return fmt.Errorf("to: %w", err)
	}
	if m.To == layer {
		return fmt.Errorf("to: a layer cannot follow itself")
	}
	return nil
}

// AddMend makes an edit the layer's last, which counts before the others. One of
// the same kind over the same stretch gives way to it. An amount of 0 leaves
// its stretch alone; it is kept only where another mend could reach there.
func (l *Layer) AddMend(m Mend) {
	var kept []Mend
	for _, old := range l.Mends {
		same := old.Do == m.Do && old.From == m.From && old.By == m.By
		if !same {
			kept = append(kept, old)
		}
	}
	if m.Amount > 0 || slices.ContainsFunc(kept, func(old Mend) bool { return old.Do == m.Do }) {
		kept = append(kept, m)
	}
	l.Mends = kept
}

func (l Layer) validateMends() error {
	if len(l.Mends) > maxMends {
		return fmt.Errorf("mends: more than %d", maxMends)
	}
	for i, m := range l.Mends {
		if err := m.validate(l.Name); err != nil {
			return fmt.Errorf("mends: %d: %w", i+1, err)
		}
	}
	return checkColour(l.Colour)
}

func checkColour(lines []string) error {
	if len(lines) > MaxColourLines {
		return fmt.Errorf("colour: more than %d lines", MaxColourLines)
	}
	for i, line := range lines {
		if err := checkText(line, maxColourLength); err != nil {
			return fmt.Errorf("colour: line %d: %w", i+1, err)
		}
	}
	return nil
}

// The form of a mend in score.toml: a line.
type fileMend struct {
	Do      string  `toml:"do"`
	To      string  `toml:"to,omitempty"`
	Amount  float64 `toml:"amount"`
	SpeedMS float64 `toml:"speed_ms,omitempty"`
	From    int64   `toml:"from,omitempty"`
	By      int64   `toml:"by,omitempty"`
}

func (f *fileLayer) setMends(l Layer) {
	for _, m := range l.Mends {
		f.Mends = append(f.Mends, fileMend{m.Do, m.To, m.Amount, m.SpeedMS, m.From, m.By})
	}
	f.Colour = l.Colour
}

func (f fileLayer) readMends(l *Layer) {
	for _, m := range f.Mends {
		l.Mends = append(l.Mends, Mend{Do: m.Do, Amount: m.Amount, SpeedMS: m.SpeedMS, To: m.To, From: m.From, By: m.By})
	}
	l.Colour = f.Colour
}
