package voice

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"cuechoir/internal/fault"
)

// Colour is a recipe: processors in a row, each made from a line of text such
// as "pitch -12 st" or "peak 400 Hz 5 dB q 1". The zero value changes nothing.
type Colour struct{ steps []step }

// step is a processor with its settings.
type step struct {
	processor
	values []float64
	line   int
}

// processor is one kind of line.
type processor struct {
	name     string
	what     string // in a few words
	settings []setting
	// run gives the new sound, which may be longer by what rings on; x may be
	// changed.
	run func(x []float32, sampleRate int, v []float64) ([]float32, error)
}

// setting is one number of a line. Those without a key in the text are taken
// in their order.
type setting struct {
	name, unit  string
	least, most float64
	usual       float64
	needed      bool
}

// MaxLine bounds a line of a colour, in bytes.
const MaxLine = 200

// ParseColour reads a recipe. Errors: Malformed, with the line, what is wrong
// there and what would be right.
func ParseColour(lines []string) (Colour, error) {
	var c Colour
	for i, text := range lines {
		s, err := parseLine(text)
		if err != nil {
			return Colour{}, fault.New(fault.Malformed, "").Because(err).In("", fmt.Sprintf("colour line %d", i+1)).
				Mended("see what lines there are: cuechoir colour list --lines")
		}
		s.line = i + 1
		c.steps = append(c.steps, s)
	}
	return c, nil
}

func parseLine(text string) (step, error) {
	if len(text) > MaxLine {
		return step{}, fmt.Errorf("the line is longer than %d bytes", MaxLine)
	}
	words := strings.Fields(text)
	if len(words) == 0 {
		return step{}, fmt.Errorf("the line is empty")
	}
	for _, p := range processors() {
		if p.name == words[0] {
			s := step{processor: p}
			return s, s.read(words[1:])
		}
	}
	return step{}, fmt.Errorf("%q is not known", clip(words[0]))
}

// read takes the settings from the words after the name.
func (s *step) read(words []string) error {
	given := make([]bool, len(s.settings))
	s.values = make([]float64, len(s.settings))
	for i, x := range s.settings {
		s.values[i] = x.usual
	}
	next := 0
	for len(words) > 0 {
		k := s.keyed(words[0])
		if k >= 0 {
			words = words[1:]
		} else {
			for next < len(given) && given[next] {
				next++
			}
			k = next
		}
		if k >= len(s.settings) {
			return fmt.Errorf("%s has no place for %q: it is written %q", s.name, clip(words[0]), s.form())
		}
		if given[k] {
			return fmt.Errorf("%s has its %s twice", s.name, s.settings[k].name)
		}
		v, rest, err := s.settings[k].value(words)
		if err != nil {
			return fmt.Errorf("%s: %w: it is written %q", s.name, err, s.form())
		}
		s.values[k], given[k], words = v, true, rest
	}
	for i, x := range s.settings {
		if x.needed && !given[i] {
			return fmt.Errorf("%s has no %s: it is written %q", s.name, x.name, s.form())
		}
	}
	return nil
}

func (s *step) keyed(word string) int {
	for i, x := range s.settings {
		if x.name == word {
			return i
		}
	}
	return -1
}

// value reads a number and its unit, which may touch it.
func (x setting) value(words []string) (v float64, rest []string, err error) {
	if len(words) == 0 {
		return 0, nil, fmt.Errorf("the %s is missing", x.name)
	}
	word := words[0]
	cut := len(word)
	for cut > 0 && !strings.ContainsRune("0123456789.", rune(word[cut-1])) {
		cut--
	}
	unit := word[cut:]
	rest = words[1:]
	if unit == "" && x.unit != "" {
		if len(rest) == 0 {
			return 0, nil, fmt.Errorf("%q has no unit, %s", clip(word), x.unit)
		}
		unit, rest = rest[0], rest[1:]
	}
	if unit != x.unit {
		return 0, nil, fmt.Errorf("the %s is in %q, not in %q", x.name, x.unit, clip(unit))
	}
	v, err = strconv.ParseFloat(word[:cut], 64)
	if err != nil || math.IsNaN(v) {
		return 0, nil, fmt.Errorf("%q is no number", clip(word))
	}
	if !(v >= x.least && v <= x.most) {
		return 0, nil, fmt.Errorf("the %s of %g is outside %g to %g", x.name, v, x.least, x.most)
	}
	return v, rest, nil
}

