package track

import (
	"context"
	"fmt"
	"math"
	"time"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// Plan says what is heard and recorded. Positions are samples of the
// timeline, 0 being the first sample of the reference's frame 0.
type Plan struct {
	SampleRate int   // Hz; the device must run at it
	From, To   int64 // from the start of the count-in (may be negative) to the end
	// Monitor fills one mono block that is heard from timeline sample at on.
	// It runs on a goroutine of its own, ahead of time. nil: silence.
	Monitor        func(dst []float32, at int64) error
	MonitorGainDB  float64
	RoundTrip      int64               // samples from the output to the input
	RoundTripKnown take.RoundTripKnown // "": typed, or assumed-zero when RoundTrip is 0
	// TailSamples are recorded beyond To, so that the late input of the end is
	// caught; never less than RoundTrip, at most To - From when passes loop.
	TailSamples int64
	// Punch records a stretch of the plan alone; the zero Punch records all.
	Punch        Punch
	Through      Through       // the voice itself in the headphones
	InputChannel int           // from 0
	StallLimit   time.Duration // a device silent for longer has failed; 0: 3 s
}

// Punch is the stretch that is recorded while the plan runs: from In to Out,
// and Handle samples more on either side, as far as the plan goes, so that a
// comp has something to fade over. The take marks In to Out as its useful span.
// The zero Punch is none.
type Punch struct{ In, Out, Handle int64 }

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

// Status is how a recording stands, some twenty times a second.
type Status struct {
	At            int64   // timeline sample that is put out now
	Pass          int     // from 0
	PeakDB        float64 // largest input since the last Status, dBFS; -Inf for silence
	Dropouts      int     // spans of input lost so far
	Unheard       int     // spans of monitor that came too late
	LimiterDB     float64 // how far the limiter turned the output down since the last Status, at most 0
	Muted         bool    // feedback was noticed: the live input is out of the output
	TimeLeft      time.Duration
	TimeLeftKnown bool
}

// Result is a recording that has ended.
type Result struct {
	Take         take.Info // as it stands on the disk
	Frames       int64     // samples recorded
	Start        int64     // timeline sample of the take's first
	Dropouts     []take.Dropout
	Unheard      []take.Dropout
	Interrupted  bool        // ctx ended it
	Slip         device.Slip // the device's count left the wall clock
	LargestBlock int64
	Limited      int64 // frames, to the block, in which the limiter turned the output down
	// MutedAt is the stream frame at which feedback was noticed and the live
	// input taken out of the output; 0: never.
	MutedAt int64
}

// Record plays the plan's monitor and records the input into w, from From to
// To and the tail. It ends w in any case. When ctx is cancelled the take ends
// cleanly: Interrupted, no error. When the device vanishes, the disk is full
// or the monitor fails, what was sung is kept and the Result stands beside
// the error. Errors: Usage, Device, DiskFull, NotMet (nothing was recorded),
// and what Monitor gave.
func Record(ctx context.Context, dev device.Device, p Plan, w *take.Writer, progress func(Status)) (Result, error) {
	used := false
	results, err := RecordPasses(ctx, dev, p, 1, func(int) (*take.Writer, error) {
		used = true
		return w, nil
	}, progress)
	if !used { // refused before it began: w holds nothing, and leaves nothing
		_, endErr := w.Finish()
		if err == nil {
			err = endErr
		}
	}
	if len(results) == 0 {
		return Result{}, err
	}
	return results[0], err
}

// RecordPasses records the span of the plan over and over in one stream
// without a gap, one take a pass: newTake gives the writer of each. passes 0
// goes on until ctx ends it. The tail of a pass is recorded while the next
// one begins. The Results are of the passes that hold sound.
func RecordPasses(ctx context.Context, dev device.Device, p Plan, passes int, newTake func(pass int) (*take.Writer, error), progress func(Status)) ([]Result, error) {
	p, err := p.checked(dev, passes)
	if err != nil {
		return nil, err
	}
	span := p.To - p.From
	r := recorder{plan: p, span: span, dev: dev, passes: passes, newTake: newTake}
	r.skip, r.keepLen = p.kept()
	length := int64(maxStreamFrames)
	if passes > 0 {
		length = span*int64(passes) + p.TailSamples
	}
	stream := &run{
		dev: dev, input: p.InputChannel, length: length, width: 1,
		monitor: r.monitor, monitorLen: length - p.TailSamples, gainDB: p.MonitorGainDB, through: p.Through, stallLimit: p.StallLimit,
		lastWord: min(p.RoundTrip, int64(p.SampleRate)) + int64(fadeSeconds*float64(p.SampleRate)),
		drain:    r.keep, unheard: r.unheard,
	}
	if p.Monitor == nil {
		stream.monitorLen = 0
	}
	if progress != nil {
		stream.status = func(s streamStatus) { progress(r.statusOf(s)) }
	}
	// The first take is made before the device starts: what cannot be
	// written is known before anyone sings.
	if err := r.open(0); err != nil {
		return nil, err
	}
	r.slip = func() device.Slip { return stream.clock.Slip }
	out, err := stream.play(ctx)
	for len(r.writing) > 0 {
		r.finish(out, err)
	}
	for i := range r.results {
		res := &r.results[i]
		res.Slip, res.LargestBlock, res.Limited, res.MutedAt = out.slip, out.largest, out.limited, out.howledAt
	}
	if err == nil {
		err = r.err
	}
	if len(r.results) == 0 && err == nil {
		err = fault.New(fault.Interrupted, "stopped before anything was recorded")
	}
	return r.results, err
}

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
	case fm.InChannels == 0:
		return p, fault.New(fault.Device, "%s has no input", dev.Info()).Mended("choose a device with a microphone")
	case p.InputChannel < 0 || p.InputChannel >= fm.InChannels:
		return p, fault.New(fault.Usage, "there is no input %d: %s has %d", p.InputChannel+1, dev.Info(), fm.InChannels).
			Mended("choose an input from 1 to %d", fm.InChannels)
	case p.Through.On && !(p.Through.GainDB <= 0):
		return p, fault.New(fault.Usage, "a level of %+.1f dB for the voice itself is too loud", p.Through.GainDB).Mended("use 0 or less, and start low")
	case math.IsNaN(p.MonitorGainDB) || p.MonitorGainDB > 40:
		return p, fault.New(fault.Usage, "a monitor gain of %v dB is out of range", p.MonitorGainDB).Mended("at most 40 dB")
	}
	return p, nil
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

