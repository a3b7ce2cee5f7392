package beats

import (
	"math"
	"slices"
)

// Aim: how strongly something begins at each moment.
// Method: the rise of each band's level in dB over three frames, against the
// loudest of the band and its neighbours before (so that gliding speech and
// vibrato do not count: Böck and Widmer, «Maximum filter vibrato suppression
// for onset detection», DAFx 2013), above the band's own noise floor; louder
// bands count more, and a rise that falls back at once does not. Rises are
// summed in six registers, each put to its usual size nearby, and the
// registers are added by how regularly each repeats nearby: music does, speech
// does not.
// Cost: linear in the frames.
// Known failure: a swell over more than a fifth of a second is hardly seen,
// and one over a tenth is placed up to 50 ms late.
const (
	riseFrames    = 3   // 24 ms
	clickFrames   = 4   // a rise that is gone after 32 ms is a crackle
	clickFalls    = 3.0 // dB
	floorShare    = 0.2 // the part of frames that is taken for a band's noise
	aboveFloor    = 6.0 // dB
	rangeDB       = 50.0
	mostRise      = 24.0 // dB
	loudShare     = 0.4  // a band counts as its amplitude to this power
	smoothSeconds = 0.012
	nearSeconds   = 4.0 // each way, over which the usual size is taken
	leastShare    = 0.25
	leastWeight   = 0.05 // of a register that does not repeat
	// leadSeconds is how late the strength's peak comes after a sharp attack: 3
	// ms in a clean sound (TestTimesOfAttacks), 5 to 10 in a worn one.
	leadSeconds = 0.005
)

// register is a group of bands that are normalised together.
type register struct{ from, to int }

var registers = []register{{0, 5}, {5, 12}, {12, 23}, {23, 35}, {35, 49}, {49, bandCount}}

// strength is onset strength over frames, in units of its usual deviation.
type strength struct {
	rate float64 // frames a second
	all  []float64
	low  []float64 // the lowest register alone
	stir float64   // dB: the root mean square rises of the registers, added up
}

// gate lifts the levels to the bands' floors and gives each band's loud level.
func (a *analyser) gate() (loud [bandCount]float32) {
	column := make([]float32, a.frames)
	for b := range bandCount {
		for t := range column {
			column[t] = a.levels[t*bandCount+b]
		}
		slices.Sort(column)
		loud[b] = column[len(column)*95/100]
		floor := max(column[int(floorShare*float64(len(column)))]+aboveFloor, column[len(column)*99/100]-rangeDB)
		for t := range a.frames {
			i := t*bandCount + b
			a.levels[i] = max(a.levels[i], floor)
		}
	}
	return loud
}

// strength uses the levels up.
func (a *analyser) strength(sampleRate int) strength {
	s := strength{rate: float64(sampleRate) / float64(a.hop)}
	if a.frames == 0 {
		return s
	}
	loud := a.gate()
	var parts [][]float64
	for _, r := range registers {
		rise := a.rises(loud[:], r)
		s.stir += rms(rise)
		rise = smooth(rise, smoothSeconds*s.rate)
		normalise(rise, s.rate)
		parts = append(parts, rise)
	}
	s.low = parts[0]
	s.all = join(parts, s.rate)
	normalise(s.all, s.rate)
	a.levels = nil
	return s
}

// rises sums the bands' rises in a register.
func (a *analyser) rises(loud []float32, r register) []float64 {
	out := make([]float64, a.frames)
	row := func(t int) []float32 { return a.levels[t*bandCount : (t+1)*bandCount] }
	for t := riseFrames; t < a.frames; t++ {
		before, now, after := row(t-riseFrames), row(t), row(min(t+clickFrames, a.frames-1))
		sum := 0.0
		for b := r.from; b < r.to; b++ {
			was := max(before[b], before[max(b-1, 0)], before[min(b+1, bandCount-1)])
			if rise := min(now[b], after[b]+clickFalls) - was; rise > 0 {
				sum += float64(min(rise, mostRise)) * math.Pow(10, loudShare*float64(now[b]-loud[b])/20)
			}
		}
		out[t] = sum / float64(r.to-r.from)
	}
	return out
}

// join adds the registers, each by the square of how regularly it repeats in
// the seconds around: the most of its autocorrelation at a beat and two.
func join(parts [][]float64, rate float64) []float64 {
	out := make([]float64, len(parts[0]))
	every, half := int(rate), int(nearSeconds*rate)
	for _, o := range parts {
		var row []float64
		for mid := 0; mid < len(o)+2*every; mid += every {
			r := autocorrelation(window(o, mid, half), int(2.5*rate))
			best := 0.0
			for p := 0.3 * rate; p < 1.25*rate; p++ {
				best = max(best, at(r, p)+at(r, 2*p))
			}
			row = append(row, leastWeight+best*best)
		}
		for t, v := range o {
			k, f := t/every, float64(t%every)/float64(every)
			out[t] += v * ((1-f)*row[k] + f*row[k+1])
		}
	}
	return out
}

// smooth is a Gaussian of a standard deviation in frames.
func smooth(x []float64, sigma float64) []float64 {
	n := int(math.Ceil(3 * sigma))
	kernel := make([]float64, 2*n+1)
	sum := 0.0
	for i := range kernel {
		d := float64(i-n) / sigma
		kernel[i] = math.Exp(-0.5 * d * d)
		sum += kernel[i]
	}
	out := make([]float64, len(x))
	for t := range x {
		v := 0.0
		for i, k := range kernel {
			if j := t + i - n; j >= 0 && j < len(x) {
				v += k * x[j]
			}
		}
		out[t] = v / sum
	}
	return out
}

// normalise takes away the mean of the seconds around and divides by their
// deviation, which never counts as less than a quarter of the whole's root
// mean square.
func normalise(x []float64, rate float64) {
	sum, square := make([]float64, len(x)+1), make([]float64, len(x)+1)
	for t, v := range x {
		sum[t+1], square[t+1] = sum[t]+v, square[t]+v*v
	}
	least := leastShare*rms(x) + 1e-9
	half := int(nearSeconds * rate)
	for t, v := range x {
		a, b := max(0, t-half), min(len(x), t+half+1)
		n := float64(b - a)
		mean := (sum[b] - sum[a]) / n
		dev := math.Sqrt(max(0, (square[b]-square[a])/n-mean*mean))
		x[t] = (v - mean) / max(dev, least)
	}
}

func rms(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(max(1, len(x))))
}

// nearby is the most of x within two frames of t, 0 to 4.
func nearby(x []float64, t int) float64 {
	best := 0.0
	for k := max(0, t-2); k <= min(len(x)-1, t+2); k++ {
		best = max(best, x[k])
	}
	return min(best, 4)
}

// exact is the time in seconds of a peak at frame t: the top of the parabola
// through it and its neighbours, less the usual lateness.
func (s strength) exact(t int) float64 {
	x := float64(t)
	if t > 0 && t+1 < len(s.all) {
		a, b, c := s.all[t-1], s.all[t], s.all[t+1]
		if bend := a - 2*b + c; bend < 0 {
			x += max(-0.5, min(0.5, 0.5*(a-c)/bend))
		}
	}
	return x/s.rate - leadSeconds
}

// refine is exact for the peak within three frames of t, or t itself when
// nothing plain begins there.
func (s strength) refine(t int) float64 {
	best := t
	for k := max(1, t-3); k <= min(len(s.all)-2, t+3); k++ {
		if s.all[k] > s.all[best] {
			best = k
		}
	}
	if s.all[best] < strongOnset {
		return float64(t)/s.rate - leadSeconds
	}
	return s.exact(best)
}
