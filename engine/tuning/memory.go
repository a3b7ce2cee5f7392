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

func (k Kept) String() string {
	return [...]string{"steady", "followed", "left", "kept while what was heard drifted", "not heard"}[k]
}

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

// Follower follows the tuning of a sound that comes in blocks.
type Follower struct {
	fft    *dsp.RealFFT
	window []float64
	in     []float64
	out    []complex128
	level  []float64
	rate   float64
	step   int
	at     int64     // timeline sample of held[0]
	held   []float32 // less than a second and a window
	points []Point
}

// NewFollower of a mono sound whose first sample is at start on the timeline.
// Errors: a sample rate out of range.
func NewFollower(start int64, sampleRate int) (*Follower, error) {
	if sampleRate < 8000 || sampleRate > 192000 {
		return nil, fault.New(fault.Unsupported, "a sample rate of %d Hz", sampleRate)
	}
	n := 1
	for float64(n) < followWindow*float64(sampleRate)/math.Sqrt2 {
		n *= 2
	}
	fft, err := dsp.NewRealFFT(n)
	if err != nil {
		return nil, err
	}
	return &Follower{fft: fft, window: dsp.Hann(n), in: make([]float64, n), out: make([]complex128, fft.Bins()), level: make([]float64, fft.Bins()),
		rate: float64(sampleRate), step: int(followSeconds * float64(sampleRate)), at: start}, nil
}

// Add takes the next samples.
func (f *Follower) Add(x []float32) {
	for len(x) > 0 {
		n := min(len(x), f.step+len(f.in)-len(f.held))
		f.held, x = append(f.held, x[:n]...), x[n:]
		if len(f.held) == f.step+len(f.in) {
			f.second()
			f.at += int64(f.step)
			f.held = append(f.held[:0], f.held[f.step:]...)
		}
	}
}

// Points are how far the sound lies from equal temperament at 440 Hz, one a
// second where there is music; the first is between -50 and 50 cents. A last
// part of a second is left out.
func (f *Follower) Points() []Point { return f.points }

// second reads one second.
func (f *Follower) second() {
	var cents, levels []float64
	top := math.Inf(-1)
	for k := range followFrames {
		f.spectrum(f.held[k*f.step/followFrames:])
		n := float64(len(f.in))
		last := min(len(f.level)-2, int(followHighHz/f.rate*n))
		for b := max(2, int(followLowHz/f.rate*n)); b <= last; b++ {
			l, m, r := f.level[b-1], f.level[b], f.level[b+1]
			if m <= l || m < r || m < followQuietDB {
				continue
			}
			bin := float64(b) + 0.5*(l-r)/(l-2*m+r)
			cents, levels = append(cents, 6900+1200*math.Log2(bin*f.rate/n/440)), append(levels, m)
			top = max(top, m)
		}
	}
	weights := levels
	for i, db := range levels {
		weights[i] = 0
		if db > top-followUnderDB {
			weights[i] = math.Pow(10, db/40)
		}
	}
	t := direction(cents, weights)
	if t.Agreement < followAgreement {
		return
	}
	if k := len(f.points); k > 0 {
		t.Cents = f.points[k-1].Cents + wrap(t.Cents-f.points[k-1].Cents)
	}
	f.points = append(f.points, Point{(float64(f.at) + float64(f.step)/2) / f.rate / 60, t.Cents})
}

// spectrum fills f.level from the first window of x.
func (f *Follower) spectrum(x []float32) {
	for i := range f.in {
		f.in[i] = 0
		if v := float64(x[i]); v-v == 0 {
			f.in[i] = v * f.window[i]
		}
	}
	f.fft.Forward(f.out, f.in)
	for b, c := range f.out {
		f.level[b] = 20 * math.Log10(cmplx.Abs(c)/float64(len(f.in))*4+1e-12)
	}
}
