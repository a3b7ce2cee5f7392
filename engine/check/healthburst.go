package check

import (
	"fmt"
	"math"

	"cuechoir/internal/dsp"
)

// A pop is air that hits the microphone: a burst of some tens of milliseconds
// under the lowest voice (20 to 60 Hz mostly, from memory). It is heard behind
// a low-pass that leaves 27 dB less of E2, the lowest note sung.
const (
	popHz      = 50.0
	popOrder   = 6
	popSeconds = 0.25 // what lasts longer is wind, a lorry or a hum
	popBlock   = 0.01
	popOver    = 4.0  // over the usual peak there, amplitude: 12 dB
	popApart   = 0.15 // seconds from one to the next
)

// measurePops finds low bursts; PopDB is the peak of the loudest behind the
// low-pass.
func (h *Health) measurePops(in HealthInput) error {
	chain, err := dsp.ButterworthLowpass(popOrder, popHz, float64(in.SampleRate))
	if err != nil {
		return err
	}
	low := make([]float64, len(in.Samples))
	for i, v := range in.Samples {
		if v-v == 0 {
			low[i] = float64(v)
		}
	}
	for _, c := range chain {
		b := dsp.Biquad{Coefficients: c}
		b.Process64(low)
	}
	n := max(int(popBlock*float64(in.SampleRate)), 1)
	var peaks []float64
	for at := 0; at < len(low); at += n {
		peak := 0.0
		for _, v := range low[at:min(at+n, len(low))] {
			peak = max(peak, math.Abs(v))
		}
		peaks = append(peaks, peak)
	}
	if len(peaks) == 0 {
		return nil
	}
	// A hum or a low voice is there all the time; a pop is not.
	limit := max(math.Pow(10, popDB/20), popOver*middleOf(peaks))
	best, loudest := -1, 0.0
	for i := 0; i < len(peaks); {
		if peaks[i] < limit {
			i++
			continue
		}
		from, to, top := i, i, i
		for ; i < len(peaks) && i-to <= int(popApart/popBlock); i++ {
			if peaks[i] >= limit/2 {
				to = i
			}
			if peaks[i] > peaks[top] {
				top = i
			}
		}
		if float64(to-from+1)*popBlock > popSeconds {
			continue
		}
		h.Pops++
		if peaks[top] > loudest {
			best, loudest = top, peaks[top]
		}
	}
	if h.Pops == 0 {
		return nil
	}
	h.PopDB = levelDB(loudest)
	h.tell(HealthPops, h.PopDB, int64(best)*int64(n), h.Pops,
		"%s of air or knocks, the loudest at %.0f dBFS: sing past the microphone, not into it, and do not touch its stand", many(h.Pops, "pop", "pops"), h.PopDB)
	return nil
}

func many(n int, one, more string) string {
	if n == 1 {
		return "one " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}
