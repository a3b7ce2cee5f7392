package mix

import (
	"context"
	"io"
	"math"

	"cuechoir/internal/fault"
)

// channel is a strip at work.
type channel struct {
	name        string
	src         Source
	left, right float64
	filter      *highPass // nil: none
	at          int64     // timeline sample of the source's next sample
	ended       bool
}

// open makes the strips ready, in order, without the muted ones.
func open(strips []Strip, o Options) ([]*channel, error) {
	if len(strips) > maxStrips {
		return nil, fault.New(fault.OverLimit, "%d layers are more than the %d that can be mixed", len(strips), maxStrips)
	}
	var out []*channel
	for _, s := range strips {
		if err := s.Validate(o.SampleRate); err != nil {
			return nil, err
		}
		if s.Mute {
			continue
		}
		l, r := PanGains(s.Pan)
		g := Gain(s.GainDB)
		c := &channel{name: s.Name, src: s.Source, left: g * l, right: g * r, at: s.Start}
		if s.HighPassHz > 0 {
			var err error
			if c.filter, err = newHighPass(s.HighPassHz, o.SampleRate); err != nil {
				return nil, c.failed(err)
			}
		}
		out = append(out, c)
	}
	return out, nil
}

// add sums the channel's part of the n samples of timeline from at into b.
func (c *channel) add(ctx context.Context, at int64, b *buffers, n int) error {
	for !c.ended && c.at < at { // what lies before the timeline still runs through the filter
		if err := ctx.Err(); err != nil {
			return fault.New(fault.Interrupted, "the mix was stopped before its first sample").Because(err)
		}
		if _, err := c.read(b, int(min(int64(len(b.mono)), at-c.at))); err != nil {
			return err
		}
	}
	if c.ended || c.at >= at+int64(n) {
		return nil
	}
	from := int(c.at - at)
	x, err := c.read(b, n-from)
	if err != nil {
		return err
	}
	left, right := b.left[from:from+len(x)], b.right[from:from+len(x)]
	for i, v := range x {
		// Products are rounded before the sum: no fused multiply-add may make
		// one processor's mix differ from another's.
		left[i] += float64(c.left * v)
		right[i] += float64(c.right * v)
	}
	return nil
}

// read takes up to want samples from the source, checks them and filters
// them; the answer lies in b.
func (c *channel) read(b *buffers, want int) ([]float64, error) {
	mono := b.mono[:want]
	n, err := c.src.Read(mono)
	switch {
	case n < 0 || n > want:
		return nil, c.failed(errBadCount(n, want))
	case err == nil && n < want:
		return nil, c.failed(errShort(n, want))
	case err == io.EOF: // not a wrapped one: that is a cause, not an end
		c.ended = true
	case err != nil:
		return nil, c.failed(err)
	}
	x := b.wide[:n]
	for i, v := range mono[:n] {
		w := float64(v)
		if !(math.Abs(w) <= math.MaxFloat32) {
			return nil, c.failed(fault.New(fault.Malformed, "sample %d of the timeline is not a finite number", c.at+int64(i)))
		}
		x[i] = w
	}
	if c.filter != nil {
		c.filter.run(x)
	}
	c.at += int64(n)
	return x, nil
}

// failed names the layer and keeps the kind of what went wrong.
func (c *channel) failed(err error) error {
	return fault.New(fault.KindOf(err), "layer %s failed, so the mix was not made", quoted(c.name)).Because(err)
}

// buffers is the room that one render works in.
type buffers struct {
	mono        []float32
	wide        []float64
	left, right []float64
	out         []float32
}

func newBuffers(n int) *buffers {
	return &buffers{make([]float32, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float32, 2*n)}
}

func (b *buffers) clear(n int) {
	clear(b.left[:n])
	clear(b.right[:n])
}

// interleave applies the master gain and rounds to float32.
func (b *buffers) interleave(at int64, n int, master float64) ([]float32, error) {
	out := b.out[:2*n]
	for i := range n {
		l, r := float32(master*b.left[i]), float32(master*b.right[i])
		if l-l != 0 || r-r != 0 { // infinite: gains can pile up past what a float32 holds
			return nil, fault.New(fault.OverLimit, "the sum at sample %d is too large to be written", at+int64(i)).Mended("lower the gains")
		}
		out[2*i], out[2*i+1] = l, r
	}
	return out, nil
}
