package track

import (
	"math"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/dsp"
)

// Aim: a quiet check of a take's place, by what the program itself played.
// Method: the click leaks from headphones into the microphone, however little.
// The known sound is laid on the input at each lag, stretch by stretch, each
// weighed by how quiet the input is there (the voice is noise here, and the
// weights are those of the least variance); the sum stands out at the lag of the
// leak (Turin, «An introduction to matched filters», IRE Trans. IT-6, 1960).
// Cost: some 0.1 s of one processor, once a stream.
// Known failure: a leak far under the noise of the room is not heard, and then
// nothing is said. heardSure and the two halves keep out what only looks like one.
const (
	heardSeconds   = 8     // of the stream's beginning
	heardHop       = 0.125 // seconds of known sound at a time
	heardBefore    = 0.03  // seconds: a round trip that is too long
	heardAfter     = 0.1   // one that is too short
	heardAfterAll  = 0.4   // one that is not known
	heardShape     = 0.06  // seconds around the best lag that belong to it
	heardSure      = 8.0   // times the usual value at wrong lags
	heardAgree     = 0.003 // seconds between the lags of the two halves: some waves of a tone
	heardLeastHops = 4
	heardCloseDB   = -20 // of the way: a cable, or headphones on the microphone; no air to speak of
)

// ownEar compares the known sound with the beginning of the input.
type ownEar struct {
	input  []float32
	got    int64 // input samples in, from stream sample 0
	broken bool  // some were lost
	done   bool
}

func newOwnEar(p Plan) ownEar {
	e := ownEar{done: p.Own == nil}
	if !e.done {
		e.input = make([]float32, heardSeconds*p.SampleRate)
	}
	return e
}

// take keeps input of stream sample at on; full says that there is enough.
func (e *ownEar) take(x []float32, at int64, lost bool) (full bool) {
	if e.done {
		return false
	}
	if at < int64(len(e.input)) {
		e.got = at + int64(copy(e.input[at:], x))
		e.broken = e.broken || lost
	}
	return e.got == int64(len(e.input))
}

// listen finds the sound that own gives for a stream sample, and how many samples
// later than after a round trip of trip it came.
func (e *ownEar) listen(own func([]float32, int64) error, trip int64, rate int, known take.RoundTripKnown) (h take.Heard, ok bool, err error) {
	e.done = true
	before, after := int64(heardBefore*float64(rate)), int64(heardAfter*float64(rate))
	if known == take.AssumedZero {
		after = int64(heardAfterAll * float64(rate))
	}
	hop, begin := int64(heardHop*float64(rate)), trip-before
	if begin < 0 { // nothing comes back before it was played
		before, begin = trip, 0
	}
	reach := int(before + after)
	var sums [2][]float64
	weight, hops := 0.0, 0
	shape := make([]float32, hop)
	for at := int64(0); !e.broken && at+begin+hop+int64(reach) <= e.got; at += hop {
		clear(shape)
		if err := own(shape, at); err != nil {
			return h, false, err
		}
		x := e.input[at+begin : at+begin+hop+int64(reach)]
		power, noise := energyOf(shape), energyOf(x)
		if power == 0 || noise == 0 {
			continue
		}
		r, err := dsp.CrossCorrelate(floats(x), floats(shape), reach)
		if err != nil {
			return h, false, err
		}
		half := &sums[hops%2]
		if *half == nil {
			*half = make([]float64, len(r))
		}
		for k, v := range r {
			(*half)[k] += v / noise
		}
		weight += power / noise
		hops++
	}
	if hops < heardLeastHops {
		return h, false, nil
	}
	both := make([]float64, len(sums[0]))
	for k := range both {
		both[k] = sums[0][k] + sums[1][k]
	}
	best := dsp.LargestAt(both)
	near := int(heardAgree * float64(rate))
	for _, half := range sums {
		if off := dsp.LargestAt(half) - best; off < -near || off > near {
			return h, false, nil
		}
	}
	if both[best] == 0 || math.Abs(both[best]) < heardSure*dsp.RMSAway(both, best, int(heardShape*float64(rate))) {
		return h, false, nil
	}
	return take.Heard{Lag: int64(best) - before, LevelDB: dsp.AmplitudeToDB(math.Abs(both[best]) / weight)}, true, nil
}

// hear places the takes anew when the program's own sound was heard elsewhere
// than it should be, unless a person typed the round trip.
func (r *recorder) hear() error {
	trip := r.plan.RoundTrip + r.shift
	own := func(dst []float32, at int64) error { return r.looped(r.plan.Own, dst, at) }
	h, ok, err := r.ear.listen(own, trip, r.plan.SampleRate, r.plan.RoundTripKnown)
	if !ok || err != nil {
		return err
	}
	r.heard = &h
	known := r.plan.RoundTripKnown
	astray := h.Astray(r.plan.SampleRate) || h.LevelDB > heardCloseDB && (h.Lag < -1 || h.Lag > 1)
	if known == take.AssumedZero || known == take.Measured && astray {
		r.shift += h.Lag
		r.plan.RoundTripKnown = take.ByEar
	}
	return r.placeAll()
}

// settle places the takes by what waits in the device, as soon as it tells.
func (r *recorder) settle() error {
	if r.settled || r.heard != nil {
		return nil
	}
	now := device.WaitingIn(r.dev)
	r.settled = now.Known || !device.TellsWaiting(r.dev)
	shift := max(now.Since(r.plan.RoundTripWaiting), -r.plan.RoundTrip)
	if shift == r.shift {
		return nil
	}
	r.shift = shift
	return r.placeAll()
}

func energyOf(x []float32) float64 {
	sum := 0.0
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	return sum
}

func floats(x []float32) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = float64(v)
	}
	return out
}
