package track

import (
	"fmt"
	"math"
	"time"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// recorder spreads the captured stream over the takes of its passes.
type recorder struct {
	plan    Plan
	span    int64
	dev     device.Device
	passes  int   // 0: endless
	inputs  []int // channels, in the order in which they come
	newTake func(int) (*take.Writer, error)
	writing []passTakes // being written, the oldest first; two while a tail rings
	one     []float32   // of one input
	begun   int         // passes begun
	skip    int64       // samples of a pass before its take begins
	keepLen int64       // samples of a take
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

// passTakes are the takes of one pass, one of each input: their sample 0 is
// stream sample from. Those of the first pass are made before the stream gets there.
type passTakes struct {
	pass    int
	from    int64
	writers []*take.Writer
}

// open begins the takes of a pass.
func (r *recorder) open(pass int) (err error) {
	t := passTakes{pass: pass, from: int64(pass)*r.span + r.skip}
	defer func() {
		if err != nil { // they hold nothing, and leave nothing
			for _, w := range t.writers {
				w.Finish()
			}
		}
	}()
	for k, channel := range r.inputs {
		newTake := r.newTake
		if k > 0 {
			newTake = r.plan.Beside[k-1].NewTake
		}
		w, err := newTake(pass)
		if err != nil {
			return err
		}
		t.writers = append(t.writers, w)
		w.Describe(r.dev.Info().String(), fmt.Sprintf("input %d of %d", channel+1, r.dev.Format().InChannels))
		if rate := w.Info().SampleRate; rate != r.plan.SampleRate {
			return fault.New(fault.Usage, "the take is of %d Hz, the plan of %d", rate, r.plan.SampleRate)
		}
		if err := r.place(w); err != nil {
			return err
		}
	}
	r.writing = append(r.writing, t)
	r.begun = pass + 1
	for _, g := range r.late {
		r.noteUnheard(t, g)
	}
	return nil
}

// placeAll places all takes that are being written anew.
func (r *recorder) placeAll() error {
	for _, t := range r.writing {
		for _, w := range t.writers {
			if err := r.place(w); err != nil {
				return err
			}
		}
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

// keep writes captured frames to the takes that cover them.
func (r *recorder) keep(x []float32, at int64, lost bool) error {
	if err := r.settle(); err != nil {
		return err
	}
	if r.ear.take(r.input(x, 0), at, lost) {
		if err := r.hear(); err != nil {
			return err
		}
	}
	width := int64(len(r.inputs))
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
		n := min(int64(len(x))/width, edge-at)
		for _, t := range r.writing {
			if at >= t.from {
				if err := r.append(t, x[:n*width], at, lost); err != nil {
					return err
				}
			}
		}
		x, at = x[n*width:], at+n
	}
	return nil
}

// append writes frames of stream sample at on to the takes of a pass. When one of
// them fails the others still get theirs: all are as long.
func (r *recorder) append(t passTakes, x []float32, at int64, lost bool) (failed error) {
	for k, w := range t.writers {
		one := r.input(x, k)
		if err := w.Append(one); err != nil && failed == nil {
			failed = err
		}
		if lost {
			w.AddDropout(at-t.from, int64(len(one)))
		}
	}
	return failed
}

// input is one input of interleaved frames, until the next call.
func (r *recorder) input(x []float32, k int) []float32 {
	width := len(r.inputs)
	if width == 1 {
		return x
	}
	r.one = r.one[:0]
	for i := k; i < len(x); i += width {
		r.one = append(r.one, x[i])
	}
	return r.one
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
func (r *recorder) noteUnheard(t passTakes, g heardGap) {
	begin := g.at + r.plan.RoundTrip + r.shift - t.from
	end := min(begin+g.frames, r.keepLen)
	if begin = max(begin, 0); begin < end {
		for _, w := range t.writers {
			w.AddUnheard(begin, end-begin)
		}
	}
}

// finish ends the takes of the oldest open pass.
func (r *recorder) finish(out outcome, why error) {
	t := r.writing[0]
	r.writing = r.writing[1:]
	var infos []take.Info
	for _, w := range t.writers {
		r.tellClock(w, t.from)
		infos = append(infos, r.finishOne(w, out, why))
	}
	first := infos[0]
	if first.ID == "" { // no sample, no file; the others are as long
		return
	}
	r.results = append(r.results, Result{
		Take: first, Beside: infos[1:], Frames: first.Frames, Start: first.Start, Dropouts: first.Dropouts, Unheard: first.Unheard,
		Interrupted: out.cancelled && first.Frames < r.wanted(),
	})
}

// tellClock notes in a take that began at a stream sample how the device kept time.
func (r *recorder) tellClock(w *take.Writer, from int64) {
	s := r.slip()
	if s.Slipped {
		w.SetSlipped(s.Frames)
	}
	if at := max(s.RateAt-from, 0); s.RateHz != 0 && at < w.Info().Frames {
		w.SetRate(s.RateHz, at)
	}
}

// finishOne ends a take; its Info has no ID when there is none.
func (r *recorder) finishOne(w *take.Writer, out outcome, why error) take.Info {
	// A pass whose span is in is whole, whatever ended its tail.
	whole := w.Info().Frames >= r.wanted()
	switch {
	case whole:
	case why != nil:
		w.SetStopped(why.Error())
	case out.cancelled:
		w.SetStopped("stopped by hand")
	}
	info, err := w.Finish()
	if fault.KindOf(err) == fault.NotMet { // no sample, no file
		if why == nil && !out.cancelled && r.err == nil {
			r.err = err
		}
		return take.Info{}
	}
	if r.err == nil {
		r.err = err
	}
	return info
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
		PeakDB: peakDB(s.peaks[0]), Dropouts: int(s.overruns), Unheard: int(s.underruns),
		LimiterDB: 20 * math.Log10(float64(s.limiter)), Muted: s.muted, RateHz: r.slip().RateHz,
	}
	for k := 1; k < len(r.inputs); k++ {
		st.BesideDB = append(st.BesideDB, peakDB(s.peaks[k]))
	}
	if len(r.writing) > 0 {
		st.TimeLeft, st.TimeLeftKnown = r.writing[len(r.writing)-1].writers[0].Room()
		st.TimeLeft /= time.Duration(len(r.inputs)) // they fill one disk together
	}
	return st
}

// peakDB is a meter's value in dBFS; -Inf for silence.
func peakDB(peak float32) float64 { return 20 * math.Log10(float64(peak)) }
