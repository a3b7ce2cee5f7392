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
	r.ear = newOwnEar(p)
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
	if !r.ear.done { // it ended before the ear had enough
		if e := r.hear(); err == nil {
			err = e
		}
	}
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
	shift   int64 // samples by which this stream's round trip is longer than the plan's
	settled bool  // what waits in the device is known, or never will be
	ear     ownEar
	heard   *take.Heard // the program's own sound in the input
	late    []heardGap  // what was not heard of late, for takes that begin after it was told
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
	err = r.place(w)
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

// place says where a pass's take begins, and what of it was punched in.
func (r *recorder) place(w *take.Writer) error {
	trip := r.plan.RoundTrip + r.shift
	start := r.plan.From - trip + r.skip
	if k := r.plan.Punch; !k.none() {
		in := max(k.In-start, 0)
		if err := w.SetUseful(in, k.Out-start-in); err != nil {
			return err
		}
	}
	if r.heard != nil {
		w.SetHeard(*r.heard)
	}
	return w.Place(start, trip, r.plan.RoundTripKnown)
}

// monitor gives the block of the timeline that is heard at stream sample at.
func (r *recorder) monitor(dst []float32, at int64) error { return r.looped(r.plan.Monitor, dst, at) }

// looped fills a block that is put out at stream sample at.
func (r *recorder) looped(fill func([]float32, int64) error, dst []float32, at int64) error {
	for len(dst) > 0 {
		in := at % r.span
		n := min(int64(len(dst)), r.span-in)
		if err := fill(dst[:n], r.plan.From+in); err != nil {
			return err
		}
		dst, at = dst[n:], at+n
	}
	return nil
}

// keep writes captured samples to each take that covers them.
func (r *recorder) keep(x []float32, at int64, lost bool) error {
	if err := r.settle(); err != nil {
		return err
	}
	if r.ear.take(x, at, lost) {
		if err := r.hear(); err != nil {
			return err
		}
	}
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
	begin := g.at + r.plan.RoundTrip + r.shift - t.from
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
