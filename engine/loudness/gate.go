package loudness

import (
	"math"
	"slices"
)

// Constants of ITU-R BS.1770 (offset and gates) and EBU Tech 3342 (range).
const (
	offsetLU      = -0.691 // BS.1770 Annex 1, equation 2
	absoluteLUFS  = -70.0  // absolute gate of both
	relativeLU    = -10.0  // relative gate of integrated loudness
	rangeGateLU   = -20.0  // relative gate of loudness range
	rangeLow      = 0.10   // percentiles of loudness range
	rangeHigh     = 0.95
	gainSearchMax = 20 // steps of the search in gainFor
)

// lufs turns a weighted mean square into loudness; -Inf for silence.
func lufs(energy float64) float64 {
	if energy <= 0 {
		return math.Inf(-1)
	}
	return offsetLU + 10*math.Log10(energy)
}

func energyOf(l float64) float64 { return math.Pow(10, (l-offsetLU)/10) }

// gatedMean is the mean of the values above floor; 0 when there is none.
func gatedMean(blocks []float64, floor float64) float64 {
	sum, n := 0.0, 0
	for _, e := range blocks {
		if e > floor {
			sum += e
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

// integrate is integrated loudness (BS.1770 Annex 1) of gating blocks, had
// the signal been louder by gainDB.
func integrate(blocks []float64, gainDB float64) float64 {
	g := math.Pow(10, gainDB/10)
	absolute := energyOf(absoluteLUFS) / g
	mean := gatedMean(blocks, absolute)
	relative := mean * math.Pow(10, relativeLU/10)
	return lufs(g * gatedMean(blocks, math.Max(absolute, relative)))
}

// gainFor finds the gain in dB that brings the integrated loudness to target.
// The absolute gate makes a quiet signal not quite scale with its gain, so
// the answer is stepped towards until it stands.
func gainFor(blocks []float64, target float64) (float64, bool) {
	loudest := 0.0
	for _, e := range blocks {
		loudest = math.Max(loudest, e)
	}
	if loudest == 0 {
		return 0, false
	}
	gain := target - lufs(loudest)
	for range gainSearchMax {
		miss := target - integrate(blocks, gain)
		if math.IsInf(miss, 0) || math.IsNaN(miss) {
			return 0, false
		}
		gain += miss
		if math.Abs(miss) < 1e-9 {
			break
		}
	}
	return gain, true
}

// loudnessRange is LRA in LU (EBU Tech 3342) of short-term mean squares;
// scratch is room to sort in, and is returned for the next call.
func loudnessRange(blocks, scratch []float64) (lra float64, room []float64) {
	absolute := energyOf(absoluteLUFS)
	relative := gatedMean(blocks, absolute) * math.Pow(10, rangeGateLU/10)
	floor := math.Max(absolute, relative)
	kept := scratch[:0]
	for _, e := range blocks {
		if e > floor {
			kept = append(kept, e)
		}
	}
	if len(kept) == 0 {
		return 0, kept
	}
	slices.Sort(kept)
	at := func(p float64) float64 { return lufs(kept[int(math.Round(float64(len(kept)-1)*p))]) }
	return at(rangeHigh) - at(rangeLow), kept
}
