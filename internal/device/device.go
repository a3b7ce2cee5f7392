// Package device is sound hardware behind one small interface: a real device
// (one duplex stream, one clock), and a virtual one whose clock runs as fast
// as its reader for tests, demonstrations and files in the place of a
// microphone.
package device

import (
	"fmt"
	"strings"

	"cuechoir/internal/fault"
)

// Callback does one block of frames frames, interleaved: it fills out (nil
// when nothing is played) and takes in. in is nil when nothing is captured,
// or when the device knows that it lost the input of these frames. It runs
// on the audio thread: it must not wait, allocate, log or keep the slices.
type Callback func(out, in []float32, frames int)

// Format is how a device streams.
type Format struct {
	SampleRate   int // Hz
	PeriodFrames int // frames a callback, as asked for; the callback itself counts
	OutChannels  int // 0: nothing is played
	InChannels   int // 0: nothing is captured
}

// Info names a device for people and for what is stored about it.
type Info struct {
	Kind    string // "real" or "virtual"
	Backend string // "PulseAudio", "ALSA", ... or "virtual"
	Output  string // name of the playback side, "" when there is none
	Input   string // name of the capture side, "" when there is none
}

// String is one line: input and output by name.
func (i Info) String() string {
	switch {
	case i.Output == "" || i.Input == i.Output:
		return i.Input
	case i.Input == "":
		return i.Output
	}
	return fmt.Sprintf("%s -> %s", i.Input, i.Output)
}

// Device is one duplex stream. Start and Stop may be called in turn, from one
// goroutine; each Start is a new stream whose frame 0 is the first frame of
// its first callback. No callback runs after Stop has returned.
type Device interface {
	Start(cb Callback) error
	Stop() error
	Close() error // stops, and gives the device back; no Start after it
	Format() Format
	Info() Info
	// Err is nil while all is well, and says what happened when the device
	// has vanished or stopped by itself since the last Start. Any goroutine.
	Err() error
}

// Stepped is a device whose clock waits for its user rather than for time.
// Before each block it asks ready(frames) and goes on when that is true, so
// nothing is ever late. Call Gate before Start.
type Stepped interface {
	Gate(ready func(frames int) bool)
}

// WallClock says whether a device runs by the wall clock, as all do that do
// not say otherwise.
func WallClock(d Device) bool {
	w, ok := d.(interface{ WallClock() bool })
	return !ok || w.WallClock()
}

// Port is one side of a sound card as List finds it.
type Port struct {
	ID        string // stable name of the port for Options
	Name      string // for people
	Input     bool   // a microphone or line in; otherwise an output
	IsDefault bool
	Channels  int // native channel count, 0 when not known
}

// Options says which device and how. The zero value is the system's default
// output and input at 48 kHz in periods of 2048 frames.
//
// Long periods are the safe choice: nobody hears the voice through the
// program, so its delay costs nothing, and short periods slip on a busy
// machine. Measured through PulseAudio at a load of 13 on two cores: of six
// starts the delay was the same in two at 480 frames, two at 1024, five at 2048.
type Options struct {
	Output       string // ID, or part of the name in any case; "": the default
	Input        string // the same for the input
	SampleRate   int    // Hz; 0: 48000
	PeriodFrames int    // frames; 0: 2048
	NoInput      bool   // playback only
	NoOutput     bool   // capture only
	Backend      string // "pulseaudio", "alsa", "jack", "null", ...; "": the best there is
}

// Bounds on what is asked of a device.
const (
	defaultSampleRate   = 48000
	defaultPeriodFrames = 2048
	minSampleRate       = 8000
	maxSampleRate       = 384000
	maxPeriodFrames     = 1 << 16
)

// withDefaults fills in what is left at zero and checks the rest.
func (o Options) withDefaults() (Options, error) {
	if o.SampleRate == 0 {
		o.SampleRate = defaultSampleRate
	}
	if o.PeriodFrames == 0 {
		o.PeriodFrames = defaultPeriodFrames
	}
	if o.SampleRate < minSampleRate || o.SampleRate > maxSampleRate {
		return o, fault.New(fault.Usage, "a sample rate of %d Hz is outside %d to %d", o.SampleRate, minSampleRate, maxSampleRate)
	}
	if o.PeriodFrames < 1 || o.PeriodFrames > maxPeriodFrames {
		return o, fault.New(fault.Usage, "a period of %d frames is outside 1 to %d", o.PeriodFrames, maxPeriodFrames)
	}
	if o.NoInput && o.NoOutput {
		return o, fault.New(fault.Usage, "a device without input and output does nothing")
	}
	return o, nil
}

// Choose finds the port that wish names: an exact ID, an exact name, or the
// only one whose name contains it in any case. An empty wish is the default
// port, shown by ok false when none is marked so.
func Choose(ports []Port, input bool, wish string) (port Port, ok bool, err error) {
	var matches []Port
	for _, p := range ports {
		if p.Input != input {
			continue
		}
		switch {
		case wish == "" && p.IsDefault, wish != "" && (p.ID == wish || p.Name == wish):
			return p, true, nil
		case wish != "" && strings.Contains(strings.ToLower(p.Name), strings.ToLower(wish)):
			matches = append(matches, p)
		}
	}
	side := "output"
	if input {
		side = "input"
	}
	switch {
	case wish == "":
		return Port{}, false, nil
	case len(matches) == 1:
		return matches[0], true, nil
	case len(matches) > 1:
		return Port{}, false, fault.New(fault.Usage, "%d %ss match %q: %s", len(matches), side, wish, names(matches)).
			Mended("give more of the name, or its ID")
	}
	var there []Port
	for _, p := range ports {
		if p.Input == input {
			there = append(there, p)
		}
	}
	return Port{}, false, fault.New(fault.Missing, "no %s matches %q; there are: %s", side, wish, names(there)).
		Mended("choose one of these, or leave the choice out for the default")
}

func names(ports []Port) string {
	if len(ports) == 0 {
		return "none"
	}
	list := make([]string, len(ports))
	for i, p := range ports {
		list[i] = p.Name
	}
	return strings.Join(list, ", ")
}
