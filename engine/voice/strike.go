package voice

import (
	"math"
	"slices"

	"cuechoir/internal/dsp"
)

// Aim: consonants and syllables that strike: drums, kettledrums, glass.
// Method: each attack of the voice (a sudden rise, or where the voice comes in)
// starts decaying modes or a burst of noise, as strong as the attack's peak.
// Known failure: notes sung on from one to the next strike once.

const (
	strokeApart = 0.08 // seconds: attacks closer than this are one
	strokePeak  = 0.06 // after an attack, in which its strength is read
	pitchFrom   = 0.03 // after an attack, where its pitch is read ...
	pitchTo     = 0.25 // ... until here
)

// stroke is an attack: where, how strong (peak), on which pitch (0: none).
type stroke struct {
	at       int
	peak, hz float64
}

func strokesOf(x []float32, rate int) ([]stroke, error) {
	s, err := Listen(x, rate)
	if err != nil {
		return nil, err
	}
	at := attacks(x, max(1, rate/1000))
	for i := range s.runs {
		at = append(at, int(s.runs[i].first()))
	}
	slices.Sort(at)
	var out []stroke
	loud := loudLevel(x)
	for _, a := range at {
		if len(out) > 0 && a-out[len(out)-1].at < int(strokeApart*float64(rate)) {
			continue
		}
		k := stroke{at: a}
		for _, v := range x[a:min(len(x), a+int(strokePeak*float64(rate)))] {
			k.peak = max(k.peak, math.Abs(float64(v)))
		}
		if k.peak < 0.05*loud {
			continue
		}
		k.hz = s.pitchAfter(a)
		out = append(out, k)
	}
	return out, nil
}

// pitchAfter is the median pitch soon after a place; 0 when there is no voice.
func (s *Sung) pitchAfter(at int) float64 {
	var hz []float64
	for t := pitchFrom; t <= pitchTo; t += 0.01 {
		if f, ok := s.hzAt(float64(at) + t*float64(s.rate)); ok {
			hz = append(hz, f)
		}
	}
	if len(hz) == 0 {
		return 0
	}
	slices.Sort(hz)
	return hz[len(hz)/2]
}

// mode is a partial of something struck: its pitch against the lowest, its
// level, and how much sooner it dies away.
type mode struct{ ratio, level, sooner float64 }

// kettleModes are those of a tuned kettledrum, near 2:3:4:5 (Rossing 1982);
// glassModes those of a free bar (Fletcher & Rossing 1998); levels from memory.
var (
	kettleModes = []mode{{1, 1, 1}, {1.5, 0.7, 1.3}, {1.99, 0.45, 1.7}, {2.44, 0.3, 2.2}, {2.89, 0.2, 3}, {0.85, 0.5, 8}}
	glassModes  = []mode{{1, 1, 1}, {2.756, 0.45, 1.8}, {5.404, 0.2, 3}, {8.933, 0.08, 5}}
)

// struck lays modes down at each stroke. fall is the time in seconds to -60 dB
// of the lowest; low and high bound its pitch, which goes there by octaves.
func struck(x []float32, rate int, fall, voiceDB, low, high, usual float64, modes []mode) ([]float32, error) {
	strokes, err := strokesOf(x, rate)
	if err != nil {
		return nil, err
	}
	ring := int(fall * float64(rate))
	out := make([]float64, len(x)+ring)
	voice := math.Pow(10, voiceDB/20)
	for i, v := range x {
		out[i] = voice * float64(v)
	}
	for _, k := range strokes {
		hz := k.hz
		if hz == 0 {
			hz = usual
		}
		for hz > high {
			hz /= 2
		}
		for hz < low {
			hz *= 2
		}
		for _, m := range modes {
			if hz*m.ratio < 0.45*float64(rate) {
				ringMode(out[k.at:], k.peak*m.level, hz*m.ratio, fall/m.sooner, rate)
			}
		}
	}
	return narrow(out), nil
}

// ringMode adds a decaying sine, risen within a millisecond.
func ringMode(dst []float64, peak, hz, fall float64, rate int) {
	sr := float64(rate)
	decay := math.Exp(-math.Log(1000) / (fall * sr))
	ts, tc := math.Sincos(2 * math.Pi * hz / sr)
	sin, cos := 0.0, peak
	n := min(len(dst), int(fall*sr))
	for i := range n {
		dst[i] += sin * min(1, float64(i)*1000/sr)
		sin, cos = decay*(sin*tc+cos*ts), decay*(cos*tc-sin*ts)
	}
}

func narrow(x []float64) []float32 {
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = float32(v)
	}
	return out
}

func runKettle(x []float32, rate int, v []float64) ([]float32, error) {
	return struck(x, rate, v[0]/1000, v[1], 70, 200, 98, kettleModes) // a kettledrum's range
}

func runChime(x []float32, rate int, v []float64) ([]float32, error) {
	return struck(x, rate, v[0]/1000, v[1], 500, 2000, 1046.5, glassModes)
}

// runDrum: noise through a wide band, and a tone that falls in pitch as a skin
// does.
func runDrum(x []float32, rate int, v []float64) ([]float32, error) {
	noiseHz, fall, tone, ring, wires, voiceDB := v[0], v[1]/1000, v[2], v[3]/1000, v[4]/100, v[5]
	strokes, err := strokesOf(x, rate)
	if err != nil {
		return nil, err
	}
	sr := float64(rate)
	n := len(x) + int(max(fall, ring)*sr)
	hiss := make([]float32, n)
	out := make([]float64, n)
	voice := math.Pow(10, voiceDB/20)
	for i, y := range x {
		out[i] = voice * float64(y)
	}
	r := &random{state: uint64(v[6])}
	for _, k := range strokes {
		decay := math.Exp(-math.Log(1000) / (fall * sr))
		amp := k.peak * wires
		for i := k.at; i < min(n, k.at+int(fall*sr)); i++ {
			hiss[i] += float32(amp * r.side())
			amp *= decay
		}
		skin(out[k.at:], k.peak*(1-wires), tone, ring, sr)
	}
	c, err := dsp.Bandpass(below(noiseHz, rate), 0.6, sr)
	if err != nil {
		return nil, err
	}
	through(hiss, c)
	for i := range out {
		out[i] += 2 * float64(hiss[i])
	}
	return narrow(out), nil
}

// skin adds a tone that begins half as high again and is at its pitch within
// 20 ms.
func skin(dst []float64, peak, hz, ring, sr float64) {
	phase := 0.0
	for i := range min(len(dst), int(ring*sr)) {
		t := float64(i) / sr
		dst[i] += peak * math.Sin(phase) * math.Exp(-math.Log(1000)*t/ring)
		phase += 2 * math.Pi * hz * (1 + 0.5*math.Exp(-t/0.007)) / sr
	}
}
