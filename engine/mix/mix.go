// Package mix sums layers to stereo: plain values and streams in, a stream
// out. It knows no files and no score. The result has an exact length, is the
// same bit for bit on every run and for any block size, and a layer that
// fails makes the whole mix fail: nothing goes missing from a mix that
// succeeds.
package mix

import (
	"context"
	"fmt"
	"math"

	"cuechoir/internal/fault"
)

// Bounds of the options.
const (
	DefaultBlock  = 4096
	maxBlock      = 1 << 20
	minSampleRate = 8000
	maxSampleRate = 384000
	maxStrips     = 4096
	maxGainDB     = 60
	maxTimeline   = 1 << 48 // samples: centuries
)

// Strip is one layer on its way to the mix, in this order: high-pass, gain,
// pan. The zero value of each setting leaves the sound alone but for the pan
// law.
type Strip struct {
	Name       string  // the layer, for errors
	Source     Source  // may be nil when muted
	Start      int64   // timeline sample of the source's first sample; may be negative
	GainDB     float64 // -Inf (off) to +60
	Pan        float64 // -1 left to +1 right; see PanGains
	Mute       bool    // a muted strip is not read
	HighPassHz float64 // corner (-3 dB) of a second-order Butterworth high-pass, 12 dB an octave; 0 is off
	Group      string  // the bus it belongs to; Render does not look at it
}

// Options says what to render.
type Options struct {
	SampleRate   int     // Hz, 8000 to 384000; 0 is 48000
	Length       int64   // samples to render, from timeline sample 0; at least 1
	Block        int     // samples worked on at a time, to 2^20; 0 is DefaultBlock; no effect on the result
	MasterGainDB float64 // -Inf to +60
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

// Render sums the strips in their order and gives interleaved stereo blocks
// to sink, o.Length samples in all. A block is only valid during the call.
// progress, if not nil, is told after each block. Sources are left where the
// mix ended. Errors: Usage for settings out of range, Interrupted when ctx
// ends, the sink's own error as it is, else the failing layer's error with
// its name; io.EOF from a source is the layer's end and no error.
func Render(ctx context.Context, strips []Strip, o Options, sink func(block []float32) error, progress func(done, total int64)) error {
	o, err := o.checked()
	if err != nil {
		return err
	}
	chans, err := open(strips, o)
	if err != nil {
		return err
	}
	b := newBuffers(int(min(int64(o.Block), o.Length)))
	master := Gain(o.MasterGainDB)
	for at := int64(0); at < o.Length; {
		if err := ctx.Err(); err != nil {
			return fault.New(fault.Interrupted, "the mix was stopped at sample %d of %d", at, o.Length).Because(err)
		}
		n := int(min(int64(o.Block), o.Length-at))
		b.clear(n)
		for _, c := range chans {
			if err := c.add(ctx, at, b, n); err != nil {
				return err
			}
		}
		out, err := b.interleave(at, n, master)
		if err != nil {
			return err
		}
		if err := sink(out); err != nil {
			return err
		}
		at += int64(n)
		if progress != nil {
			progress(at, o.Length)
		}
	}
	return nil
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
	case !(s.HighPassHz >= 0 && s.HighPassHz < float64(sampleRate)/2):
		return bad("high-pass corner %g Hz is not between 0 (off) and half the sample rate", s.HighPassHz)
	case s.Start > maxTimeline || s.Start < -maxTimeline:
		return bad("start %d is not on the timeline", s.Start)
	case s.Source == nil && !s.Mute:
		return bad("there is no sound to play: sing a take, or mute the layer")
	}
	return nil
}

func quoted(name string) string {
	if name == "" {
		return "without a name"
	}
	return fmt.Sprintf("%q", name)
}
