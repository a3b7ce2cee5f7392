package tuning

import (
	"math"
	"math/cmplx"

	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// Memory is a singer's drift beside the drift of what they heard: Own and Heard
// as they are, Beside what is left of the singer's when the other is taken
// away. A singer who keeps the tonic of a wandering choir drifts, and yet has
// nothing Beside.
type Memory struct{ Own, Heard, Beside Line }

// Kept says what a Memory shows.
type Kept int

const (
	Steady   Kept = iota // the singer does not drift
	Followed             // drifts with what was heard
	Left                 // drifts away from it
	Stood                // what was heard drifts, the singer does not
	Unheard              // too little was heard to say
)

const heardLeast = 8 // points of what was heard

// Remember holds the singer's deviations against those of what they heard, both
// in order of time and in cents from where they should be.
func Remember(own, heard []Point) (Memory, Kept) {
	m := Memory{Own: FitLine(own), Heard: FitLine(heard)}
	if len(heard) < heardLeast || len(own) == 0 {
		return m, Unheard
	}
	curve := Curve(heard)
	var beside []Point
	for _, p := range own {
		if p.Minutes >= heard[0].Minutes && p.Minutes <= heard[len(heard)-1].Minutes {
			beside = append(beside, Point{p.Minutes, p.Cents - ValueAt(curve, p.Minutes)})
		}
	}
	m.Beside = FitLine(beside)
	if len(beside) < driftPoints {
		return m, Unheard
	}
	switch {
	case m.Own.Significant() && m.Beside.Significant():
		return m, Left
	case m.Own.Significant():
		return m, Followed
	case m.Heard.Significant():
		return m, Stood
	}
	return m, Steady
}

// Aim: follow how sharp or flat any music lies as it goes on, a film's old
// score or a mix of layers, to hold a singer against it. Method: each second
// the peaks of eight spectra (Hann, parabola through the logarithms) vote for
// their place between semitones; the mean direction is the tuning (Mardia &
// Jupp 2000, section 2.2; as in Gómez 2006 from memory), carried on from second
// to second past half a semitone. Cost: eight transforms of a third of a second
// a second. Known failure: music that moves by more than half a semitone in a
// second; just thirds and bells pull it by some cents, always the same way.
const (
	followSeconds   = 1.0
	followFrames    = 8
	followWindow    = 0.34 // seconds, about
	followLowHz     = 120.0
	followHighHz    = 1800.0
	followUnderDB   = 35.0 // peaks so far under the second's highest do not count
	followQuietDB   = -70.0
	followAgreement = 0.25 // mean resultant length: less is noise
)

// FollowTuning reads how far x (mono, its first sample at start on the
// timeline) lies from equal temperament at 440 Hz, a point a second where
// there is music. The first point is between -50 and 50 cents. Errors: a sample
// rate out of range.
func FollowTuning(x []float32, start int64, sampleRate int) ([]Point, error) {
	if sampleRate < 8000 || sampleRate > 192000 {
		return nil, fault.New(fault.Unsupported, "a sample rate of %d Hz", sampleRate)
	}
	n := 1
	for float64(n) < followWindow*float64(sampleRate)/1.42 {
		n *= 2
	}
	fft, err := dsp.NewRealFFT(n)
	if err != nil {
		return nil, err
	}
	f := &follower{fft: fft, window: dsp.Hann(n), in: make([]float64, n), out: make([]complex128, fft.Bins()), level: make([]float64, fft.Bins()), rate: float64(sampleRate)}
	var points []Point
	step := int(followSeconds * float64(sampleRate))
	for at := 0; at+step <= len(x); at += step {
		cents, ok := f.second(x, at, step)
		if !ok {
			continue
		}
		if k := len(points); k > 0 {
			cents = points[k-1].Cents + wrap(cents-points[k-1].Cents)
		}
		points = append(points, Point{(float64(start) + float64(at) + float64(step)/2) / float64(sampleRate) / 60, cents})
	}
	return points, nil
}

// follower is the workspace of FollowTuning.
type follower struct {
	fft    *dsp.RealFFT
	window []float64
	in     []float64
	out    []complex128
	level  []float64
	rate   float64
}

// second is the tuning of one second of x.
func (f *follower) second(x []float32, at, step int) (float64, bool) {
	type peak struct{ cents, db float64 }
	var peaks []peak
	top := math.Inf(-1)
	n := len(f.in)
	for k := range followFrames {
		from := max(0, min(len(x)-n, at+k*step/followFrames))
		if from+n > len(x) {
			return 0, false
		}
		for i := range f.in {
			v := float64(x[from+i])
			if v-v != 0 {
				v = 0
			}
			f.in[i] = v * f.window[i]
		}
		f.fft.Forward(f.out, f.in)
		for b, c := range f.out {
			f.level[b] = 20 * math.Log10(cmplx.Abs(c)/float64(n)*4+1e-12)
		}
		last := min(len(f.level)-2, int(followHighHz/f.rate*float64(n)))
		for b := max(2, int(followLowHz/f.rate*float64(n))); b <= last; b++ {
			l, m, r := f.level[b-1], f.level[b], f.level[b+1]
			if m <= l || m < r || m < followQuietDB {
				continue
			}
			bin := float64(b) + 0.5*(l-r)/(l-2*m+r)
			peaks = append(peaks, peak{6900 + 1200*math.Log2(bin*f.rate/float64(n)/440), m})
			top = max(top, m)
		}
	}
	var cents, weights []float64
	for _, p := range peaks {
		if p.db > top-followUnderDB {
			cents, weights = append(cents, p.cents), append(weights, math.Pow(10, p.db/40))
		}
	}
	t := direction(cents, weights)
	return t.Cents, t.Agreement >= followAgreement
}
