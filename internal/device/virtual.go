package device

import (
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"cuechoir/internal/fault"
)

// Mishap is what a virtual device does wrong, and when.
type Mishap int

const (
	LoseInput Mishap = iota // Frames of input are lost, and the device says so
	SlipInput               // Frames of input vanish without a word: what follows comes early
	Stall                   // no callback for Wait, then on
	Vanish                  // the device is gone
	Hang                    // no callback ever again, and no word
)

// Fault is one mishap at a stream frame.
type Fault struct {
	At     int64
	Kind   Mishap
	Frames int64
	Wait   time.Duration
}

const virtualPeriodFrames = 480

// Virtual is a device without hardware. The zero value is a silent
// microphone and two outputs at 48 kHz in blocks of 480 frames, on a clock
// that waits for its user. Set the fields before Start.
//
// Input sample i of the stream, on every input channel, is
// LoopGain * (first output at i - delay) + Microphone[i - MicrophoneAt] + noise;
// channel c hears Microphones[c] as well.
type Virtual struct {
	Name         string
	SampleRate   int   // Hz; 0: 48000
	PeriodFrames int   // 0: 480
	Blocks       []int // block sizes in turn, in the place of PeriodFrames
	OutChannels  int   // 0: 2; -1: none
	InChannels   int   // 0: 1; -1: none

	LoopDelay    int64   // round trip of the loop, frames; never less than the largest block
	LoopDelays   []int64 // one for each Start in turn, in the place of LoopDelay
	Waits        []int64 // what it tells of frames that wait in it, for each Start in turn; nil: it tells nothing
	LoopGain     float32 // 0: no loop
	NoisePeak    float32 // even noise at the input, the same on each run
	Microphone   []float32
	Microphones  [][]float32                   // one for each input channel, added to what all of them hear
	MicrophoneAt int64                         // of all microphones
	Source       func(dst []float32, at int64) // added to the input, called for each block
	Listener     func(out []float32)           // hears each block's output, interleaved; it must not keep it

	Faults    []Fault       // in order of At
	Realtime  bool          // blocks come by the wall clock
	FreeRun   bool          // blocks come as fast as they can, whoever is late
	StartWait time.Duration // before the first callback

	ready   func(int) bool
	starts  atomic.Int64
	quit    chan struct{}
	stopped sync.WaitGroup
	err     atomic.Pointer[fault.Error]
}

// Format says how the device streams, defaults filled in.
func (v *Virtual) Format() Format {
	return Format{
		SampleRate:   orDefault(v.SampleRate, defaultSampleRate),
		PeriodFrames: orDefault(v.PeriodFrames, virtualPeriodFrames),
		OutChannels:  max(orDefault(v.OutChannels, 2), 0),
		InChannels:   max(orDefault(v.InChannels, 1), 0),
	}
}

func orDefault(n, otherwise int) int {
	if n == 0 {
		return otherwise
	}
	return n
}

// Info names the device.
func (v *Virtual) Info() Info {
	name := v.Name
	if name == "" {
		name = "virtual"
	}
	return Info{Kind: "virtual", Backend: "virtual", Output: name, Input: name}
}

// Gate makes the clock wait until ready(frames) is true before each block.
// Without it, and with Realtime or FreeRun, nothing waits.
func (v *Virtual) Gate(ready func(frames int) bool) { v.ready = ready }

// WallClock says whether blocks come by the wall clock.
func (v *Virtual) WallClock() bool { return v.Realtime }

// TellsWaiting says whether Waits are told.
func (v *Virtual) TellsWaiting() bool { return len(v.Waits) > 0 }

// Waiting is what is told to wait since the last Start.
func (v *Virtual) Waiting() Waiting {
	n := int(v.starts.Load())
	if n == 0 || len(v.Waits) == 0 {
		return Waiting{}
	}
	return Waiting{Known: true, Frames: v.Waits[(n-1)%len(v.Waits)]}
}

// Err says what happened since Start.
func (v *Virtual) Err() error {
	if e := v.err.Load(); e != nil {
		return e
	}
	return nil
}

// Start begins a new stream on a goroutine of its own.
func (v *Virtual) Start(cb Callback) error {
	if v.quit != nil {
		return fault.New(fault.Device, "the device is running already")
	}
	if v.Format().SampleRate < 0 || v.PeriodFrames < 0 || v.LoopDelay < 0 {
		return fault.New(fault.Usage, "a virtual device with a negative rate, period or delay")
	}
	v.err.Store(nil)
	delay := v.LoopDelay
	starts := int(v.starts.Add(1))
	if len(v.LoopDelays) > 0 {
		delay = v.LoopDelays[(starts-1)%len(v.LoopDelays)]
	}
	v.quit = make(chan struct{})
	r := newVirtualRun(v, cb, delay)
	v.stopped.Go(r.run)
	return nil
}

// Stop ends the stream; no callback runs after it.
func (v *Virtual) Stop() error {
	if v.quit == nil {
		return nil
	}
	close(v.quit)
	v.stopped.Wait()
	v.quit = nil
	return nil
}

// Close stops the stream.
func (v *Virtual) Close() error { return v.Stop() }

// virtualRun is one stream of a Virtual.
type virtualRun struct {
	v      *Virtual
	cb     Callback
	fm     Format
	quit   chan struct{}
	delay  int64
	loop   []float32 // the last outputs, by position modulo its length
	noise  *rand.Rand
	at     int64 // frames done
	ahead  int64 // frames that silent slips have taken out of the input
	faults []Fault
	began  time.Time
	out    []float32
	in     []float32
	mono   []float32
}

