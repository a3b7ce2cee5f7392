package voice

import (
	"math"

	"cuechoir/internal/dsp"
)

// Filters are those of Bristow-Johnson's «Audio EQ Cookbook» (internal/dsp).

// through runs x through second-order sections in a row.
func through(x []float32, sections ...dsp.Coefficients) []float32 {
	for _, c := range sections {
		b := dsp.Biquad{Coefficients: c}
		b.Process(x)
	}
	return x
}

// below keeps a frequency under half the sample rate, for recipes that are
// written for higher rates.
func below(hz float64, sampleRate int) float64 { return min(hz, 0.45*float64(sampleRate)) }

func filtered(x []float32, c dsp.Coefficients, err error) ([]float32, error) {
	if err != nil {
		return nil, err
	}
	return through(x, c), nil
}

func runLowpass(x []float32, rate int, v []float64) ([]float32, error) {
	c, err := dsp.Lowpass(below(v[0], rate), v[1], float64(rate))
	return filtered(x, c, err)
}

func runHighpass(x []float32, rate int, v []float64) ([]float32, error) {
	c, err := dsp.Highpass(below(v[0], rate), v[1], float64(rate))
	return filtered(x, c, err)
}

func runPeak(x []float32, rate int, v []float64) ([]float32, error) {
	c, err := dsp.Peaking(below(v[0], rate), v[2], v[1], float64(rate))
	return filtered(x, c, err)
}

func runLowShelf(x []float32, rate int, v []float64) ([]float32, error) {
	c, err := dsp.LowShelf(below(v[0], rate), math.Sqrt2/2, v[1], float64(rate))
	return filtered(x, c, err)
}

func runHighShelf(x []float32, rate int, v []float64) ([]float32, error) {
	c, err := dsp.HighShelf(below(v[0], rate), math.Sqrt2/2, v[1], float64(rate))
	return filtered(x, c, err)
}

// runBody adds four resonances beside the sound.
func runBody(x []float32, rate int, v []float64) ([]float32, error) {
	wet := make([]float32, len(x))
	part := make([]float32, len(x))
	for _, hz := range v[:4] {
		hz = below(hz, rate)
		c, err := dsp.Bandpass(hz, max(0.1, hz/v[4]), float64(rate))
		if err != nil {
			return nil, err
		}
		copy(part, x)
		for i, y := range through(part, c) {
			wet[i] += y
		}
	}
	gain := float32(math.Pow(10, v[5]/20))
	for i := range x {
		x[i] += gain * wet[i]
	}
	return x, nil
}

// runDrive bends the wave by a hyperbolic tangent, at twice the rate, so that
// of what it adds little folds back below 18 kHz at 48 kHz; even is how much the
// bend leans to one side, which adds even partials. The sound is held against
// its own level first, so that soft layers bend as loud ones do.
func runDrive(x []float32, rate int, v []float64) ([]float32, error) {
	level := loudLevel(x)
	if level == 0 {
		return x, nil
	}
	gain := math.Pow(10, v[0]/20) / level
	lean := 0.5 * v[1] / 100
	rest := math.Tanh(lean)
	bend := func(y float64) float32 { return float32(level * (math.Tanh(gain*y+lean) - rest)) }
	// A half-band filter both ways: between lies what a sinc reads half-way.
	row := &sincFor(1).rows[sincRows/2]
	in, between := &Sung{x: x}, &Sung{x: make([]float32, len(x)+1)} // between[i] lies before sample i
	for i := range between.x {
		between.x[i] = bend(in.read(row, i-1))
	}
	out := make([]float32, len(x))
	for i, y := range x {
		out[i] = float32(0.5 * (float64(bend(float64(y))) + between.read(row, i)))
	}
	c, err := dsp.Highpass(15, math.Sqrt2/2, float64(rate)) // what leans has a mean
	return filtered(out, c, err)
}

// loudLevel is the rms of the sound where it sounds: of blocks of 50 ms or so
// within 30 dB of the loudest.
func loudLevel(x []float32) float64 {
	const block = 2048
	var power []float64
	top := 0.0
	for at := 0; at < len(x); at += block {
		p := 0.0
		part := x[at:min(at+block, len(x))]
		for _, v := range part {
			p += float64(v) * float64(v)
		}
		p /= float64(len(part))
		power = append(power, p)
		top = max(top, p)
	}
	sum, n := 0.0, 0.0
	for _, p := range power {
		if p > 1e-3*top {
			sum, n = sum+p, n+1
		}
	}
	return math.Sqrt(sum / max(1, n))
}

// runComb is a feedback comb (Schroeder 1962) beside the sound.
func runComb(x []float32, rate int, v []float64) ([]float32, error) {
	delay := max(1, int(math.Round(v[0]*float64(rate)/1000)))
	back, mix := float32(v[1]/100), float32(v[2]/100)
	ring := 0
	if back > 0 { // down to -60 dB
		ring = int(float64(delay) * min(1000, math.Ceil(math.Log(1e-3)/math.Log(float64(back)))))
	}
	x = append(x, make([]float32, min(ring+delay, maxRing*rate))...)
	line := make([]float32, delay)
	for i, in := range x {
		k := i % delay
		out := line[k]
		line[k] = quiet(in + back*out)
		x[i] = in + mix*out
	}
	return x, nil
}

// quiet clears what is far below anything heard before it becomes subnormal
// and slow.
func quiet(v float32) float32 {
	if v < 1e-20 && v > -1e-20 {
		return 0
	}
	return v
}

func runTremolo(x []float32, rate int, v []float64) ([]float32, error) {
	for i := range x {
		turn := math.Sin(2 * math.Pi * v[0] * float64(i) / float64(rate))
		x[i] *= float32(1 - v[1]/100*(0.5-0.5*turn))
	}
	return x, nil
}

// runAttack holds the level back where it rises: the gain is the slow level
// over the level, so what stands is left alone.
func runAttack(x []float32, rate int, v []float64) ([]float32, error) {
	env := envelope(x, rate, 5, 40)
	slow := 0.0
	k := 1 - math.Exp(-1000/(v[0]*float64(rate)))
	for i := range x {
		e := float64(env[i])
		if e < slow {
			slow = e
		} else {
			slow += k * (e - slow)
		}
		if e > 0 {
			x[i] *= float32(slow / e)
		}
	}
	return x, nil
}

// envelope is the level of x: the peak of |x| rising and falling with the
// given times in milliseconds.
func envelope(x []float32, rate int, rise, fall float64) []float32 {
	up, down := 1-math.Exp(-1000/(rise*float64(rate))), 1-math.Exp(-1000/(fall*float64(rate)))
	out := make([]float32, len(x))
	e := 0.0
	for i, v := range x {
		a := math.Abs(float64(v))
		if a > e {
			e += up * (a - e)
		} else {
			e += down * (a - e)
		}
		if e < 1e-20 {
			e = 0
		}
		out[i] = float32(e)
	}
	return out
}
