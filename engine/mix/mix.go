// Package mix sums layers to stereo: plain values and streams in, a stream
// out. It knows no files and no score. Each layer is a strip: trim, high-pass,
// equaliser, gate, de-ess, compressor, saturation, fader with automation, sends,
// pan. Strips meet in groups, which have the same processors and a fader; groups,
// room and echo meet in the master. The result has an exact length, is the same
// bit for bit on every run, for any block size and any number of cores, and a
// layer that fails makes the whole mix fail: nothing goes missing from a mix
// that succeeds.
package mix

import (
	"context"
	"fmt"
	"math"

	"cuechoir/internal/fault"
)

// Bounds of the options.
const (
	DefaultBlock  = 8192
	maxBlock      = 1 << 20
	minSampleRate = 8000
	maxSampleRate = 384000
	maxStrips     = 4096
	maxGainDB     = 60
	maxTimeline   = 1 << 48 // samples: centuries
	maxCores      = 64
)

// Desk is all that is mixed and how.
type Desk struct {
	Strips []Strip
	Groups []Group // how groups are treated; a group of strips that is not here is passed on as it is
	Room   Room    // what strips and groups send to; without a send it is not there
	Echo   Echo
	Ride   Ride
	Master Chain // over the whole sum
}

// Strip is one layer on its way to the mix, in this order: the chain, the fader
// with its automation, sends, pan. The zero value of each setting leaves the
// sound alone but for the pan law.
type Strip struct {
	Name       string // the layer, for errors and rides
	Source     Source // may be nil when muted
	Start      int64  // timeline sample of the source's first sample; may be negative
	Chain      Chain
	GainDB     float64 // the fader: -Inf (off) to +60
	Automation Automation
	Sends      []Send  // behind the fader, before the pan
	Pan        float64 // -1 left to +1 right; see PanGains
	Mute       bool    // a muted strip is not read
	Group      string  // the bus it belongs to
}

// Group is a bus that strips share: the sum of its strips through a chain, in
// stereo, and a fader, which works on what the strips send to room and echo too.
type Group struct {
	Name       string
	Chain      Chain
	GainDB     float64
	Automation Automation
	// Sends are taken behind the group's fader, as (left + right)/√2: what lies in
	// the middle is sent as loud as by its own strip. Nil sends nothing of its own.
	Sends []Send
	Mute  bool
}

// plain says that the group changes nothing.
func (g Group) plain() bool {
	return g.Chain == Chain{} && g.GainDB == 0 && len(g.Automation) == 0 && len(g.Sends) == 0 && !g.Mute
}

// Bus is a way that sends go.
type Bus string

// The two of them.
const (
	ToRoom Bus = "room"
	ToEcho Bus = "echo"
)

// Send is how much of a strip or a group goes to room or echo.
type Send struct {
	To Bus
	DB float64 // -120 (nothing) to 24, against it behind its fader
}

// Options says what to render.
type Options struct {
	SampleRate   int     // Hz, 8000 to 384000; 0 is 48000
	Length       int64   // samples to render, from timeline sample 0; at least 1
	Block        int     // samples worked on at a time, to 2^20; 0 is DefaultBlock; no effect on the result
	Cores        int     // how many strips are worked on at once, to 64; 0 is as many as there are; no effect on the result
	MasterGainDB float64 // -Inf to +60
	// Only renders one group's share of the mix before the master: its strips,
	// its chain, what it sends, ridden as in the whole mix. The shares of all
	// groups sum to the mix before the master.
	Only *string
	// Watch, if not nil, is given what each strip makes, behind its fader and pan,
	// and what each group makes, behind its fader and the ride: n samples from at,
	// valid during the call, which is made by the goroutine that called Render. A
	// strip that is silent there is left out.
	Watch func(what Watched, at int64, left, right []float64)
}

// Watched names a strip or a group.
type Watched struct {
	Name  string
	Group bool
}

// PanGains is the pan law: constant power, gains cos and sin of an angle from
// 0 (pan -1, left alone) to 90 degrees (pan +1), so -3.01 dB in each channel
// at the centre and the sum of squares always 1.
func PanGains(pan float64) (left, right float64) {
	switch pan { // the ends and the middle exactly
	case -1:
		return 1, 0
	case 1:
		return 0, 1
	case 0:
		return math.Sqrt2 / 2, math.Sqrt2 / 2
	}
	right, left = math.Sincos((pan + 1) * math.Pi / 4)
	return left, right
}

// Gain turns dB into a factor; -Inf gives 0.
func Gain(db float64) float64 { return math.Pow(10, db/20) }

// Render mixes the desk and gives interleaved stereo blocks to sink, o.Length
// samples in all. A block is only valid during the call; sink and progress are
// called by the goroutine that called Render. progress, if not nil, is told
// after each block. Sources are left where the mix ended; each is read by one
// goroutine at a time. Errors: Usage for settings out of range, Interrupted when
// ctx ends, the sink's own error as it is, else the failing layer's error with
// its name; io.EOF from a source is the layer's end and no error.
func Render(ctx context.Context, d Desk, o Options, sink func(block []float32) error, progress func(done, total int64)) error {
	o, err := o.checked()
	if err != nil {
		return err
	}
	r, err := newRendering(d, o)
	if err != nil {
		return err
	}
	return r.run(ctx, sink, progress)
}