func newVirtualRun(v *Virtual, cb Callback, delay int64) *virtualRun {
	largest := v.Format().PeriodFrames
	for _, n := range v.Blocks {
		largest = max(largest, n)
	}
	var slips int64
	for _, f := range v.Faults {
		if f.Kind == SlipInput {
			slips += f.Frames
		}
	}
	fm := v.Format()
	// What a callback plays can be heard by the next one at the earliest.
	delay = max(delay, int64(largest))
	return &virtualRun{
		v: v, cb: cb, fm: fm, quit: v.quit, delay: delay,
		loop:   make([]float32, delay+slips+int64(largest)+1),
		noise:  rand.New(rand.NewPCG(1, uint64(v.starts.Load()))),
		faults: v.Faults,
		out:    make([]float32, largest*fm.OutChannels),
		in:     make([]float32, largest*fm.InChannels),
		mono:   make([]float32, largest),
	}
}

func (r *virtualRun) run() {
	if !r.pause(r.v.StartWait) {
		return
	}
	r.began = time.Now()
	for turn := 0; ; turn++ {
		n := r.fm.PeriodFrames
		if len(r.v.Blocks) > 0 {
			n = r.v.Blocks[turn%len(r.v.Blocks)]
		}
		lost, alive := r.mishaps(&n)
		if !alive || !r.wait(n) {
			return
		}
		r.block(n, lost)
	}
}

// mishaps carries out what is due, and shortens n so that the next fault
// falls on the edge of a block. lost says that this block's input is lost.
func (r *virtualRun) mishaps(n *int) (lost, alive bool) {
	for len(r.faults) > 0 && r.faults[0].At <= r.at {
		f := r.faults[0]
		switch f.Kind {
		case LoseInput:
			if left := f.At + f.Frames - r.at; left > 0 {
				*n = int(min(int64(*n), left))
				return true, true
			}
		case SlipInput:
			r.ahead += f.Frames
		case Stall:
			if !r.pause(f.Wait) {
				return false, false
			}
			r.began = r.began.Add(f.Wait)
		case Vanish:
			r.v.err.Store(fault.New(fault.Device, "the sound device has vanished").
				Mended("plug it in again; what was sung is kept"))
			return false, false
		case Hang:
			<-r.quit
			return false, false
		}
		r.faults = r.faults[1:]
	}
	if len(r.faults) > 0 {
		*n = int(min(int64(*n), r.faults[0].At-r.at))
	}
	return false, true
}

// wait holds the clock until the block may run; false when the stream ends.
func (r *virtualRun) wait(n int) bool {
	switch {
	case r.v.Realtime:
		due := r.began.Add(time.Duration(float64(r.at+int64(n)) / float64(r.fm.SampleRate) * float64(time.Second)))
		return r.pause(time.Until(due))
	case r.v.FreeRun || r.v.ready == nil:
		return r.pause(0)
	}
	for tries := 0; !r.v.ready(n); tries++ {
		// The user's goroutine needs the processor more than the clock does.
		if !r.pause(min(time.Duration(tries)*10*time.Microsecond, time.Millisecond)) {
			return false
		}
	}
	return r.pause(0)
}

// pause sleeps, and is false when the stream was stopped.
func (r *virtualRun) pause(d time.Duration) bool {
	if d <= 0 {
		select {
		case <-r.quit:
			return false
		default:
			return true
		}
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-r.quit:
		return false
	case <-timer.C:
		return true
	}
}

// block makes the input, runs the callback and keeps the output for the loop.
func (r *virtualRun) block(n int, lost bool) {
	out := r.out[:n*r.fm.OutChannels]
	in := r.in[:n*r.fm.InChannels]
	clear(out)
	r.makeInput(in, n)
	if lost || r.fm.InChannels == 0 {
		in = nil
	}
	if r.fm.OutChannels == 0 {
		out = nil
	}
	r.cb(out, in, n)
	if r.v.Listener != nil {
		r.v.Listener(out)
	}
	if r.fm.OutChannels > 0 {
		for i := range n {
			r.loop[(r.at+int64(i))%int64(len(r.loop))] = out[i*r.fm.OutChannels]
		}
	}
	r.at += int64(n)
}

// own is what a channel's own microphone hears at a stream frame.
func (v *Virtual) own(channel int, at int64) float32 {
	if channel >= len(v.Microphones) {
		return 0
	}
	x := v.Microphones[channel]
	if k := at - v.MicrophoneAt; k >= 0 && k < int64(len(x)) {
		return x[k]
	}
	return 0
}

func (r *virtualRun) makeInput(in []float32, n int) {
	mono := r.mono[:n]
	clear(mono)
	if r.v.Source != nil {
		r.v.Source(mono, r.at+r.ahead)
	}
	for i := range mono {
		at := r.at + int64(i) + r.ahead
		if r.v.LoopGain != 0 {
			if from := at - r.delay; from >= 0 && from < r.at {
				mono[i] += r.v.LoopGain * r.loop[from%int64(len(r.loop))]
			}
		}
		if k := at - r.v.MicrophoneAt; k >= 0 && k < int64(len(r.v.Microphone)) {
			mono[i] += r.v.Microphone[k]
		}
		if r.v.NoisePeak != 0 {
			mono[i] += r.v.NoisePeak * (2*r.noise.Float32() - 1)
		}
		for c := range r.fm.InChannels {
			in[i*r.fm.InChannels+c] = mono[i] + r.v.own(c, at)
		}
	}
}