// recorder spreads the captured stream over the takes of its passes.
type recorder struct {
	plan    Plan
	span    int64
	dev     device.Device
	passes  int // 0: endless
	newTake func(int) (*take.Writer, error)
	writing []passTake // being written, the oldest first; two while a tail rings
	begun   int        // passes begun
	skip    int64      // samples of a pass before its take begins
	keepLen int64      // samples of a take
	slip    func() device.Slip
	late    []heardGap // what was not heard of late, for takes that begin after it was told
	results []Result
	err     error // of ending a take
}

// heardGap is a span of the stream that the singer heard as silence.
type heardGap struct{ at, frames int64 }

// lateRoom is how many such spans are remembered.
const lateRoom = 64

// passTake is the take of one pass: its sample 0 is stream sample from. That of
// the first pass is made before the stream gets there.
type passTake struct {
	pass   int
	from   int64
	writer *take.Writer
}

// open begins the take of a pass.
func (r *recorder) open(pass int) error {
	w, err := r.newTake(pass)
	if err != nil {
		return err
	}
	fm := r.dev.Format()
	w.Describe(r.dev.Info().String(), fmt.Sprintf("input %d of %d", r.plan.InputChannel+1, fm.InChannels))
	start := r.plan.From - r.plan.RoundTrip + r.skip
	if k := r.plan.Punch; !k.none() {
		if err := w.SetUseful(k.In-start, k.Out-k.In); err != nil {
			w.Finish()
			return err
		}
	}
	err = w.Place(start, r.plan.RoundTrip, r.plan.RoundTripKnown)
	if rate := w.Info().SampleRate; err == nil && rate != r.plan.SampleRate {
		err = fault.New(fault.Usage, "the take is of %d Hz, the plan of %d", rate, r.plan.SampleRate)
	}
	if err != nil {
		w.Finish()
		return err
	}
	t := passTake{pass, int64(pass)*r.span + r.skip, w}
	r.writing = append(r.writing, t)
	r.begun = pass + 1
	for _, g := range r.late {
		r.noteUnheard(t, g)
	}
	return nil
}

