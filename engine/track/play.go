package track

import (
	"context"
	"math"
	"time"

	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// Playback says what is played, without recording.
type Playback struct {
	SampleRate int   // Hz; the device must run at it
	From, To   int64 // timeline samples
	Channels   int   // 1 or 2; 0: 1
	Passes     int   // how often From to To is played, without a gap; 0: until ctx ends it
	// Source fills one block (interleaved when Channels is 2) that is heard
	// from timeline sample at on. It runs on a goroutine of its own, ahead.
	Source     func(dst []float32, at int64) error
	GainDB     float64
	StallLimit time.Duration // a device silent for longer has failed; 0: 3 s
}

// Played is a playback that has ended.
type Played struct {
	Frames      int64 // samples put out, of all passes
	Passes      int   // that were played to their end
	Unheard     int   // spans that came too late
	Limited     int64 // frames, to the block, in which the limiter turned it down
	Interrupted bool  // ctx ended it
}

// outputTailSeconds of silence follow a playback before the device stops.
const outputTailSeconds = 0.25

// Play plays From to To. A cancelled ctx ends it with a short fade:
// Interrupted, no error. Errors: Usage, Device, and what Source gave.
// progress is told the pass, from 0, and the timeline sample.
func Play(ctx context.Context, dev device.Device, p Playback, progress func(pass int, at int64)) (Played, error) {
	if p.Channels == 0 {
		p.Channels = 1
	}
	fm := dev.Format()
	switch {
	case fm.SampleRate != p.SampleRate:
		return Played{}, rateFault(dev, p.SampleRate)
	case p.From < -maxTimelineValue || p.To > maxTimelineValue || p.To <= p.From:
		return Played{}, fault.New(fault.Usage, "a playback from sample %d to %d is no span", p.From, p.To)
	case p.Channels < 1 || p.Channels > 2 || p.Source == nil:
		return Played{}, fault.New(fault.Usage, "a playback needs a source of 1 or 2 channels")
	case p.Passes < 0 || int64(p.Passes) > maxStreamFrames/(p.To-p.From):
		return Played{}, fault.New(fault.Usage, "%d passes are out of range", p.Passes)
	case math.IsNaN(p.GainDB) || p.GainDB > 40:
		return Played{}, fault.New(fault.Usage, "a gain of %v dB is out of range", p.GainDB).Mended("at most 40 dB")
	case fm.OutChannels == 0:
		return Played{}, fault.New(fault.Device, "%s has no output", dev.Info()).Mended("choose a device with an output")
	}
	unheard, span := 0, p.To-p.From
	total := int64(maxStreamFrames)
	if p.Passes > 0 {
		total = span * int64(p.Passes)
	}
	r := &run{
		// What was put out last is still on its way to the ear when it leaves the callback.
		dev: dev, length: total + int64(outputTailSeconds*float64(p.SampleRate)) + int64(4*fm.PeriodFrames), width: p.Channels, monitorLen: total,
		monitor: p.looped(span),
		gainDB:  p.GainDB, stallLimit: p.StallLimit, lastWord: int64(2 * fadeSeconds * float64(p.SampleRate)),
		drain:   func([]float32, int64, bool) error { return nil },
		unheard: func(int64, int64) { unheard++ },
	}
	if progress != nil {
		r.status = func(s streamStatus) {
			at := min(s.at, total-1)
			progress(int(at/span), p.From+at%span)
		}
	}
	out, err := r.play(ctx)
	frames := min(out.frames, total)
	return Played{Frames: frames, Passes: int(frames / span), Unheard: unheard, Limited: out.limited, Interrupted: out.cancelled}, err
}

// looped gives the source's block for a place in the stream: span after span,
// joined on the sample.
func (p Playback) looped(span int64) func([]float32, int64) error {
	return func(dst []float32, at int64) error {
		for len(dst) > 0 {
			in := at % span
			n := min(int64(len(dst)/p.Channels), span-in)
			if err := p.Source(dst[:n*int64(p.Channels)], p.From+in); err != nil {
				return err
			}
			dst, at = dst[n*int64(p.Channels):], at+n
		}
		return nil
	}
}
