// Package rt is the audio callback and nothing else. It pops what is heard
// from a ring that is filled ahead, pushes what is sung into a ring that is
// drained later, and counts. It never locks, allocates, logs, or calls the
// system; a test lists its imports.
//
// One counter rules: stream frame 0 is the first frame of the first callback,
// for the output and the input alike. A late feeder costs sound (an underrun)
// and a late drain costs input (an overrun), but neither moves anything: late
// sound is thrown away, lost input is handed on as silence in its place.
package rt

import (
	"math"
	"sync/atomic"

	"cuechoir/internal/ring"
)

// Ceiling is the limit of the output, linear: -1 dBFS, so that nothing that
// goes wrong upstream reaches the headphones at full scale.
const Ceiling = 0.8912509381337456 // 10^(-1/20)

// chunkFrames bounds the scratch space: a callback of any size is worked off
// in chunks of this many frames.
const chunkFrames = 512

// MaxInputs is how many input channels are captured at most.
const MaxInputs = 8

// Config shapes a Stream. Counts are of channels and frames.
type Config struct {
	OutChannels int // of the device; 0: nothing is played
	InChannels  int // of the device; 0: nothing is captured
	// Inputs are the input channels that are captured, from 0, in the order in
	// which Capture hands them on; at most MaxInputs. nil: the first.
	Inputs          []int
	MonitorChannels int   // 1 (to all outputs) or 2 (to the first two)
	MonitorFrames   int64 // length of what is heard; silence after it
	MonitorAhead    int   // room of the monitor ring in frames
	CaptureAhead    int   // room of the capture ring in frames
	SampleRate      int   // Hz, for the limiter's times; 0: 48000
	// Through is the gain, linear and at most 1, at which the captured input is
	// heard live; 0: not at all.
	Through    float32
	FadeFrames int // fade in at the start, after a gap, and out at Stop; 0: 240
}

// Stream is one run of a device from its first callback to its last.
// Callback belongs to the audio thread; Feed to one feeder goroutine;
// Capture and MonitorGap to one reader; the others to anyone.
type Stream struct {
	cfg     Config
	monitor *ring.Ring
	capture *ring.Ring

	frames   atomic.Int64 // stream frames done
	calls    atomic.Int64
	largest  atomic.Int64 // largest block seen, frames
	inPeak   [MaxInputs]atomic.Uint32
	outPeak  atomic.Uint32
	stopping atomic.Bool
	silent   atomic.Bool // the fade out after Stop has ended

	muted atomic.Bool // no live input any more

	missed gapQueue // output the feeder was late for
	lost   gapQueue // input that nobody kept

	input  [MaxInputs]int // channels that are captured
	inputs int            // how many

	// The callback's own.
	at      int64
	late    int64 // monitor samples still to come for a time that is over
	gain    float32
	step    float32
	through float32 // gain of the live input now
	ahead   ahead
	limit   limiter
	scratch [2 * chunkFrames]float32
	coming  [2 * aheadMost]float32

	// The reader's own.
	readAt int64
	hole   Gap
}

// New makes a stream. Values out of range are brought into it.
func New(c Config) *Stream {
	c.OutChannels = max(c.OutChannels, 0)
	c.InChannels = max(c.InChannels, 0)
	c.MonitorChannels = min(max(c.MonitorChannels, 1), 2)
	if c.FadeFrames <= 0 {
		c.FadeFrames = 240
	}
	if !(c.Through > 0) || c.InChannels == 0 {
		c.Through = 0
	}
	c.Through = min(c.Through, 1)
	s := &Stream{
		cfg:     c,
		monitor: ring.New(max(c.MonitorAhead, 1) * c.MonitorChannels),
		step:    1 / float32(c.FadeFrames),
		inputs:  1,
	}
	if n := min(len(c.Inputs), MaxInputs); n > 0 {
		s.inputs = n
		for i, k := range c.Inputs[:n] {
			s.input[i] = min(max(k, 0), max(c.InChannels-1, 0))
		}
	}
	s.capture = ring.New(max(c.CaptureAhead, 1) * s.inputs)
	s.ahead.init(c.SampleRate)
	s.limit.init(c.SampleRate)
	return s
}

