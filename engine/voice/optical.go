package voice

import (
	"math"

	"cuechoir/internal/dsp"
)

// The old optical sound: what a mono print of the 1940s and its reproducer did.
// Band: the Academy curve, flat from 100 Hz to 1.6 kHz, -7 dB at 40 Hz, -10 dB
// at 5 kHz, -18 dB at 8 kHz (codified 1938; the figures as dictionaries of the
// trade give them, the table itself was not read). Unevenness of speed is
// told weighted as IEC 386 (1972) does. Levels of noise are common practice.

// academyLow and academyHigh are second-order Butterworth corners that keep
// within 1 dB of the quoted points (by arithmetic, see the test).
const (
	academyLow  = 56.6   // Hz
	academyHigh = 2950.0 // Hz
)

func academy(rate int) ([]dsp.Coefficients, error) {
	low, err := dsp.ButterworthHighpass(2, academyLow, float64(rate))
	if err != nil {
		return nil, err
	}
	high, err := dsp.ButterworthLowpass(2, academyHigh, float64(rate))
	return append(low, high...), err
}

func runAcademy(x []float32, rate int, _ []float64) ([]float32, error) {
	c, err := academy(rate)
	if err != nil {
		return nil, err
	}
	return through(x, c...), nil
}

// runHiss adds white noise of an rms level.
func runHiss(x []float32, _ int, v []float64) ([]float32, error) {
	r := &random{state: uint64(v[1])<<8 + 3}
	gain := math.Sqrt(3) * math.Pow(10, v[0]/20) // uniform: its rms is its peak over the root of 3
	for i := range x {
		x[i] += float32(gain * r.side())
	}
	return x, nil
}

// runCrackle adds clicks of 0.1 to 1 ms at random times (Poisson), their peaks
// up to a level against the sound's own.
func runCrackle(x []float32, rate int, v []float64) ([]float32, error) {
	r := &random{state: uint64(v[2])<<8 + 5}
	top := 4 * loudLevel(x) * math.Pow(10, v[1]/20)
	sr := float64(rate)
	for at := 0.0; ; {
		at += -math.Log(1-r.unit()) / v[0] * sr
		if at >= float64(len(x)) {
			return x, nil
		}
		peak := top * math.Pow(r.unit(), 2) // few are loud
		fall := math.Exp(-1 / (sr * 0.0001 * (1 + 2*r.unit())))
		if r.unit() < 0.5 {
			peak = -peak
		}
		for i := int(at); i < min(len(x), int(at)+rate/500); i++ {
			x[i] += float32(peak)
			peak *= fall * (0.4 + 0.6*math.Abs(r.side())) // a rough edge
		}
	}
}

func runWow(x []float32, rate int, v []float64) ([]float32, error) {
	return uneven(x, rate, v[0]/100, v[1], uint64(v[2])<<8+7)
}

func runFlutter(x []float32, rate int, v []float64) ([]float32, error) {
	return uneven(x, rate, v[0]/100, v[1], uint64(v[2])<<8+9)
}

// uneven reads x at a speed that swings by a share at hz, peak, in a sine whose
// phase is seeded.
func uneven(x []float32, rate int, share, hz float64, seed uint64) ([]float32, error) {
	if share == 0 {
		return x, nil
	}
	r := &random{state: seed}
	phase := 2 * math.Pi * r.unit()
	reach := share * float64(rate) / (2 * math.Pi * hz) // samples
	s := &Sung{x: x, rate: rate}
	table := sincFor(1)
	out := make([]float32, len(x))
	var row [taps]float32
	turn := 2 * math.Pi * hz / float64(rate)
	for i := range out {
		at := float64(i) + reach*(math.Sin(turn*float64(i)+phase)-math.Sin(phase))
		whole := math.Floor(at)
		table.between(&row, at-whole)
		out[i] = float32(s.read(&row, int(whole)))
	}
	return out, nil
}

// iec386 is the weighting of IEC 386 (1972), the same as DIN 45507: rates in
// Hz and dB against 4 Hz (from memory).
var iec386 = [][2]float64{{0.2, -30.6}, {0.315, -19.7}, {0.4, -15}, {0.63, -8.4}, {0.8, -6}, {1, -4.2}, {1.6, -1.8}, {2, -0.9},
	{4, 0}, {6.3, -0.9}, {10, -2.1}, {20, -5.9}, {40, -10.4}, {63, -14.2}, {100, -17.3}, {200, -23}}

// iec386DB is the weight at a rate, straight between the table's points over
// the logarithm of the rate.
func iec386DB(hz float64) float64 {
	last := len(iec386) - 1
	for i, p := range iec386 {
		if hz <= p[0] {
			if i == 0 {
				return p[1]
			}
			q := iec386[i-1]
			return q[1] + (p[1]-q[1])*math.Log(hz/q[0])/math.Log(p[0]/q[0])
		}
	}
	return iec386[last][1]
}

// What runOptical does at 100 %: 0.3 % of wow and of flutter each, peak,
// weighted by IEC 386, hiss 38 dB and clicks 12 dB under the sound, 12 a
// second.
const (
	opticalWeighted = 0.003
	opticalWow      = 0.6
	opticalFlutter  = 9.6
	opticalHissDB   = -38.0
	opticalClicksDB = -12.0
	opticalClicks   = 12.0
)

// runOptical goes the track's way: an uneven transport, dust and grain on the
// print, the band of the reproducer. By an amount of 0 % nothing changes.
func runOptical(x []float32, rate int, v []float64) ([]float32, error) {
	amount := v[0] / 100
	level := loudLevel(x)
	if amount == 0 || level == 0 {
		return x, nil
	}
	fewer := 20 * math.Log10(amount)
	seed := v[1]
	var err error
	for _, hz := range []float64{opticalWow, opticalFlutter} {
		share := amount * opticalWeighted / math.Pow(10, iec386DB(hz)/20)
		if x, err = uneven(x, rate, share, hz, uint64(seed)<<8+uint64(hz)); err != nil {
			return nil, err
		}
	}
	if x, err = runCrackle(x, rate, []float64{opticalClicks * amount, opticalClicksDB + fewer, seed}); err != nil {
		return nil, err
	}
	hiss := max(-100, 20*math.Log10(level)+opticalHissDB+fewer)
	if x, err = runHiss(x, rate, []float64{hiss, seed}); err != nil {
		return nil, err
	}
	return runAcademy(x, rate, nil)
}
