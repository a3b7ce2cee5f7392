package check

import (
	"math"

	"cuechoir/internal/dsp"
)

// The click that leaks from the headphones into the microphone is looked for
// with the click that was played: the sound after each beat is summed, each
// beat weighed by how quiet it is (the voice is noise here, and the weights are
// those of the least variance), and the sum is held against the click at every
// lag. At the right one the quotient of what is found and what was played is
// the path from the headphones to the take.
// Known failure: a click under what the voice leaves in the sum is not seen;
// bleedSure says when.
const (
	bleedBefore  = 0.03 // seconds: a round trip that was measured too long
	bleedAfter   = 0.4  // and one that is not known at all
	bleedShape   = 0.06 // seconds of a click that are compared: the longest is over by then
	bleedSure    = 6.0  // times the usual quotient of wrong lags
	bleedMinimum = 3    // beats
)

// measureBleed sets BleedDB, BleedPath and BleedLag, and tells.
func (h *Health) measureBleed(in HealthInput) error {
	sr := float64(in.SampleRate)
	before, shape := int(bleedBefore*sr), int(bleedShape*sr)
	reach := before + int(bleedAfter*sr)
	var got []float64 // Σ over the beats of weight · <x, click>, by lag
	var weights, peak float64
	beats := 0
	for _, at := range in.Beats {
		from := int(at) - before
		if at < 0 || from < 0 || from+reach+shape > len(in.Samples) || int(at)+shape > len(in.Click) {
			continue
		}
		click, x := in.Click[at:int(at)+shape], in.Samples[from:from+reach+shape]
		energy, noise := meanSquare(click)*float64(shape), meanSquare(x)
		if energy == 0 || noise == 0 {
			continue
		}
		r, err := dsp.CrossCorrelate(to64(x), to64(click), reach)
		if err != nil {
			return err
		}
		if got == nil {
			got = make([]float64, len(r))
		}
		for k, v := range r {
			got[k] += v / noise
		}
		weights += energy / noise
		peak = max(peak, float64(dsp.Peak(click)))
		beats++
	}
	if beats < bleedMinimum {
		return nil
	}
	best := dsp.LargestAt(got)
	path := math.Abs(got[best]) / weights
	if path*weights < bleedSure*dsp.RMSAway(got, best, shape) {
		return nil
	}
	h.BleedLag = int64(best - before)
	h.BleedPath, h.BleedDB = levelDB(path), levelDB(path*peak)
	if h.BleedDB > bleedToldDB {
		h.tell(HealthBleed, h.BleedDB, -1, beats,
			"the click leaks into the microphone at %.0f dBFS: turn it down or choose a softer one (--sound low), and close the headphones", h.BleedDB)
	}
	return nil
}

func to64(x []float32) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		if v-v == 0 {
			out[i] = float64(v)
		}
	}
	return out
}