func (o Options) checked() (Options, error) {
	if o.SampleRate == 0 {
		o.SampleRate = 48000
	}
	if o.Block == 0 {
		o.Block = DefaultBlock
	}
	switch {
	case o.SampleRate < minSampleRate || o.SampleRate > maxSampleRate:
		return o, fault.New(fault.Usage, "a mix at %d Hz is outside %d to %d Hz", o.SampleRate, minSampleRate, maxSampleRate)
	case o.Length < 1 || o.Length > maxTimeline:
		return o, fault.New(fault.Usage, "a mix of %d samples has no length that can be rendered", o.Length)
	case o.Block < 1 || o.Block > maxBlock:
		return o, fault.New(fault.Usage, "a block of %d samples is outside 1 to %d", o.Block, maxBlock)
	case o.Cores < 0 || o.Cores > maxCores:
		return o, fault.New(fault.Usage, "%d cores are outside 1 to %d", o.Cores, maxCores)
	case !goodGain(o.MasterGainDB):
		return o, fault.New(fault.Usage, "master gain %g dB is not between -Inf and +%d dB", o.MasterGainDB, maxGainDB)
	}
	return o, nil
}

func goodGain(db float64) bool { return db <= maxGainDB } // false for NaN too

// Validate says why the strip cannot be mixed at a sample rate in Hz.
func (s Strip) Validate(sampleRate int) error {
	bad := func(format string, args ...any) error {
		return fault.New(fault.Usage, format, args...).In("", "layer "+quoted(s.Name))
	}
	switch {
	case !goodGain(s.GainDB):
		return bad("gain %g dB is not between -Inf and +%d dB", s.GainDB, maxGainDB)
	case !(s.Pan >= -1 && s.Pan <= 1):
		return bad("pan %g is not between -1 (left) and 1 (right)", s.Pan)
	case s.Start > maxTimeline || s.Start < -maxTimeline:
		return bad("start %d is not on the timeline", s.Start)
	case s.Source == nil && !s.Mute:
		return bad("there is no sound to play: sing a take, or mute the layer")
	}
	if err := s.Settings(sampleRate); err != nil {
		return fault.New(fault.Usage, "").Because(err).In("", "layer "+quoted(s.Name))
	}
	return nil
}

// Settings says what of chain, automation and sends cannot be.
func (s Strip) Settings(sampleRate int) error {
	if err := s.Chain.Validate(sampleRate); err != nil {
		return err
	}
	if err := s.Automation.validate(); err != nil {
		return err
	}
	return validateSends(s.Sends)
}

func validateSends(sends []Send) error {
	seen := map[Bus]bool{}
	for _, x := range sends {
		if x.To != ToRoom && x.To != ToEcho {
			return fault.New(fault.Usage, "send: there is no %q to send to", string(x.To)).Mended("send to %s or %s", ToRoom, ToEcho)
		}
		if seen[x.To] {
			return fault.New(fault.Usage, "send: %s comes twice", x.To)
		}
		seen[x.To] = true
		if err := within("send", bound{"db", x.DB, OffDB, 24}); err != nil {
			return err
		}
	}
	return nil
}

// Validate says what of a group cannot be.
func (g Group) Validate(sampleRate int) error {
	err := g.Chain.Validate(sampleRate)
	if err == nil {
		err = g.Automation.validate()
	}
	if err == nil {
		err = validateSends(g.Sends)
	}
	if err == nil && !goodGain(g.GainDB) {
		err = fault.New(fault.Usage, "gain %g dB is not between -Inf and +%d dB", g.GainDB, maxGainDB)
	}
	if err != nil {
		return fault.New(fault.Usage, "").Because(err).In("", "group "+quoted(g.Name))
	}
	return nil
}

// Validate says what of the desk beside its strips cannot be.
func (d Desk) Validate(sampleRate int) error {
	seen := map[string]bool{}
	for _, g := range d.Groups {
		if err := g.Validate(sampleRate); err != nil {
			return err
		}
		if seen[g.Name] {
			return fault.New(fault.Usage, "group %s comes twice", quoted(g.Name))
		}
		seen[g.Name] = true
	}
	if err := d.Room.validate(); err != nil {
		return err
	}
	if err := d.Echo.validate(sampleRate); err != nil {
		return err
	}
	if err := d.Ride.validate(); err != nil {
		return err
	}
	if err := d.Master.Validate(sampleRate); err != nil {
		return fault.New(fault.Usage, "").Because(err).In("", "master")
	}
	return nil
}

func quoted(name string) string {
	if name == "" {
		return "without a name"
	}
	return fmt.Sprintf("%q", name)
}
