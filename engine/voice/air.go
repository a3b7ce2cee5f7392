package voice

import (
	"math"

	"cuechoir/internal/dsp"
)

// What noise makes of a voice: it follows its level, or its pitch too.

// runBreath adds noise of a band that follows the voice's level.
func runBreath(x []float32, rate int, v []float64) ([]float32, error) {
	c, err := dsp.Bandpass(below(v[1], rate), v[2], float64(rate))
	if err != nil {
		return nil, err
	}
	noise := make([]float32, len(x))
	r := &random{state: 11}
	for i := range noise {
		noise[i] = float32(r.side())
	}
	through(noise, c)
	return alongLevel(x, noise, rate, math.Pow(10, v[0]/20), math.Pow(10, v[3]/20)), nil
}

// alongLevel is voice times x, and noise, brought to the power of full scale's
// rms, times the voice's level.
func alongLevel(x, noise []float32, rate int, level, voice float64) []float32 {
	power := 0.0
	for _, y := range noise {
		power += float64(y) * float64(y)
	}
	if power > 0 {
		level /= math.Sqrt(power / float64(len(noise)))
	}
	env := envelope(x, rate, 3, 30)
	for i := range x {
		x[i] = float32(voice*float64(x[i]) + level*0.7*float64(env[i])*float64(noise[i]))
	}
	return x
}

const whistleStep = 64 // samples between retunings of the band

// runWhistle is a band of noise on a multiple of the sung pitch; where nothing
// is voiced the pitch stays.
func runWhistle(x []float32, rate int, v []float64) ([]float32, error) {
	s, err := Listen(x, rate)
	if err != nil {
		return nil, err
	}
	noise := make([]float32, len(x))
	r := &random{state: 13}
	var b dsp.Biquad
	hz := 220.0
	for at := 0; at < len(noise); at += whistleStep {
		if f, ok := s.hzAt(float64(at)); ok {
			hz = f
		}
		c, err := dsp.Bandpass(below(max(20, hz*v[0]), rate), v[1], float64(rate))
		if err != nil {
			return nil, err
		}
		b.Coefficients = c
		part := noise[at:min(at+whistleStep, len(noise))]
		for i := range part {
			part[i] = float32(r.side())
		}
		b.Process(part)
	}
	return alongLevel(append([]float32(nil), x...), noise, rate, 1, math.Pow(10, v[2]/20)), nil
}
