package voice

import (
	"math"
)

// Aim: more voices from one, each truly another: a delay of one sound beats
// with it like a comb.
// Method: each singer has a pitch and a time that wander on their own (sums of
// slow sines of seeded phases and rates) and a throat of their own, all made
// by the same overlap-add.

// wander is a smooth curve between -1 and 1 that never repeats within a song.
type wander struct{ rates, phases [4]float64 }

func newWander(r *random) wander {
	var w wander
	for i := range w.rates {
		w.rates[i] = 0.07 * math.Exp2(float64(i)+0.8*r.unit()) // 0.07 to 1 Hz
		w.phases[i] = 2 * math.Pi * r.unit()
	}
	return w
}

func (w wander) at(seconds float64) float64 {
	sum := 0.0
	for i := range w.rates {
		sum += math.Sin(2*math.Pi*w.rates[i]*seconds+w.phases[i]) / float64(i+1)
	}
	return sum / (1 + 1.0/2 + 1.0/3 + 1.0/4)
}

// random is SplitMix64 (Steele, Lea & Flood 2014): the same numbers wherever it
// runs.
type random struct{ state uint64 }

func (r *random) next() uint64 {
	r.state += 0x9e3779b97f4a7c15
	z := r.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// unit is 0 to 1, 1 left out.
func (r *random) unit() float64 { return float64(r.next()>>11) / (1 << 53) }

// side is -1 to 1.
func (r *random) side() float64 { return 2*r.unit() - 1 }

const (
	wanderStep = 0.05  // seconds between points of a curve
	timeStep   = 0.25  // between places that move
	edgeRest   = 0.010 // the ends of the sound do not move
)

// singer is one voice of a crowd: another's edits of the same sound.
func (s *Sung) singer(r *random, apart, late, throat float64) Edits {
	pitch, time := newWander(r), newWander(r)
	offset, size, lateness := 0.5*apart*r.side(), throat*r.side(), r.unit()
	var e Edits
	seconds := float64(len(s.x)) / float64(s.rate)
	for t := 0.0; t < seconds; t += wanderStep {
		e.Cents = append(e.Cents, Point{int64(t * float64(s.rate)), offset + 0.5*apart*pitch.at(t)})
	}
	e.Formants = Curve{{0, 1200 * math.Log2(1+size)}}
	n := int64(len(s.x))
	last := Move{}
	for t := timeStep; t < seconds-edgeRest; t += timeStep {
		at := int64(t * float64(s.rate))
		by := int64(late * float64(s.rate) * (0.6*lateness + 0.4*0.5*(1+time.at(t))))
		// The way to the end stays bearable.
		by = min(by, (n-at)/2)
		m := Move{at, at + by}
		if m.To > last.To {
			e.Moves = append(e.Moves, m)
			last = m
		}
	}
	return e
}

// runVoices: the first voice is the singer's own; the sum has the power of
// one.
func runVoices(x []float32, rate int, v []float64) ([]float32, error) {
	count := int(v[0])
	if count < 2 || len(x) == 0 {
		return x, nil
	}
	s, err := Listen(x, rate)
	if err != nil {
		return nil, err
	}
	sum := make([]float64, len(x))
	for i, y := range x {
		sum[i] = float64(y)
	}
	for k := 1; k < count; k++ {
		r := &random{state: uint64(v[4])<<16 + uint64(k)}
		y, err := s.Render(s.singer(r, v[1], v[2]/1000, v[3]/100))
		if err != nil {
			return nil, err
		}
		for i := range y {
			sum[i] += float64(y[i])
		}
	}
	out := make([]float32, len(x))
	scale := 1 / math.Sqrt(float64(count))
	for i := range sum {
		out[i] = float32(scale * sum[i])
	}
	return out, nil
}

// runAnother is one other singer alone: a double that can have a strip and a
// place of its own.
func runAnother(x []float32, rate int, v []float64) ([]float32, error) {
	s, err := Listen(x, rate)
	if err != nil {
		return nil, err
	}
	return s.Render(s.singer(&random{state: uint64(v[0])<<16 + 1}, v[1], v[2]/1000, v[3]/100))
}

// shifted is x with constant shifts, in semitones.
func shifted(x []float32, rate int, e Edits) ([]float32, error) {
	s, err := Listen(x, rate)
	if err != nil {
		return nil, err
	}
	return s.Render(e)
}

func runPitch(x []float32, rate int, v []float64) ([]float32, error) {
	return shifted(x, rate, Edits{Cents: Curve{{0, 100 * v[0]}}})
}

func runFormants(x []float32, rate int, v []float64) ([]float32, error) {
	return shifted(x, rate, Edits{Formants: Curve{{0, 100 * v[0]}}})
}

func runOctave(x []float32, rate int, v []float64) ([]float32, error) {
	low, err := shifted(x, rate, Edits{Cents: Curve{{0, -1200}}})
	if err != nil {
		return nil, err
	}
	gain := float32(math.Pow(10, v[0]/20))
	out := make([]float32, len(x))
	for i := range x {
		out[i] = x[i] + gain*low[i]
	}
	return out, nil
}

func runWobble(x []float32, rate int, v []float64) ([]float32, error) {
	var c Curve
	step := 1 / (24 * v[0]) // points a turn
	for t := 0.0; t < float64(len(x))/float64(rate); t += step {
		at := int64(t * float64(rate))
		if len(c) == 0 || at > c[len(c)-1].At {
			c = append(c, Point{at, v[1] * math.Sin(2*math.Pi*v[0]*t)})
		}
	}
	return shifted(x, rate, Edits{Cents: c})
}
