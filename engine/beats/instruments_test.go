package beats

import (
	"math"
	"math/rand/v2"
)

// synthRate is the sample rate of the made-up references: their sound ends at
// 8 kHz.
const synthRate = 24000

// tone is one note of a made-up instrument.
type tone struct {
	hz       float64
	partials int
	tilt     float64 // partial k has the amplitude k^-tilt
	attack   float64 // seconds to full level
	hold     float64 // seconds from the start to the release
	decay    float64 // time constant while it is held, seconds; 0: none
	release  float64 // time constant after, seconds
	noise    float64 // share of noise at the attack, 0 to 1
	level    float64
}

// envelopeStep is how often, in samples, an envelope is reckoned.
const envelopeStep = 24

// levelAt is the envelope at s seconds after the start.
func (n tone) levelAt(s float64) float64 {
	a := n.level * min(1, s/max(n.attack, 1e-3))
	if n.decay > 0 {
		a *= math.Exp(-s / n.decay)
	}
	if s > n.hold {
		a *= math.Exp(-(s - n.hold) / n.release)
	}
	return a
}

// add puts the note into x from `at` seconds on.
func (n tone) add(x []float32, at float64, r *rand.Rand) {
	start := int(math.Round(at * synthRate))
	length := int((n.hold + 5*n.release) * synthRate)
	env := make([]float64, length/envelopeStep+2)
	for i := range env {
		env[i] = n.levelAt(float64(i*envelopeStep) / synthRate)
	}
	from, to := max(0, start), min(len(x), start+length)
	for k := 1; k <= n.partials && n.hz*float64(k) < 8000; k++ {
		w := 2 * math.Pi * n.hz * float64(k) / synthRate
		a := math.Pow(float64(k), -n.tilt)
		phase := 2*math.Pi*r.Float64() + w*float64(from-start)
		c := 2 * math.Cos(w)
		s1, s2 := a*math.Sin(phase-w), a*math.Sin(phase-2*w)
		for i := from; i < to; i++ {
			s := c*s1 - s2
			s2, s1 = s1, s
			x[i] += float32(s * between(env, i-start))
		}
	}
	if n.noise > 0 {
		for i := from; i < to; i++ {
			s := float64(i-start) / synthRate
			if s > 0.15 && n.partials > 0 {
				break
			}
			hit := n.noise * (2*r.Float64() - 1)
			if n.partials > 0 {
				hit *= math.Exp(-s / 0.02)
			}
			x[i] += float32(hit * between(env, i-start))
		}
	}
}

func between(env []float64, i int) float64 {
	k := i / envelopeStep
	f := float64(i%envelopeStep) / envelopeStep
	return env[k] + f*(env[k+1]-env[k])
}

// The orchestra. Pitches are MIDI keys, lengths seconds.
func timpani(key, level float64) tone {
	return tone{hz: hz(key), partials: 4, tilt: 1.3, attack: 0.003, hold: 0.1, decay: 0.35, release: 0.3, noise: 0.5, level: level}
}

func pluck(key, length, level float64) tone {
	return tone{hz: hz(key), partials: 8, tilt: 1, attack: 0.004, hold: length, decay: 0.25, release: 0.05, noise: 0.25, level: level}
}

func bowed(key, length, level float64) tone {
	return tone{hz: hz(key), partials: 10, tilt: 0.9, attack: 0.02, hold: length, release: 0.06, level: level}
}

func brass(key, length, attack, level float64) tone {
	return tone{hz: hz(key), partials: 12, tilt: 0.6, attack: attack, hold: length, release: 0.08, level: level}
}

func cymbal(level float64) tone {
	return tone{attack: 0.002, hold: 0.4, decay: 0.3, release: 0.2, noise: 1, level: level}
}

func hz(key float64) float64 { return 440 * math.Exp2((key-69)/12) }
