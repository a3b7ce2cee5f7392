// Package track is the transport: it plays what the singer hears, records
// what is sung, and keeps both on one counter of samples.
//
// The rule of place: a stream counts its samples from the first callback, the
// same for output and input. What is heard at timeline sample t was put out
// at stream sample t - From; a voice exactly in time with it arrives at the
// input RoundTrip samples later. So input sample i of the stream belongs at
// timeline sample From + i - RoundTrip, however late a feeder or a drain was:
// what they lose is silence in its place and is told.
package track

import (
	"context"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"cuechoir/internal/device"
	"cuechoir/internal/rt"
)

// Room of the rings, and how long a device may be silent.
const (
	monitorAhead = 1 << 16 // frames: 1.4 s at 48 kHz prepared ahead
	captureAhead = 1 << 18 // samples: 5.5 s at 48 kHz for a slow disk
	feedBlock    = 1 << 10 // frames prepared at a time
	drainBlock   = 1 << 12 // samples written at a time

	// Measured with PulseAudio: the first callback can come two seconds
	// after the start.
	firstCallbackLimit = 10 * time.Second
	defaultStallLimit  = 3 * time.Second
	hurryLimit         = 500 * time.Millisecond // after a cancel

	fadeSeconds      = 0.005 // no thump at start and stop
	statusPerSecond  = 20
	maxStreamFrames  = 1 << 46
	maxTimelineValue = 1 << 52
)

// run is one stream of a device: what is played and where the input goes.
type run struct {
	dev        device.Device
	inputs     []int // channels that are captured
	length     int64 // stream frames to capture (or to play, without input)
	width      int   // channels of monitor
	monitor    func(dst []float32, at int64) error
	monitorLen int64
	gainDB     float64
	through    Through
	stallLimit time.Duration
	now        func() time.Time                             // the clock; nil: time.Now
	lastWord   int64                                        // frames still captured after a cancel: they are on their way
	drain      func(x []float32, at int64, lost bool) error // x interleaved when there are several inputs
	unheard    func(at, frames int64)                       // may be nil
	status     func(s streamStatus)                         // may be nil

	stream   *rt.Stream
	clock    device.SlipClock
	howl     *howlGuard // nil when the input is not heard live
	howledAt int64      // stream frame at which feedback was muted; 0: never
	limited  int64      // limiter's count at the last look
	fed      feedState
	drainErr error // once drain has failed nothing more is given to it
}

// feedState is what the feeder tells the drain.
type feedState struct {
	stop  atomic.Bool
	ended sync.WaitGroup
	err   error // read after ended
	bad   atomic.Bool
}

// streamStatus is what is shown while a stream runs.
type streamStatus struct {
	at        int64                 // stream frames done
	peaks     [rt.MaxInputs]float32 // of the inputs
	underruns int64
	overruns  int64
	limiter   float32 // lowest gain of the limiter, linear
	muted     bool    // feedback was noticed
}

// outcome is how a stream ended.
type outcome struct {
	cancelled bool
	frames    int64 // captured, or played without input
	slip      device.Slip
	largest   int64
	limited   int64 // frames, to the block
	howledAt  int64
}

// play runs the stream from start to end. The device is stopped when it
// returns. What was captured up to an error has gone to drain.
func (r *run) play(ctx context.Context) (outcome, error) {
	fm := r.dev.Format()
	r.stream = rt.New(rt.Config{
		OutChannels: fm.OutChannels, InChannels: fm.InChannels, Inputs: r.inputs,
		MonitorChannels: r.width, MonitorFrames: r.monitorLen,
		MonitorAhead: max(monitorAhead, 4*fm.PeriodFrames), CaptureAhead: max(captureAhead, 4*fm.PeriodFrames),
		FadeFrames: int(fadeSeconds * float64(fm.SampleRate)), SampleRate: fm.SampleRate, Through: r.through.gain(),
	})
	if r.through.On {
		r.howl = newHowlGuard(fm.SampleRate)
	}
	r.clock.PeriodFrames = fm.PeriodFrames
	if device.WallClock(r.dev) {
		r.clock.SampleRate = float64(fm.SampleRate)
	}
	r.startFeeder(fm.OutChannels > 0)
	defer r.stopFeeder()
	r.prefill()
	if s, ok := r.dev.(device.Stepped); ok {
		s.Gate(r.ready)
	}
	if err := r.dev.Start(r.stream.Callback); err != nil {
		return outcome{}, err
	}
	cancelled, err := r.loop(ctx)
	stopErr := r.dev.Stop()
	r.stopFeeder()
	if r.drainErr == nil {
		if e := r.drainRest(); err == nil {
			err = e
		}
	}
	r.tell(r.stream.Frames())
	if err == nil {
		err = r.fed.err
	}
	if err == nil {
		err = stopErr
	}
	out := outcome{cancelled: cancelled, frames: r.stream.Captured(), slip: r.clock.Slip, largest: r.stream.LargestBlock(),
		limited: r.stream.Limited(), howledAt: r.howledAt}
	if fm.InChannels == 0 {
		out.frames = min(r.stream.Frames(), r.length)
	}
	return out, err
}

