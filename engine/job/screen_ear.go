package job

import (
	"sync/atomic"

	"cuechoir/engine/pitch"
	"cuechoir/internal/device"
	"cuechoir/internal/ring"
)

// Ear is a device whose input is listened to while it runs, for showing the
// pitch of the voice as it is sung. What is recorded does not pass through it:
// a slow listener loses a picture, never a sample of a take.
type Ear struct {
	device.Device
	channel int
	from    int64 // timeline sample of what the listener hears first
	heard   *ring.Ring
	lost    atomic.Int64
	mono    []float32 // the callback's
	live    *pitch.Live
	fresh   []float32 // the listener's
	frames  []pitch.Frame
}

// Reading is one reading of the voice: where on the timeline, its pitch in
// cents (6900 is A4) when Voiced, and its level in dBFS, RMS.
type Reading struct {
	Sample         int64
	Cents, LevelDB float64
	Voiced         bool
}

const (
	earBlock      = 1 << 13 // frames of one callback that are listened to
	earRing       = 1 << 16
	earHopSeconds = 0.01
)

// NewEar listens to one input channel, from 0, of a device. from is the
// timeline sample that the run begins with, roundTrip what the input lags.
// Errors: those of pitch.NewLive.
func NewEar(dev device.Device, channel int, from, roundTrip int64) (*Ear, error) {
	rate := dev.Format().SampleRate
	live, err := pitch.NewLive(rate, pitch.Options{HopSamples: int(earHopSeconds * float64(rate))})
	if err != nil {
		return nil, err
	}
	return &Ear{Device: dev, channel: channel, from: from - roundTrip, heard: ring.New(earRing),
		mono: make([]float32, earBlock), live: live, fresh: make([]float32, earRing)}, nil
}

// Start starts the device, with an ear on its input.
func (e *Ear) Start(cb device.Callback) error {
	channels := e.Format().InChannels
	return e.Device.Start(func(out, in []float32, frames int) {
		cb(out, in, frames)
		n := min(frames, len(e.mono))
		mono := e.mono[:n]
		clear(mono)
		if channels > 0 && e.channel < channels && len(in) >= n*channels {
			for i := range mono {
				mono[i] = in[i*channels+e.channel]
			}
		}
		e.lost.Add(int64(frames - e.heard.Write(mono)))
	})
}

// Gate is passed on to a stepped device.
func (e *Ear) Gate(ready func(int) bool) {
	if s, ok := e.Device.(device.Stepped); ok {
		s.Gate(ready)
	}
}

// WallClock, TellsWaiting and Waiting are those of the device.
func (e *Ear) WallClock() bool         { return device.WallClock(e.Device) }
func (e *Ear) TellsWaiting() bool      { return device.TellsWaiting(e.Device) }
func (e *Ear) Waiting() device.Waiting { return device.WaitingIn(e.Device) }

// Listen reads what was heard since the last call, a reading each 10 ms. It
// is for one goroutine.
func (e *Ear) Listen() []Reading {
	n := e.heard.Read(e.fresh)
	e.frames = e.live.Push(e.frames[:0], e.fresh[:n])
	out := make([]Reading, 0, len(e.frames))
	for _, f := range e.frames {
		r := Reading{Sample: e.from + f.Sample, LevelDB: f.LevelDB, Voiced: f.Voiced && f.Hz > 0}
		if r.Voiced {
			r.Cents = pitch.Cents(f.Hz)
		}
		out = append(out, r)
	}
	e.from += e.lost.Swap(0) // a hole: what follows it lies later
	return out
}