// monitor gives the block of the timeline that is heard at stream sample at.
func (r *recorder) monitor(dst []float32, at int64) error {
	for len(dst) > 0 {
		in := at % r.span
		n := min(int64(len(dst)), r.span-in)
		if err := r.plan.Monitor(dst[:n], r.plan.From+in); err != nil {
			return err
		}
		dst, at = dst[n:], at+n
	}
	return nil
}

// keep writes captured samples to each take that covers them.
func (r *recorder) keep(x []float32, at int64, lost bool) error {
	for len(x) > 0 {
		edge := r.nextBegin()
		if at == edge {
			if err := r.open(r.begun); err != nil {
				return err
			}
			continue
		}
		if len(r.writing) > 0 {
			oldest := r.writing[0]
			end := oldest.from + r.keepLen
			if at == end {
				r.finish(outcome{}, nil)
				continue
			}
			if edge = min(edge, end); at < oldest.from {
				edge = min(edge, oldest.from)
			}
		}
		n := min(int64(len(x)), edge-at)
		for _, t := range r.writing {
			if at < t.from {
				continue
			}
			if err := t.writer.Append(x[:n]); err != nil {
				return err
			}
			if lost {
				t.writer.AddDropout(at-t.from, n)
			}
		}
		x, at = x[n:], at+n
	}
	return nil
}

// nextBegin is the stream sample at which the next take begins.
func (r *recorder) nextBegin() int64 {
	if r.passes > 0 && r.begun >= r.passes {
		return math.MaxInt64
	}
	return int64(r.begun)*r.span + r.skip
}

// unheard notes what the singer did not hear, in the takes that are being
// written and in those that begin soon.
func (r *recorder) unheard(at, frames int64) {
	g := heardGap{at, frames}
	if len(r.late) == lateRoom {
		r.late = append(r.late[:0], r.late[1:]...)
	}
	r.late = append(r.late, g)
	for _, t := range r.writing {
		r.noteUnheard(t, g)
	}
}

// noteUnheard: put out at stream sample at, it would have come back RoundTrip
// later.
func (r *recorder) noteUnheard(t passTake, g heardGap) {
	begin := g.at + r.plan.RoundTrip - t.from
	end := min(begin+g.frames, r.keepLen)
	if begin = max(begin, 0); begin < end {
		t.writer.AddUnheard(begin, end-begin)
	}
}

// finish ends the oldest open take.
func (r *recorder) finish(out outcome, why error) {
	t := r.writing[0]
	r.writing = r.writing[1:]
	// A pass whose span is in is whole, whatever ended its tail.
	whole := t.writer.Info().Frames >= r.wanted()
	if s := r.slip(); s.Slipped {
		t.writer.SetSlipped(s.Frames)
	}
	switch {
	case whole:
	case why != nil:
		t.writer.SetStopped(why.Error())
	case out.cancelled:
		t.writer.SetStopped("stopped by hand")
	}
	info, err := t.writer.Finish()
	if fault.KindOf(err) == fault.NotMet { // no sample, no file
		if why == nil && !out.cancelled {
			r.err = err
		}
		return
	}
	if r.err == nil {
		r.err = err
	}
	r.results = append(r.results, Result{
		Take: info, Frames: info.Frames, Start: info.Start, Dropouts: info.Dropouts, Unheard: info.Unheard,
		Interrupted: out.cancelled && !whole,
	})
}

// wanted is how many samples make a take whole.
func (r *recorder) wanted() int64 {
	if k := r.plan.Punch; !k.none() {
		return k.Out - (r.plan.From - r.plan.RoundTrip + r.skip)
	}
	return r.span + r.plan.RoundTrip
}

// statusOf makes a Status for people.
func (r *recorder) statusOf(s streamStatus) Status {
	pass := s.at / r.span
	if r.passes > 0 {
		pass = min(pass, int64(r.passes-1))
	}
	st := Status{
		At: r.plan.From + s.at - pass*r.span, Pass: int(pass),
		PeakDB: 20 * math.Log10(float64(s.peak)), Dropouts: int(s.overruns), Unheard: int(s.underruns),
		LimiterDB: 20 * math.Log10(float64(s.limiter)), Muted: s.muted,
	}
	if len(r.writing) > 0 {
		st.TimeLeft, st.TimeLeftKnown = r.writing[len(r.writing)-1].writer.Room()
	}
	return st
}