// loop drains until the end, a cancel or an error.
func (r *run) loop(ctx context.Context) (cancelled bool, err error) {
	until := r.length
	buf := make([]float32, drainBlock*r.stream.Inputs())
	var idle pause
	if r.now == nil {
		r.now = time.Now
	}
	watch, sleep := newWatchdog(r.stallLimit, r.now), watchSleep()
	defer sleep.stop()
	nextStatus, seen := int64(0), int64(0)
	done := ctx.Done()
	for r.position() < until {
		select {
		case <-done:
			// The voice of this moment is still on its way through the device.
			done, cancelled = nil, true
			r.stream.Stop()
			until = min(until, r.stream.Frames()+r.lastWord)
			watch.hurry()
		default:
		}
		n, err := r.drainSome(buf, until)
		if err != nil {
			return cancelled, err
		}
		frames := r.stream.Frames()
		if frames != seen { // a device that has ended has not lost its count
			r.clock.See(r.now(), frames)
			seen = frames
		}
		if frames >= nextStatus {
			nextStatus = frames + int64(r.dev.Format().SampleRate/statusPerSecond)
			r.tell(frames)
		}
		if n > 0 {
			idle.reset()
			continue
		}
		if err := r.dev.Err(); err != nil {
			return cancelled, err
		}
		if r.fed.bad.Load() {
			r.stream.Stop()
			return cancelled, nil // play gives the feeder's own error
		}
		if err := watch.see(frames); err != nil {
			if cancelled {
				return true, nil
			}
			return cancelled, err
		}
		idle.wait()
		if err := sleep.err(); err != nil && device.WallClock(r.dev) && !cancelled {
			return cancelled, err
		}
	}
	return cancelled, nil
}

// position is how far the stream has been worked off.
func (r *run) position() int64 {
	if r.dev.Format().InChannels == 0 {
		return r.stream.Frames()
	}
	return r.stream.Captured()
}

// drainSome hands on what waits, up to one block and not beyond until.
func (r *run) drainSome(buf []float32, until int64) (int, error) {
	r.hearGaps()
	at, width := r.stream.Captured(), int64(r.stream.Inputs())
	buf = buf[:min(int64(len(buf)), max(until-at, 0)*width)]
	n, lost := r.stream.Capture(buf)
	if n == 0 {
		return 0, nil
	}
	buf = buf[:n*int(width)]
	r.listen(buf, at, n)
	r.drainErr = r.drain(buf, at, lost)
	return n, r.drainErr
}

// listen looks for feedback in n frames, in all inputs together as they are heard,
// and takes the live input out when there is some.
func (r *run) listen(x []float32, at int64, n int) {
	if r.howl == nil {
		return
	}
	if width := r.stream.Inputs(); width > 1 {
		sum := make([]float32, n)
		for i, v := range x {
			sum[i/width] += v
		}
		x = sum
	}
	limited := r.stream.Limited()
	if r.howl.hear(x, limited > r.limited) {
		r.stream.Mute()
		r.howledAt = at + int64(n)
	}
	r.limited = limited
}

func (r *run) hearGaps() {
	for {
		g, ok := r.stream.MonitorGap()
		if !ok {
			return
		}
		if r.unheard != nil {
			r.unheard(g.At, g.Frames)
		}
	}
}

// drainRest takes what is left after the device has stopped.
func (r *run) drainRest() error {
	buf := make([]float32, drainBlock*r.stream.Inputs())
	for {
		published := r.stream.Finish()
		n, err := r.drainSome(buf, r.length)
		if err != nil {
			return err
		}
		if n == 0 && published {
			r.hearGaps()
			return nil
		}
	}
}

// tell reports the state of the stream.
func (r *run) tell(frames int64) {
	if r.status == nil {
		return
	}
	underruns, _, overruns, _ := r.stream.Counts()
	s := streamStatus{at: frames, underruns: underruns, overruns: overruns, limiter: r.stream.LimiterGain(), muted: r.howledAt > 0}
	for k := range r.stream.Inputs() {
		s.peaks[k] = r.stream.InputPeak(k)
	}
	r.status(s)
}

// ready is the gate of a stepped device: nothing is late.
func (r *run) ready(n int) bool {
	owed := min(int64(n), r.monitorLen-r.stream.Frames())
	fm := r.dev.Format()
	heard := fm.OutChannels == 0 || int64(r.stream.Fed()) >= owed || r.fed.stop.Load()
	// Not far ahead of the drain either, so that a Status is of its moment.
	waiting := r.stream.CaptureSize() - r.stream.CaptureRoom()
	kept := fm.InChannels == 0 || waiting == 0 || waiting+n <= fm.SampleRate/statusPerSecond
	return heard && kept && r.stream.Frames() < r.length
}

// startFeeder fills the monitor ring ahead, on a goroutine of its own.
func (r *run) startFeeder(heard bool) {
	if !heard || r.monitorLen == 0 {
		r.monitorLen = 0
		return
	}
	r.fed.ended.Go(func() {
		if err := r.feed(); err != nil {
			r.fed.err = err
			r.fed.bad.Store(true)
		}
	})
}

// feed prepares block after block until the end.
func (r *run) feed() error {
	block := make([]float32, feedBlock*r.width)
	gain := float32(math.Pow(10, r.gainDB/20))
	var idle pause
	for at := int64(0); at < r.monitorLen; {
		if r.fed.stop.Load() {
			return nil
		}
		n := int(min(feedBlock, r.monitorLen-at))
		if r.stream.FeedRoom() < n {
			idle.wait()
			continue
		}
		idle.reset()
		dst := block[:n*r.width]
		clear(dst)
		if r.monitor != nil {
			if err := r.monitor(dst, at); err != nil {
				return err
			}
		}
		for i := range dst {
			dst[i] *= gain
		}
		r.stream.Feed(dst)
		at += int64(n)
	}
	return nil
}

// prefill waits until the ring is as good as full, or the feeder has ended.
func (r *run) prefill() {
	goal := min(r.monitorLen, monitorAhead/2)
	var idle pause
	for begin := time.Now(); int64(r.stream.Fed()) < goal && !r.fed.bad.Load() && time.Since(begin) < defaultStallLimit; {
		idle.wait()
	}
}

func (r *run) stopFeeder() {
	r.fed.stop.Store(true)
	r.fed.ended.Wait()
}