// Callback does one block: frames frames of interleaved output and input.
// in == nil on a stream with inputs means that the device lost the input of
// these frames.
func (s *Stream) Callback(out, in []float32, frames int) {
	if s.cfg.OutChannels > 0 {
		s.play(out, in, frames)
	}
	if s.cfg.InChannels > 0 {
		s.keep(in, frames)
	}
	s.at += int64(frames)
	s.frames.Store(s.at)
	s.calls.Add(1)
	if int64(frames) > s.largest.Load() {
		s.largest.Store(int64(frames))
	}
}

// play fills out from the monitor ring, and from in when it is heard live.
func (s *Stream) play(out, in []float32, frames int) {
	channels := s.cfg.OutChannels
	frames = min(frames, len(out)/channels)
	peak := float32(0)
	for done := 0; done < frames; {
		n := min(chunkFrames, frames-done)
		s.popMonitor(s.at+int64(done), n)
		s.turnDown(s.at+int64(done), n)
		if s.cfg.Through > 0 {
			s.addThrough(in, done, n)
		}
		block := out[done*channels : (done+n)*channels]
		if s.cfg.MonitorChannels == 2 {
			peak = max(peak, s.spreadStereo(block, channels, n))
		} else {
			peak = max(peak, s.spreadMono(block, channels, n))
		}
		done += n
	}
	raise(&s.outPeak, peak)
	s.limit.publish(frames)
	if s.stopping.Load() && s.gain == 0 {
		s.silent.Store(true)
	}
}

// popMonitor puts n frames that are due at stream frame at into scratch;
// what is missing is silence, counted where it falls.
func (s *Stream) popMonitor(at int64, n int) {
	width := s.cfg.MonitorChannels
	want := int(max(min(int64(n), s.cfg.MonitorFrames-at), 0))
	got := 0
	if want > 0 {
		if s.late > 0 {
			s.late -= int64(s.monitor.Skip(int(s.late)))
		}
		if s.late == 0 {
			got = s.monitor.Read(s.scratch[:want*width]) / width
		}
	}
	clear(s.scratch[got*width : n*width])
	if got > 0 || want == 0 {
		s.missed.close()
	}
	if got < want {
		s.late += int64((want - got) * width)
		s.missed.grow(at+int64(got), int64(want-got))
		if got == 0 {
			s.gain = 0 // come back softly
		}
	}
}

// turnDown holds n frames of monitor, due at stream frame at, under the ceiling,
// with an eye on those that come after them.
func (s *Stream) turnDown(at int64, n int) {
	width, a := s.cfg.MonitorChannels, &s.ahead
	for a.known < at+int64(n) {
		a.learn(framePeak(s.scratch[int(a.known-at)*width:], width))
	}
	if s.late == 0 {
		coming := s.coming[:a.frames*width]
		got := int64(s.monitor.Peek(coming) / width)
		for a.known < at+int64(n)+got {
			a.learn(framePeak(coming[int(a.known-at-int64(n))*width:], width))
		}
	}
	for i := range n {
		if g := a.gain(at + int64(i)); g < 1 {
			s.limit.least = min(s.limit.least, g)
			for c := range width {
				s.scratch[i*width+c] *= g
			}
		}
	}
}

// framePeak is the largest absolute sample of a frame; what is no sound counts as 0.
func framePeak(x []float32, width int) float32 {
	peak := abs(finite(x[0]))
	if width == 2 {
		peak = max(peak, abs(finite(x[1])))
	}
	return peak
}

// addThrough adds the live input of n frames, from frame from of the block on.
func (s *Stream) addThrough(in []float32, from, n int) {
	width, channels, target := s.cfg.MonitorChannels, s.cfg.InChannels, s.cfg.Through
	if s.muted.Load() {
		target = 0
	}
	n = min(n, len(in)/channels-from)
	for i := range n {
		if s.through < target {
			s.through = min(s.through+s.step, target)
		} else if s.through > target {
			s.through = max(s.through-s.step, target)
		}
		v := float32(0)
		for _, k := range s.input[:s.inputs] {
			v += in[(from+i)*channels+k]
		}
		v *= s.through
		for c := range width {
			s.scratch[i*width+c] += v
		}
	}
}

