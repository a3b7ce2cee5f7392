package mix

import (
	"context"
	"io"

	"cuechoir/internal/fault"
)

// channel is a strip at work.
type channel struct {
	name        string
	src         Source
	chain       *chain
	fader       fader
	left, right float64 // of the pan
	room, echo  float64 // of the sends; 0: none
	still       float64 // the part of the fader that is in these four and not in wide
	bus         int     // which of the rendering's buses
	at          int64   // timeline sample of the source's next sample
	from        int64   // where that sample first lay
	ended       bool
	tail        int // samples of tail still to come, once ended

	mono []float32
	wide [ahead][]float64 // what it made, behind a fader that moves: one is summed while others are made
	made [ahead]bool      // there is something in it
	errs [ahead]error     // what went wrong in it or before
	err  error
}

func newChannel(s Strip, o Options, block int) (*channel, error) {
	if err := s.Validate(o.SampleRate); err != nil {
		return nil, err
	}
	ch, err := newChain(s.Chain, o.SampleRate)
	if err != nil {
		return nil, err
	}
	c := &channel{name: s.Name, src: s.Source, chain: ch, fader: fader{base: Gain(s.GainDB), knots: s.Automation}, at: s.Start, from: s.Start, tail: ch.tail}
	c.left, c.right = PanGains(s.Pan)
	for _, x := range s.Sends {
		switch g := sendGain(x.DB); x.To {
		case ToRoom:
			c.room = g
		case ToEcho:
			c.echo = g
		}
	}
	c.still = 1
	if len(s.Automation) == 0 { // a fader that stands is in the gains of pan and sends
		c.still, c.fader.base = c.fader.base, 1
		c.left, c.right, c.room, c.echo = c.still*c.left, c.still*c.right, c.still*c.room, c.still*c.echo
	}
	c.mono = make([]float32, block)
	for i := range c.wide {
		c.wide[i] = make([]float64, block)
	}
	return c, nil
}

func sendGain(db float64) float64 {
	if db <= OffDB {
		return 0
	}
	return Gain(db)
}

// make makes the n samples of timeline from at into wide[side].
func (c *channel) make(ctx context.Context, at int64, n, side int) {
	c.made[side] = false
	defer func() { c.errs[side] = c.err }()
	if c.err != nil {
		return
	}
	for c.err == nil && !c.done() && c.at < at { // what lies before the timeline still runs through the chain
		if err := ctx.Err(); err != nil {
			c.err = fault.New(fault.Interrupted, "the mix was stopped before its first sample").Because(err)
			return
		}
		c.fill(c.wide[side][:min(int64(len(c.mono)), at-c.at)])
	}
	if c.err != nil || c.done() || c.at >= at+int64(n) {
		return
	}
	from := int(c.at - at)
	x := c.wide[side][:n]
	clear(x[:from])
	c.fill(x[from:])
	c.made[side] = c.err == nil
}

// gains are those of the ways to left, right, room and echo.
func (c *channel) gains() [4]float64 { return [4]float64{c.left, c.right, c.room, c.echo} }

// done says that nothing more will sound.
func (c *channel) done() bool { return c.ended && c.tail == 0 }

// fill makes the next samples of the strip, silence behind its end.
func (c *channel) fill(x []float64) {
	n := 0
	if !c.ended {
		if n, c.err = c.read(x); c.err != nil {
			return
		}
	}
	clear(x[n:])
	work := x
	if c.ended {
		more := min(c.tail, len(x)-n)
		c.tail -= more
		work = x[:n+more]
	}
	c.chain.Process(work, nil)
	c.fader.run(c.at, work)
	c.at += int64(len(x))
}

// read takes samples from the source and checks them.
func (c *channel) read(x []float64) (int, error) {
	want := len(x)
	mono := c.mono[:want]
	n, err := c.src.Read(mono)
	switch {
	case n < 0 || n > want:
		return 0, c.failed(errBadCount(n, want))
	case err == nil && n < want:
		return 0, c.failed(errShort(n, want))
	case err == io.EOF: // not a wrapped one: that is a cause, not an end
		c.ended = true
	case err != nil:
		return 0, c.failed(err)
	}
	if bad := widen(x[:n], mono[:n]); bad >= 0 {
		return 0, c.failed(fault.New(fault.Malformed, "sample %d of the timeline is not a finite number", c.at+int64(bad)))
	}
	return n, nil
}

// failed names the layer and keeps the kind of what went wrong.
func (c *channel) failed(err error) error {
	return fault.New(fault.KindOf(err), "layer %s failed, so the mix was not made", quoted(c.name)).Because(err)
}
