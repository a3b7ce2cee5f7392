package device

import (
	"sync/atomic"
	"time"
)

// Continuous keeps the stream of a device running between uses: the first
// Start starts it, later ones join it, Stop leaves it, and Close ends it.
//
// Why: sound systems that join two streams into a duplex one (PulseAudio is
// one) set their delay anew at each start, hundreds of samples apart; within
// one stream it stays. So a round trip that was measured through a Continuous
// holds for each take through it, until Close or until Slip changes.
type Continuous struct {
	dev     Device
	running bool
	user    atomic.Pointer[member]
	ready   atomic.Pointer[func(int) bool]

	clock  SlipClock // the audio thread's own
	frames int64
	events atomic.Int64
	slid   atomic.Int64
}

// member is one use of the stream.
type member struct {
	gate callGate
	cb   Callback
}

// NewContinuous takes dev over: it is started, stopped and closed through the
// result alone.
func NewContinuous(dev Device) *Continuous { return &Continuous{dev: dev} }

// Start joins the stream: the next block is the new stream's frame 0. A
// stream that has failed since is started anew, and Slip tells.
func (c *Continuous) Start(cb Callback) error {
	if c.running && c.dev.Err() != nil {
		if err := c.dev.Stop(); err != nil {
			return err
		}
		c.running = false
		c.events.Add(1)
	}
	m := &member{cb: cb}
	c.user.Store(m)
	if c.running {
		return nil
	}
	c.clock, c.frames = SlipClock{PeriodFrames: c.dev.Format().PeriodFrames}, 0
	if WallClock(c.dev) {
		c.clock.SampleRate = float64(c.dev.Format().SampleRate)
	}
	if s, ok := c.dev.(Stepped); ok {
		s.Gate(c.step)
	}
	if err := c.dev.Start(c.block); err != nil {
		c.user.Store(nil)
		return err
	}
	c.running = true
	return nil
}

// block runs on the audio thread, for whoever has joined.
func (c *Continuous) block(out, in []float32, frames int) {
	clear(out)
	if m := c.user.Load(); m != nil {
		m.gate.through(m.cb, out, in, frames)
	}
	c.frames += int64(frames)
	// Reading the monotonic clock is no system call where it matters (vDSO).
	c.clock.See(time.Now(), c.frames)
	if s := c.clock.Slip; s.Slipped {
		c.events.Add(int64(s.Events))
		c.slid.Add(s.Frames)
		c.clock.Slip = Slip{}
	}
}

// step is the gate of a stepped device: its clock stands while nobody uses it.
func (c *Continuous) step(frames int) bool {
	ready := c.ready.Load()
	return c.user.Load() != nil && (ready == nil || (*ready)(frames))
}

// Stop leaves the stream, which goes on in silence; no callback runs after it.
func (c *Continuous) Stop() error {
	if m := c.user.Swap(nil); m != nil {
		m.gate.close()
	}
	return nil
}

// Close ends the stream and closes the device.
func (c *Continuous) Close() error {
	c.Stop()
	c.running = false
	return c.dev.Close()
}

// Gate is passed on to a stepped device.
func (c *Continuous) Gate(ready func(int) bool) { c.ready.Store(&ready) }

// WallClock is that of the device.
func (c *Continuous) WallClock() bool { return WallClock(c.dev) }

// TellsWaiting is that of the device.
func (c *Continuous) TellsWaiting() bool { return TellsWaiting(c.dev) }

// Waiting is that of the device.
func (c *Continuous) Waiting() Waiting { return WaitingIn(c.dev) }

// Format is that of the device.
func (c *Continuous) Format() Format { return c.dev.Format() }

// Info is that of the device.
func (c *Continuous) Info() Info { return c.dev.Info() }

// Err is that of the device.
func (c *Continuous) Err() error { return c.dev.Err() }

// Slips counts what has moved the round trip since NewContinuous: slips of
// the stream, used or idle, and starts after a failure; frames is the sum of
// the slips. When events has changed since a round trip was measured, it is
// to be measured again. Any goroutine.
func (c *Continuous) Slips() (events, frames int64) { return c.events.Load(), c.slid.Load() }
