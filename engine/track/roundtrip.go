package track

import (
	"context"
	"fmt"
	"math"
	"slices"

	"cuechoir/internal/device"
	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// Aim: how many samples pass from the output to the input of a device.
// Method: quiet chirps are played through a loop (a cable, or loudspeaker to
// microphone); each is found in the input by its matched filter: the
// cross-correlation with the chirp, by FFT, divided by the level of the input
// there, so that 1 is a perfect copy (Turin, «An introduction to matched
// filters», IRE Trans. IT-6, 1960). The device is stopped and started in
// between, since a start may change the delay; when it does, measure and
// record through one device.Continuous, whose stream goes on.
// Why a linear chirp: its flat spectrum has the narrowest peak for its band;
// a logarithmic one is pink, and its peak has long skirts.
// Cost: about 3 seconds a start; a start in which the device slipped is
// repeated, up to three times as many in all.
// Known failure: a room whose echo is much louder than the direct sound.

// RoundTripOptions shapes a measurement. The zero value is good.
type RoundTripOptions struct {
	LevelDB      float64 // level of the chirps, dBFS; 0: -20; at most -6
	Starts       int     // how often the device is started; 0: 3; 1 to 20
	Chirps       int     // chirps a start; 0: 4; 1 to 50
	MaxDelay     int64   // longest round trip looked for, samples; 0: half a second; to 2 s
	InputChannel int     // from 0
	// Progress, when set, is told how many of the starts are done.
	Progress func(done, of int)
}

// RoundTrip is a measured round trip.
type RoundTrip struct {
	Samples    int64   // what most chirps agree on, within ±1
	Fraction   float64 // samples to add to it for the peak between samples, -0.5 to 0.5
	Spread     int64   // largest less smallest, samples
	Constant   bool    // Spread is at most 2: all lie within ±1 sample
	Confidence float64 // median likeness of the echo to the chirp, 0 to 1
	Inverted   bool    // the loop turns the sound upside down
	Repeats    int     // chirps that were found
	Agreeing   int     // of these, how many lie within ±1 of Samples
	Rejected   int     // chirps that were not found, or fell into a dropout
	ByStart    []int64 // the median of each start
	Slipped    int     // starts that were thrown away since the device did not keep time
	// Waiting is what waited in the device. Where it tells, all of the above is
	// as if each start had had so much.
	Waiting device.Waiting
}

const (
	chirpSeconds   = 0.1
	chirpLowHz     = 200
	chirpHighHz    = 16_000
	chirpEdge      = 0.005 // seconds of raised-cosine edge
	leadInSeconds  = 0.3   // silence first: the fade in, and a device that wakes up
	likeEnough     = 0.2   // of 1: a smaller peak is no echo
	overBackground = 4     // times the background a peak must stand out
	directShare    = 0.6   // an earlier arrival of this share of the peak is the direct one
	directGap      = 0.0005
	constantSpread = 2
	triesPerStart  = 3
)

// MeasureRoundTrip plays chirps and finds them in the input. Errors: Usage,
// Device (with what to try when no echo is found), Interrupted.
func MeasureRoundTrip(ctx context.Context, dev device.Device, o RoundTripOptions) (RoundTrip, error) {
	o, err := o.checked(dev)
	if err != nil {
		return RoundTrip{}, err
	}
	m := newMeasurement(o, dev.Format().SampleRate)
	var all []echo
	var r RoundTrip
	clean := 0
	for tries := 0; clean < o.Starts && tries < triesPerStart*o.Starts; tries++ {
		x, lost, slip, err := m.listen(ctx, dev)
		if err != nil {
			return RoundTrip{}, err
		}
		if slip.Slipped {
			r.Slipped++
			continue
		}
		clean++
		found, err := m.find(x, lost)
		if err != nil {
			return RoundTrip{}, err
		}
		r.sameWaiting(found, device.WaitingIn(dev), clean == 1)
		r.Rejected += o.Chirps - len(found)
		if len(found) > 0 {
			r.ByStart = append(r.ByStart, medianOf(found).lag)
		}
		all = append(all, found...)
		m.peak = max(m.peak, dsp.Peak(x))
		if o.Progress != nil {
			o.Progress(clean, o.Starts)
		}
	}
	if clean == 0 {
		return RoundTrip{}, fault.New(fault.Device, "%s did not keep time in any of %d starts", dev.Info(), r.Slipped).
			Mended("close other programs, or choose a longer period (2048 frames and more), and measure again")
	}
	if len(all)*2 < clean*o.Chirps {
		return RoundTrip{}, m.noEcho(dev, len(all), clean*o.Chirps)
	}
	r.sum(all)
	return r, nil
}

// sameWaiting moves the echoes of a start to where they lie with as much waiting
// in the device as in the first.
func (r *RoundTrip) sameWaiting(found []echo, now device.Waiting, first bool) {
	if first {
		r.Waiting = now
	}
	for i := range found {
		found[i].lag -= now.Since(r.Waiting)
	}
	r.Waiting.Known = r.Waiting.Known && now.Known
}

// sum makes the figures of all echoes.
func (r *RoundTrip) sum(all []echo) {
	agreeing := agree(all)
	mid := medianOf(agreeing)
	r.Samples, r.Fraction, r.Repeats, r.Agreeing = mid.lag, mid.fraction, len(all), len(agreeing)
	likes, upside := make([]float64, len(all)), 0
	least, most := all[0].lag, all[0].lag
	for i, e := range all {
		least, most = min(least, e.lag), max(most, e.lag)
		likes[i] = e.like
		if e.inverted {
			upside++
		}
	}
	slices.Sort(likes)
	r.Spread = most - least
	r.Constant = r.Spread <= constantSpread
	r.Confidence = likes[len(likes)/2]
	r.Inverted = 2*upside > len(all)
}

// agree gives the most echoes that lie within ±1 sample of one of them; of
// equals the earliest, since what a busy sound system does is to add delay.
func agree(all []echo) []echo {
	var best []echo
	for _, e := range all {
		var near []echo
		for _, f := range all {
			if d := f.lag - e.lag; d >= -1 && d <= 1 {
				near = append(near, f)
			}
		}
		if len(near) > len(best) || len(near) == len(best) && near[0].lag < best[0].lag {
			best = near
		}
	}
	return best
}

func (o RoundTripOptions) checked(dev device.Device) (RoundTripOptions, error) {
	fm := dev.Format()
	if o.LevelDB == 0 {
		o.LevelDB = -20
	}
	if o.Starts == 0 {
		o.Starts = 3
	}
	if o.Chirps == 0 {
		o.Chirps = 4
	}
	if o.MaxDelay == 0 {
		o.MaxDelay = int64(fm.SampleRate / 2)
	}
	switch {
	case !(o.LevelDB <= -6 && o.LevelDB >= -80):
		return o, fault.New(fault.Usage, "a level of %v dBFS is outside -80 to -6", o.LevelDB)
	case o.Starts < 1 || o.Starts > 20 || o.Chirps < 1 || o.Chirps > 50:
		return o, fault.New(fault.Usage, "%d starts of %d chirps are outside 1 to 20 and 1 to 50", o.Starts, o.Chirps)
	case o.MaxDelay < 1 || o.MaxDelay > int64(2*fm.SampleRate):
		return o, fault.New(fault.Usage, "a delay of %d samples is outside 1 to 2 seconds", o.MaxDelay)
	case fm.InChannels == 0 || fm.OutChannels == 0:
		return o, fault.New(fault.Device, "%s has no loop to measure: it needs an output and an input", dev.Info()).
			Mended("choose a device with both")
	case o.InputChannel < 0 || o.InputChannel >= fm.InChannels:
		return o, fault.New(fault.Usage, "there is no input %d: %s has %d", o.InputChannel+1, dev.Info(), fm.InChannels).
			Mended("choose an input from 1 to %d", fm.InChannels)
	}
	return o, nil
}

// measurement is what one call of MeasureRoundTrip works with.
type measurement struct {
	o      RoundTripOptions
	rate   int
	chirp  []float32
	starts []int64 // stream sample of each chirp
	peak   float32 // loudest input heard
}

func newMeasurement(o RoundTripOptions, rate int) *measurement {
	m := &measurement{o: o, rate: rate, chirp: chirpOf(rate, o.LevelDB)}
	at := int64(leadInSeconds * float64(rate))
	for i := range o.Chirps {
		m.starts = append(m.starts, at)
		// Unequal distances, so that no hum or echo of the one before repeats with them.
		at += int64(len(m.chirp)) + o.MaxDelay + int64(rate)*int64(37+11*(i%3))/1000
	}
	return m
}

// chirpOf is a linear sweep with soft edges, at a peak of levelDB.
func chirpOf(rate int, levelDB float64) []float32 {
	n, edge := int(chirpSeconds*float64(rate)), int(chirpEdge*float64(rate))
	high := min(chirpHighHz, 0.4*float64(rate))
	x := make([]float32, n)
	for i := range x {
		t := float64(i) / float64(rate)
		phase := 2 * math.Pi * (chirpLowHz*t + (high-chirpLowHz)/(2*chirpSeconds)*t*t)
		gain := dsp.DBToAmplitude(levelDB)
		if k := min(i, n-1-i); k < edge {
			gain *= 0.5 - 0.5*math.Cos(math.Pi*float64(k)/float64(edge))
		}
		x[i] = float32(gain * math.Sin(phase))
	}
	return x
}

// length is the stream's length, all echoes in.
func (m *measurement) length() int64 {
	return m.starts[len(m.starts)-1] + int64(len(m.chirp)) + m.o.MaxDelay
}

// listen plays the chirps once and gives the input, and which of it was lost
// or follows a monitor that was late.
func (m *measurement) listen(ctx context.Context, dev device.Device) (x []float32, lost []bool, slip device.Slip, err error) {
	length := m.length()
	x, lost = make([]float32, length), make([]bool, length)
	r := &run{
		dev: dev, inputs: []int{m.o.InputChannel}, length: length, width: 1, monitorLen: length, monitor: m.play,
		drain: func(y []float32, at int64, gone bool) error {
			copy(x[at:], y)
			for i := range y {
				lost[at+int64(i)] = lost[at+int64(i)] || gone
			}
			return nil
		},
		unheard: func(at, frames int64) {
			for i := at; i < min(at+frames+m.o.MaxDelay, length); i++ {
				lost[i] = true
			}
		},
	}
	out, err := r.play(ctx)
	if err == nil && out.cancelled {
		err = fault.New(fault.Interrupted, "the measurement was stopped").Mended("run it again to its end")
	}
	return x, lost, out.slip, err
}

// play is the monitor: the chirps on silence.
func (m *measurement) play(dst []float32, at int64) error {
	clear(dst)
	for _, start := range m.starts {
		for i := max(start, at); i < min(start+int64(len(m.chirp)), at+int64(len(dst))); i++ {
			dst[i-at] = m.chirp[i-start]
		}
	}
	return nil
}

// noEcho says what was heard in the place of an echo.
func (m *measurement) noEcho(dev device.Device, found, of int) error {
	heard := fmt.Sprintf("the input's loudest sound was %.0f dBFS", dsp.AmplitudeToDB(float64(m.peak)))
	mend := "join an output to the input by a cable, or hold the microphone to the headphone, turn up a little, and choose the right input"
	switch {
	case m.peak == 0:
		heard, mend = "the input is silent", "see that the microphone is on and not muted, and that the right input is chosen"
	case m.peak >= 0.999:
		heard, mend = "the input is overloaded", "turn the input or the output down"
	}
	return fault.New(fault.Device, "no echo was found through %s: %d of %d chirps came back, and %s", dev.Info(), found, of, heard).
		Mended("%s", mend)
}
