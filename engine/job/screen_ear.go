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
	from    int64 // timeline sample of the stream's frame 0 at the input
	heard   *ring.Ring
	lost    atomic.Int64
	mono    []float32 // the callback's
	window  []float32 // the listener's: the last of what was heard
	end     int64     // timeline sample after window
	told    int64     // up to here readings were given
}

// Reading is one reading of the voice: where on the timeline, its pitch in
// cents (6900 is A4) when Voiced, and its level in dBFS, RMS.
type Reading struct {
	Sample         int64
	Cents, LevelDB float64
	Voiced         bool
}

// What the ear hears at a time. A reading needs sound on either side of it;
// what is newer waits for the next look.
const (
	earBlock         = 1 << 13 // frames of one callback that are listened to
	earRing          = 1 << 16
	earWindowSeconds = 0.2
	earEdgeSeconds   = 0.05
	earHopSeconds    = 0.01
)

// NewEar listens to one input channel, from 0, of a device. from is the
// timeline sample that the run begins with, roundTrip what the input lags.
func NewEar(dev device.Device, channel int, from, roundTrip int64) *Ear {
	return &Ear{Device: dev, channel: channel, from: from - roundTrip, end: from - roundTrip, told: from - roundTrip,
		heard: ring.New(earRing), mono: make([]float32, earBlock)}
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

// WallClock is that of the device.
func (e *Ear) WallClock() bool { return device.WallClock(e.Device) }

// Listen reads what was heard since the last call, a reading each 10 ms, up to
// 50 ms before now. It is for one goroutine.
func (e *Ear) Listen() ([]Reading, error) {
	rate := e.Format().SampleRate
	long := int(earWindowSeconds * float64(rate))
	fresh := make([]float32, e.heard.Len())
	fresh = fresh[:e.heard.Read(fresh)]
	e.window = append(e.window, fresh...)
	e.end += int64(len(fresh))
	if lost := e.lost.Swap(0); lost > 0 { // a hole: start anew after it
		e.window, e.end = e.window[:0], e.end+lost
	}
	// What was not told yet stays, with a window before it.
	keep := max(long, int(e.end-e.told)+long/2)
	if over := len(e.window) - keep; over > 0 {
		e.window = append(e.window[:0], e.window[over:]...)
	}
	if len(e.window) < long/2 {
		return nil, nil
	}
	hop := int(earHopSeconds * float64(rate))
	frames, err := pitch.Track(e.window, rate, pitch.Options{HopSamples: hop})
	if err != nil {
		return nil, err
	}
	first, until := e.end-int64(len(e.window)), e.end-int64(earEdgeSeconds*float64(rate))
	var out []Reading
	for _, f := range frames {
		at := first + f.Sample
		if at < e.told || at >= until {
			continue
		}
		r := Reading{Sample: at, LevelDB: f.LevelDB, Voiced: f.Voiced && f.Hz > 0}
		if r.Voiced {
			r.Cents = pitch.Cents(f.Hz)
		}
		out = append(out, r)
	}
	e.told = max(e.told, until)
	return out, nil
}
