package mix

import "math"

// DeEsser lowers hissing consonants alone. Method: one state-variable filter of
// second order and Q 0.5 (Zavalishin, «The Art of VA Filter Design», 2012) gives
// what lies above a frequency (-6 dB there), which is listened to, and what is left when its low-pass is
// taken away, which is nearly in phase with the sound's highs: of that a share is
// taken away, 4 dB out of each 5 above the threshold. Below the threshold the
// sound passes bit for bit. Cost: 5 ns a sample. Known failure: bright vowels
// sung loudly count as hiss.
type DeEsser struct {
	ThresholdDB float64 // -80 to below 0 dBFS of peaks of what lies above Hz; 0 is off
	Hz          float64 // 1000 to 16000, and below half the rate; 0 is 6000
	RangeDB     float64 // 1 to 40: at most so much is taken; 0 is 12
}

// Common practice: sibilants lie at 5 to 8 kHz.
const (
	hissHz      = 6000
	hissRange   = 12
	hissSlope   = 0.8 // 1 - 1/5
	hissAttack  = 0.7 // ms
	hissRelease = 40
	hissDamping = 2 // 1/Q: real poles, so that highs are nearly in phase
)

func (d DeEsser) validate(rate int) error {
	if d == (DeEsser{}) {
		return nil
	}
	if d.ThresholdDB == 0 {
		return outside("de-ess", "threshold_db", 0, -80, -0.1)
	}
	return within("de-ess", bound{"threshold_db", d.ThresholdDB, -80, -0.1}, bound{"hz", orDefault(d.Hz, hissHz), 1000, min(16000, 0.45*float64(rate))},
		bound{"range_db", orDefault(d.RangeDB, hissRange), 1, 40})
}

// Processor makes one; the zero value changes nothing.
func (d DeEsser) Processor(sampleRate int) (Processor, error) {
	if err := d.validate(sampleRate); err != nil {
		return nil, err
	}
	if d == (DeEsser{}) {
		return through{}, nil
	}
	m := &deEsser{threshold: d.ThresholdDB, bends: Gain(d.ThresholdDB), most: orDefault(d.RangeDB, hissRange),
		reducer: reducer{attack: smooth(hissAttack, sampleRate), release: smooth(hissRelease, sampleRate)}}
	g := math.Tan(math.Pi * orDefault(d.Hz, hissHz) / float64(sampleRate))
	m.filter = newHissFilter(g)
	m.stepper = newStepper(m.gain)
	return m, nil
}

// deEsser is one at work.
type deEsser struct {
	stepper
	reducer
	filter                 hissFilter
	state                  [2]struct{ one, two float64 }
	threshold, bends, most float64
}

func (d *deEsser) Process(left, right []float64) {
	for len(left) > 0 {
		n := min(stepSize-d.phase, len(left))
		d.take(0, left[:n])
		if right != nil {
			d.take(1, right[:n])
			right = right[n:]
		}
		d.move(n)
		if d.phase == 0 {
			d.settle()
		}
		left = left[n:]
	}
}

// hissFilter is the filter solved for its states, one being the first in units of
// q: with d the sound less the second state, the trapezoidal integrators of the
// paper give
//
//	one' = p·one + d    two' = two + q·one + r·d
//	sound less its low-pass = e·d - f·one    high-pass = h·d - j·one
type hissFilter struct{ p, q, r, e, f, h, j float64 }

func newHissFilter(g float64) hissFilter {
	a1 := 1 / (1 + g*(g+hissDamping))
	a2, a3 := g*a1, g*g*a1
	unit := 2 * a2
	return hissFilter{p: 2*a1 - 1, q: unit * unit, r: 2 * a3, e: 1 - a3, f: a2 * unit, h: 1 - a3 - hissDamping*a2, j: (a2 + hissDamping*a1) * unit}
}

// take lowers the hiss of one channel. States are stepped from each other and the
// sound alone, so that little is waited for.
func (d *deEsser) take(channel int, x []float64) {
	s, k := &d.state[channel], &d.filter
	one, two, peak := s.one, s.two, d.peak
	p, q, r, stay, h, j := k.p, k.q, k.r, 1-k.r, k.h, k.j
	if d.from == 1 && d.to == 1 {
		for _, v := range x {
			diff := v - two
			peak = max(peak, math.Float64bits(float64(h*diff)-float64(j*one))&^signBit)
			one, two = float64(p*one)+diff, float64(stay*two)+(float64(q*one)+float64(r*v))
		}
		s.one, s.two, d.peak = one, two, peak
		return
	}
	way, from, by := ramp[d.phase:][:len(x)], d.from-1, d.to-d.from
	for i, v := range x {
		diff := v - two
		peak = max(peak, math.Float64bits(float64(h*diff)-float64(j*one))&^signBit)
		less := float64(k.e*diff) - float64(k.f*one)
		x[i] = v + float64(less*(from+float64(by*way[i])))
		one, two = float64(p*one)+diff, float64(stay*two)+(float64(q*one)+float64(r*v))
	}
	s.one, s.two, d.peak = one, two, peak
}

// settle puts a state that has died away to 0.
func (d *deEsser) settle() {
	for i := range d.state {
		if s := &d.state[i]; math.Abs(s.one) < tinyLevel && math.Abs(s.two) < tinyLevel {
			s.one, s.two = 0, 0
		}
	}
}

// gain is the law of the steps: of the hiss alone.
func (d *deEsser) gain(peak float64) float64 {
	goal := 0.0
	if peak > d.bends {
		goal = min(hissSlope*(fastDB(peak)-d.threshold), d.most)
	}
	return d.toward(goal)
}
