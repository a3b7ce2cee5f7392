package mix

import (
	"math"

	"cuechoir/internal/dsp"
)

// DeEsser lowers hissing consonants alone. Method: what lies above a frequency
// (second-order Butterworth high-pass) is heard by itself; where its peaks pass
// the threshold a share of it is taken away from the sound, 4 dB out of each 5
// above, so that below the threshold the sound passes bit for bit. Cost: 5 ns a
// sample. Known failure: bright vowels sung loudly count as hiss.
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
	c, err := dsp.ButterworthHighpass(2, orDefault(d.Hz, hissHz), float64(sampleRate))
	if err != nil {
		return nil, err
	}
	m := &deEsser{threshold: d.ThresholdDB, bends: Gain(d.ThresholdDB), most: orDefault(d.RangeDB, hissRange),
		attack: smooth(hissAttack, sampleRate), release: smooth(hissRelease, sampleRate)}
	m.high = [2]dsp.Cascade{dsp.NewCascade(c...), dsp.NewCascade(c...)}
	m.stepper = newStepper(m.gain)
	return m, nil
}

// deEsser is one at work.
type deEsser struct {
	stepper
	high                   [2]dsp.Cascade
	hiss                   [stepSize]float64
	threshold, bends, most float64
	attack, release        float64
	reduction              float64
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
		left = left[n:]
	}
}

// take lowers the hiss of one channel.
func (d *deEsser) take(channel int, x []float64) {
	h := d.hiss[:len(x)]
	copy(h, x)
	d.high[channel].Process(h)
	d.hear(h)
	if d.from == 1 && d.to == 1 {
		return
	}
	way, from, by := ramp[d.phase:][:len(x)], d.from-1, d.to-d.from
	for i, v := range h {
		x[i] += float64(v * (from + float64(by*way[i])))
	}
}

// gain is the law of the steps: of the hiss alone.
func (d *deEsser) gain(peak float64) float64 {
	goal := 0.0
	if peak > d.bends {
		goal = min(hissSlope*(decibels(peak)-d.threshold), d.most)
	}
	if goal > d.reduction {
		d.reduction += float64(d.attack * (goal - d.reduction))
	} else {
		d.reduction += float64(d.release * (goal - d.reduction))
	}
	if d.reduction < deadDB {
		d.reduction = 0
		return 1
	}
	return math.Exp(-d.reduction * math.Ln10 / 20)
}
