package mix

import (
	"cuechoir/internal/dsp"
)

// Chain is what a strip, a group or the master does to its sound, in this
// order. The zero value is no processor at all: the same bits come out.
type Chain struct {
	TrimDB     float64 // -60 to 40, before all else
	HighPassHz float64
	EQ         EQ
	Gate       Gate // hears what filters and equaliser left
	DeEsser    DeEsser
	Compressor Compressor
	Saturation Saturation
}

// Validate says what in the chain cannot be at a sample rate in Hz.
func (c Chain) Validate(sampleRate int) error {
	_, err := newChain(c, sampleRate)
	return err
}

// Processor makes the whole chain; the zero value changes nothing.
func (c Chain) Processor(sampleRate int) (Processor, error) { return newChain(c, sampleRate) }

// chain is one at work.
type chain struct {
	trim    float64 // 1: none
	running []Processor
	tail    int // samples for which it sounds on after its sound's end
}

// A chain's tail ends where its filters have fallen by tailDB; ten seconds are
// the most.
const (
	tailDB      = 200
	tailSeconds = 10
)

func newChain(c Chain, rate int) (*chain, error) {
	if err := within("trim", bound{"db", c.TrimDB, -60, 40}); err != nil {
		return nil, err
	}
	out := &chain{trim: Gain(c.TrimDB)}
	for _, make := range []func() (Processor, error){
		func() (Processor, error) { return newFilters(c.HighPassHz, c.EQ, rate) },
		func() (Processor, error) { return c.Gate.Processor(rate) },
		func() (Processor, error) { return c.DeEsser.Processor(rate) },
		func() (Processor, error) { return c.Compressor.Processor(rate) },
		func() (Processor, error) { return c.Saturation.Processor(rate) },
	} {
		p, err := make()
		if err != nil {
			return nil, err
		}
		switch p := p.(type) {
		case through:
			continue
		case *filters:
			out.lengthen(&p.channels[0], rate)
		case *deEsser: // its filter rings for a few milliseconds
			out.tail = min(out.tail+rate/10, tailSeconds*rate)
		}
		out.running = append(out.running, p)
	}
	return out, nil
}

func (c *chain) lengthen(f *dsp.Cascade, rate int) {
	c.tail = min(c.tail+f.Tail(tailDB, tailSeconds*rate), tailSeconds*rate)
}

// Process runs the chain.
func (c *chain) Process(left, right []float64) {
	if c.trim != 1 {
		scale(left, c.trim)
		scale(right, c.trim)
	}
	for _, p := range c.running {
		p.Process(left, right)
	}
}

func scale(x []float64, by float64) {
	for i := range x {
		x[i] *= by
	}
}
