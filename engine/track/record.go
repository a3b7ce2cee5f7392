package track

import (
	"context"
	"time"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// Status is how a recording stands, some twenty times a second.
type Status struct {
	At            int64     // timeline sample that is put out now
	Pass          int       // from 0
	PeakDB        float64   // largest input since the last Status, dBFS; -Inf for silence
	BesideDB      []float64 // the same of each voice beside
	Dropouts      int       // spans of input lost so far
	Unheard       int       // spans of monitor that came too late
	LimiterDB     float64   // how far the limiter turned the output down since the last Status, at most 0
	RateHz        float64   // at which the device delivers when that is another than it said; 0: as said
	Muted         bool      // feedback was noticed: the live input is out of the output
	TimeLeft      time.Duration
	TimeLeftKnown bool
}

// Result is a recording that has ended.
type Result struct {
	Take         take.Info   // as it stands on the disk
	Beside       []take.Info // of the voices beside, in the plan's order; one without a sample has no ID
	Frames       int64       // samples recorded
	Start        int64       // timeline sample of the take's first
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
// one begins. The Results are of the passes that hold sound. Voices beside are
// recorded in the same stream, each into takes of its own.
func RecordPasses(ctx context.Context, dev device.Device, p Plan, passes int, newTake func(pass int) (*take.Writer, error), progress func(Status)) ([]Result, error) {
	p, err := p.checked(dev, passes)
	if err != nil {
		return nil, err
	}
	span := p.To - p.From
	r := recorder{plan: p, span: span, dev: dev, passes: passes, inputs: p.inputs(), newTake: newTake}
	r.skip, r.keepLen = p.kept()
	r.ear = newOwnEar(p)
	length := int64(maxStreamFrames)
	if passes > 0 {
		length = span*int64(passes) + p.TailSamples
	}
	stream := &run{
		dev: dev, inputs: p.inputs(), length: length, width: 1,
		monitor: r.monitor, monitorLen: length - p.TailSamples, gainDB: p.MonitorGainDB, through: p.Through, stallLimit: p.StallLimit,
		lastWord: min(p.RoundTrip, int64(p.SampleRate)) + int64(fadeSeconds*float64(p.SampleRate)),
		drain:    r.keep, unheard: r.unheard, now: p.Now,
	}
	if p.Monitor == nil {
		stream.monitorLen = 0
	}
	if progress != nil {
		stream.status = func(s streamStatus) { progress(r.statusOf(s)) }
	}
	// The first take is made before the device starts: what cannot be
	// written is known before anyone sings.
	r.slip = func() device.Slip { return stream.clock.Slip }
	if err := r.open(0); err != nil {
		return nil, err
	}
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