// form is how the line is written, with usual values.
func (s *step) form() string { return s.processor.form() }

func (p processor) form() string {
	words := []string{p.name}
	first := true
	for _, x := range p.settings {
		first = first && x.needed
		if !first {
			words = append(words, x.name)
		}
		words = append(words, strings.TrimSpace(strconv.FormatFloat(x.usual, 'g', -1, 64)+" "+x.unit))
	}
	return strings.Join(words, " ")
}

// Line is a kind of line of a colour, for people: how it is written, with usual
// values, and what it does.
type Line struct{ Form, What string }

// Lines are all kinds of line.
func Lines() []Line {
	var out []Line
	for _, p := range processors() {
		out = append(out, Line{p.form(), p.what})
	}
	return out
}

// maxRing bounds how much longer a colour makes a sound.
const maxRing = 10 // seconds

// GainDB is what the lines that set a level add up to.
func (c Colour) GainDB() float64 {
	sum := 0.0
	for _, s := range c.steps {
		if s.name == gainLine {
			sum += s.values[0]
		}
	}
	return sum
}

// Semitones is how much higher the colour sounds than what is sung: its lines
// "pitch" added up. ok is false where a line strikes notes in an octave of its
// own, or without a pitch.
func (c Colour) Semitones() (semitones float64, ok bool) {
	for _, s := range c.steps {
		switch s.name {
		case pitchLine:
			semitones += s.values[0]
		case drumLine, kettleLine, chimeLine:
			return 0, false
		}
	}
	return semitones, true
}

// Apply is x, mono, in the colour: at least as long, and longer by what rings
// on, at most ten seconds. It is as loud as x was (the same mean power over
// x's length, peaks at most 0.99), but for lines that set a level after that
// (gain). x is not changed; the same x gives the same sound, bit by bit.
func (c Colour) Apply(x []float32, sampleRate int) ([]float32, error) {
	y, err := c.ApplyTo([][]float32{x}, sampleRate)
	if err != nil {
		return nil, err
	}
	return y[0], nil
}

// ApplyTo is Apply for channels of one sound, of one length: each goes its way
// with the same seeds, and all are levelled by the same gain.
func (c Colour) ApplyTo(channels [][]float32, sampleRate int) ([][]float32, error) {
	out := make([][]float32, len(channels))
	for k, x := range channels {
		y := append([]float32(nil), x...)
		for _, s := range c.steps {
			if s.name == gainLine {
				continue // comes last, for all
			}
			var err error
			if y, err = s.run(y, sampleRate, s.values); err != nil {
				return nil, fault.New(fault.KindOf(err), "colour line %d (%s)", s.line, s.name).Because(err)
			}
			y = y[:min(len(y), len(x)+maxRing*sampleRate)]
		}
		out[k] = y
	}
	if len(c.steps) > 0 {
		matchPower(out, channels, math.Pow(10, c.GainDB()/20))
	}
	return out, nil
}

// matchPower scales y to the power of x times a gain.
func matchPower(y, x [][]float32, gain float64) {
	power := func(channels [][]float32) (sum, peak float64) {
		for _, c := range channels {
			for _, v := range c {
				sum += float64(v) * float64(v)
				peak = max(peak, math.Abs(float64(v)))
			}
		}
		return sum, peak
	}
	px, _ := power(x)
	py, peak := power(y)
	if !(px > 0 && py > 0) {
		return
	}
	const ceiling = 0.99
	g := min(gain*math.Sqrt(px/py), ceiling/peak)
	for _, c := range y {
		for i := range c {
			c[i] = float32(float64(c[i]) * g)
		}
	}
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