// nextGain moves the fade by one frame.
func (s *Stream) nextGain(target float32) float32 {
	if s.gain < target {
		s.gain = min(s.gain+s.step, target)
	} else if s.gain > target {
		s.gain = max(s.gain-s.step, target)
	}
	return s.gain
}

func (s *Stream) target() float32 {
	if s.stopping.Load() {
		return 0
	}
	return 1
}

// spreadMono writes the mono scratch to every output channel.
func (s *Stream) spreadMono(block []float32, channels, n int) (peak float32) {
	target := s.target()
	for i := range n {
		v := finite(s.scratch[i] * s.nextGain(target))
		v = safe(v * s.limit.next(abs(v)))
		peak = max(peak, abs(v))
		frame := block[i*channels : (i+1)*channels]
		for c := range frame {
			frame[c] = v
		}
	}
	return peak
}

// spreadStereo writes left and right to the first two output channels, or
// their mean when there is only one.
func (s *Stream) spreadStereo(block []float32, channels, n int) (peak float32) {
	target := s.target()
	for i := range n {
		gain := s.nextGain(target)
		left, right := finite(s.scratch[2*i]*gain), finite(s.scratch[2*i+1]*gain)
		gain = s.limit.next(max(abs(left), abs(right)))
		left, right = safe(left*gain), safe(right*gain)
		peak = max(peak, abs(left), abs(right))
		frame := block[i*channels : (i+1)*channels]
		clear(frame)
		if channels == 1 {
			frame[0] = (left + right) / 2
			continue
		}
		frame[0], frame[1] = left, right
	}
	return peak
}

// keep pushes the chosen input channels into the capture ring. After a loss
// nothing is pushed until the gap's place is known to the reader.
func (s *Stream) keep(in []float32, frames int) {
	channels := s.cfg.InChannels
	have := min(frames, len(in)/channels)
	for done := 0; done < have; {
		n := min(len(s.scratch)/s.inputs, have-done)
		for k, channel := range s.input[:s.inputs] {
			raise(&s.inPeak[k], s.pick(in[done*channels:], channel, k, n))
		}
		at := s.at + int64(done)
		kept := 0
		if s.capture.Free() >= s.inputs && s.lost.close() {
			kept = min(n, s.capture.Free()/s.inputs)
			kept = s.capture.Write(s.scratch[:kept*s.inputs]) / s.inputs
		}
		s.lost.grow(at+int64(kept), int64(n-kept))
		done += n
	}
	s.lost.grow(s.at+int64(have), int64(frames-have))
}

// pick puts n frames of a channel into scratch as its input k.
func (s *Stream) pick(in []float32, channel, k, n int) (peak float32) {
	channels := s.cfg.InChannels
	for i := range n {
		v := finite(in[i*channels+channel])
		peak = max(peak, abs(v))
		s.scratch[i*s.inputs+k] = v
	}
	return peak
}

// finite makes silence of what is no sound: NaN and infinity.
func finite(v float32) float32 {
	if v-v != 0 {
		return 0
	}
	return v
}

// safe is the last gate before the loudspeaker, behind the limiter: nothing
// passes the ceiling, whatever the rounding.
func safe(v float32) float32 {
	switch {
	case v > Ceiling:
		return Ceiling
	case v < -Ceiling:
		return -Ceiling
	}
	return v
}

func abs(v float32) float32 { return math.Float32frombits(math.Float32bits(v) &^ (1 << 31)) }

// raise lifts a peak meter that a reader may empty at any time. It tries
// again only when the reader has just emptied it.
func raise(meter *atomic.Uint32, peak float32) {
	bits := math.Float32bits(peak) // for values >= 0 the order of bits is the order of floats
	for {
		old := meter.Load()
		if bits <= old || meter.CompareAndSwap(old, bits) {
			return
		}
	}
}
