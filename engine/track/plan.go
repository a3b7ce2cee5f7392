package track

import (
	"math"
	"slices"
	"time"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
	"cuechoir/internal/rt"
)

// Plan says what is heard and recorded. Positions are samples of the
// timeline, 0 being the first sample of the reference's frame 0.
type Plan struct {
	SampleRate int   // Hz; the device must run at it
	From, To   int64 // from the start of the count-in (may be negative) to the end
	// Monitor fills one mono block that is heard from timeline sample at on.
	// It runs on a goroutine of its own, ahead of time. nil: silence.
	Monitor       func(dst []float32, at int64) error
	MonitorGainDB float64
	// Own puts what of the monitor is known sound, as the click is, from timeline
	// sample at on, into silence, as loud as it is put out: where it leaks into the
	// input, the takes' place is checked by it. It may be called while Monitor is.
	// nil: none.
	Own            func(dst []float32, at int64) error
	RoundTrip      int64               // samples from the output to the input
	RoundTripKnown take.RoundTripKnown // "": typed, or assumed-zero when RoundTrip is 0
	// RoundTripWaiting is what waited in the device when RoundTrip was measured:
	// where the device tells, a take is placed by what waits now.
	RoundTripWaiting device.Waiting
	// TailSamples are recorded beyond To, so that the late input of the end is
	// caught; never less than RoundTrip, at most To - From when passes loop.
	TailSamples int64
	// Punch records a stretch of the plan alone; the zero Punch records all.
	Punch        Punch
	Through      Through  // the voice itself in the headphones
	InputChannel int      // from 0
	Beside       []Beside // further voices, through other inputs of the device
	// Now is the clock that the device is held against; nil: time.Now. Only times
	// between its readings count, so that nobody who sets the time of day moves
	// anything.
	Now        func() time.Time
	StallLimit time.Duration // a device silent for longer has failed; 0: 3 s
}

// Punch is the stretch that is recorded while the plan runs: from In to Out,
// and Handle samples more on either side, as far as the plan goes, so that a
// comp has something to fade over. The take marks In to Out as its useful span.
// The zero Punch is none.
type Punch struct{ In, Out, Handle int64 }

// Beside is a voice that is recorded at once with the first, through an input of
// its own into takes of its own.
type Beside struct {
	InputChannel int // from 0
	NewTake      func(pass int) (*take.Writer, error)
}

// inputs are the channels of all voices.
func (p Plan) inputs() []int {
	list := []int{p.InputChannel}
	for _, b := range p.Beside {
		list = append(list, b.InputChannel)
	}
	return list
}

// checkInputs holds the channels against the device's.
func (p Plan) checkInputs(dev device.Device) error {
	list, there := p.inputs(), dev.Format().InChannels
	if there == 0 {
		return fault.New(fault.Device, "%s has no input", dev.Info()).Mended("choose a device with a microphone")
	}
	if len(list) > rt.MaxInputs {
		return fault.New(fault.Usage, "%d voices at once are too many", len(list)).Mended("sing %d at most", rt.MaxInputs)
	}
	for k, c := range list {
		if c < 0 || c >= there {
			return fault.New(fault.Usage, "there is no input %d: %s has %d", c+1, dev.Info(), there).
				Mended("choose an input from 1 to %d", there)
		}
		if slices.Contains(list[:k], c) {
			return fault.New(fault.Usage, "two voices are to come through input %d", c+1).Mended("give each an input of its own")
		}
	}
	return nil
}

// Through is the input heard live in the output, which is off by itself: where
// loudspeakers or open headphones leak into the microphone it howls. A howl is
// noticed and muted, and the take goes on.
type Through struct {
	On     bool
	GainDB float64 // at most 0
}

// gain is that of the stream, linear; 0 when it is off.
func (t Through) gain() float32 {
	if !t.On {
		return 0
	}
	return float32(math.Pow(10, t.GainDB/20))
}

// none reports the zero Punch.
func (p Punch) none() bool { return p == Punch{} }

// checked fills in defaults and holds the plan against the device.
func (p Plan) checked(dev device.Device, passes int) (Plan, error) {
	fm := dev.Format()
	if p.RoundTripKnown == "" {
		p.RoundTripKnown = take.AssumedZero
		if p.RoundTrip != 0 {
			p.RoundTripKnown = take.Typed
		}
	}
	p.TailSamples = max(p.TailSamples, p.RoundTrip)
	if k := p.Punch; !k.none() {
		switch {
		case k.In < p.From || k.Out > p.To || k.Out <= k.In:
			return p, fault.New(fault.Usage, "a punch from sample %d to %d does not lie in what is played, %d to %d", k.In, k.Out, p.From, p.To)
		case k.Handle < 0 || k.Handle > int64(60*p.SampleRate):
			return p, fault.New(fault.Usage, "a handle of %d samples is outside 0 to a minute", k.Handle)
		}
	}
	switch {
	case fm.SampleRate != p.SampleRate:
		return p, rateFault(dev, p.SampleRate)
	case p.From < -maxTimelineValue || p.To > maxTimelineValue || p.To <= p.From:
		return p, fault.New(fault.Usage, "a recording from sample %d to %d is no span", p.From, p.To)
	case p.RoundTrip < 0 || p.RoundTrip > int64(10*p.SampleRate):
		return p, fault.New(fault.Usage, "a round trip of %d samples is outside 0 to 10 seconds", p.RoundTrip)
	case p.TailSamples > int64(3600*p.SampleRate):
		return p, fault.New(fault.Usage, "a tail of %d samples is longer than an hour", p.TailSamples)
	case passes < 0 || int64(passes) > maxStreamFrames/(p.To-p.From)-1:
		return p, fault.New(fault.Usage, "%d passes are out of range", passes)
	case passes != 1 && p.TailSamples > p.To-p.From:
		return p, fault.New(fault.Usage, "a loop of %d samples is shorter than its tail of %d", p.To-p.From, p.TailSamples).
			Mended("loop a longer span")
	case p.Through.On && !(p.Through.GainDB <= 0):
		return p, fault.New(fault.Usage, "a level of %+.1f dB for the voice itself is too loud", p.Through.GainDB).Mended("use 0 or less, and start low")
	case math.IsNaN(p.MonitorGainDB) || p.MonitorGainDB > 40:
		return p, fault.New(fault.Usage, "a monitor gain of %v dB is out of range", p.MonitorGainDB).Mended("at most 40 dB")
	}
	return p, p.checkInputs(dev)
}

// kept is what a pass keeps: so many samples of the stream, after so many that
// are left out.
func (p Plan) kept() (skip, length int64) {
	if p.Punch.none() {
		return 0, p.To - p.From + p.TailSamples
	}
	first := max(p.Punch.In-p.Punch.Handle, p.From-p.RoundTrip)
	skip = first - p.From + p.RoundTrip
	return skip, min(p.Punch.Out+p.Punch.Handle-first, p.To-p.From+p.TailSamples-skip)
}

func rateFault(dev device.Device, rate int) error {
	return fault.New(fault.Device, "%s runs at %d Hz, the score at %d", dev.Info(), dev.Format().SampleRate, rate).
		Mended("set the device to %d Hz, or choose another", rate)
}
