package timing

import (
	"math"
	"slices"
)

// Onset of an unpitched sound. Strength is the rise of the log energy summed
// over bands, dB averaged; LevelDB the peak level in its first 40 ms.
type Onset struct {
	Sample            int64
	Strength, LevelDB float64
}

// Aim: the starts of drum-like consonants, soft and loud, with a click bleeding
// in. Method: energy in five bands from a bank of one-pole pairs each 2 ms; the
// half-wave rectified rise of log energy over 12 ms, summed over bands
// (spectral flux after Dixon 2006, log-compressed as in Böck & Widmer 2013);
// peaks over a floor; then the start is where the level first leaves the quiet
// before it. Cost: ten filters a sample. Known failure: two hits closer than
// 60 ms are one.
const (
	stepSeconds    = 0.002
	riseSeconds    = 0.012
	floorShare     = 0.1
	floorMarginDB  = 6.0
	leastRise      = 6.0 // dB on average over the bands
	leastLevelRise = 8.0 // dB, of the whole
	beforeSeconds  = 0.03
	apartSeconds   = 0.06
	softerDB       = 26.0 // an onset so far under the layer's strong ones is bleed
	startDB        = 18.0 // the start is this far under the peak
	peakSeconds    = 0.04
	maskDB         = 80.0 // a second: a hit dying away unevenly lies under this
)

// bandEdges in Hz; the last band is what is above.
var bandEdges = [...]float64{150, 500, 1500, 4000}

// Onsets of x (mono, ±1.0), in order.
func Onsets(x []float32, sampleRate int) []Onset {
	if sampleRate < 8000 || len(x) < sampleRate/50 {
		return nil
	}
	step := max(1, int(stepSeconds*float64(sampleRate)))
	bands := bandEnergies(x, sampleRate, step)
	flux := riseOf(bands, int(math.Round(riseSeconds/stepSeconds)))
	level := totalDB(bands)
	var out []Onset
	apart := int(apartSeconds / stepSeconds)
	for k := 1; k+1 < len(flux); k++ {
		if flux[k] < leastRise || flux[k] < flux[k-1] || flux[k] <= flux[k+1] || !topAround(flux, k, apart/2) {
			continue
		}
		o := startOf(level, k, step)
		if o.LevelDB-lowBefore(level, k) < leastLevelRise {
			continue
		}
		o.Strength = flux[k]
		if n := len(out); n > 0 {
			since := float64(o.Sample-out[n-1].Sample) / float64(sampleRate)
			if since >= apartSeconds && o.LevelDB < out[n-1].LevelDB-maskDB*since {
				continue // within the last hit's dying away
			}
		}
		if n := len(out); n > 0 && o.Sample-out[n-1].Sample < int64(apart*step) {
			if o.LevelDB > out[n-1].LevelDB+6 {
				out[n-1] = o
			}
			continue
		}
		out = append(out, o)
	}
	return dropBleed(out)
}

// lowBefore is the lowest level in the beforeSeconds up to step k.
func lowBefore(level []float64, k int) float64 {
	low := level[k]
	for j := max(0, k-int(beforeSeconds/stepSeconds)); j < k; j++ {
		low = min(low, level[j])
	}
	return low
}

func topAround(v []float64, k, reach int) bool {
	for j := max(0, k-reach); j <= min(len(v)-1, k+reach); j++ {
		if v[j] > v[k] {
			return false
		}
	}
	return true
}

// bandEnergies are mean squares a step: [band][step].
func bandEnergies(x []float32, sampleRate, step int) [][]float64 {
	out := make([][]float64, len(bandEdges)+1)
	for b := range out {
		out[b] = make([]float64, len(x)/step+1)
	}
	var coef [len(bandEdges)]float64
	for b, hz := range bandEdges {
		coef[b] = 1 - math.Exp(-2*math.Pi*hz/float64(sampleRate))
	}
	var first, second [len(bandEdges)]float64
	for i, s := range x {
		v := float64(s)
		if v-v != 0 {
			v = 0
		}
		below := 0.0
		k := i / step
		for b, c := range coef {
			first[b] += c * (v - first[b])
			second[b] += c * (first[b] - second[b])
			d := second[b] - below
			out[b][k] += d * d / float64(step)
			below = second[b]
		}
		d := v - below
		out[len(bandEdges)][k] += d * d / float64(step)
	}
	return out
}

// riseOf is the mean over bands of the positive change of level over lag
// steps; levels count from each band's floor up.
func riseOf(bands [][]float64, lag int) []float64 {
	flux := make([]float64, len(bands[0]))
	for _, e := range bands {
		db := make([]float64, len(e))
		for k, v := range e {
			db[k] = decibels(v)
		}
		floor := lowShare(db) + floorMarginDB
		for k := range db {
			was := floor
			if k >= lag {
				was = max(floor, db[k-lag], db[k-lag+1])
			}
			flux[k] += max(0, db[k]-was) / float64(len(bands))
		}
	}
	return flux
}

func lowShare(db []float64) float64 {
	w := slices.Clone(db)
	slices.Sort(w)
	return max(-90, w[int(floorShare*float64(len(w)-1))])
}

func totalDB(bands [][]float64) []float64 {
	out := make([]float64, len(bands[0]))
	for k := range out {
		sum := 0.0
		for _, e := range bands {
			sum += e[k]
		}
		out[k] = decibels(sum)
	}
	return out
}

func decibels(square float64) float64 { return 10 * math.Log10(square+1e-14) }

// startOf walks back from a rise to where the level is startDB under the peak
// that follows, or lowest.
func startOf(level []float64, k, step int) Onset {
	top := k
	for j := k; j < min(len(level), k+int(peakSeconds/stepSeconds)); j++ {
		if level[j] > level[top] {
			top = j
		}
	}
	back := int(0.04 / stepSeconds)
	at := k
	for at > max(0, k-back) && level[at-1] > level[top]-startDB && level[at-1] <= level[at]+3 {
		at--
	}
	return Onset{Sample: int64(at) * int64(step), LevelDB: level[top]}
}

// dropBleed takes out what is far softer than the layer's strong onsets.
func dropBleed(in []Onset) []Onset {
	if len(in) == 0 {
		return in
	}
	levels := make([]float64, len(in))
	for i, o := range in {
		levels[i] = o.LevelDB
	}
	slices.Sort(levels)
	strong := levels[int(0.9*float64(len(levels)-1))]
	return slices.DeleteFunc(in, func(o Onset) bool { return o.LevelDB < strong-softerDB })
}
