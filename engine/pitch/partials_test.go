package pitch

import (
	"math"
	"math/rand/v2"
)

const partialsName = "sums of partials"

// partials is another singer, of another build: every note the sum of its
// partials under fixed hills, without breath or glottis, faded straight in over
// 30 ms and out over 40, with scoops that die away, vibrato, noise 35 dB down
// and a click on each half second. Its throat delays nothing.
func partials() condition {
	const sr = conditionRate
	rng := rand.New(rand.NewPCG(5, 1))
	c := condition{name: partialsName, owed: owed{0.9985, 0.998, 0.985, 0.02, 0}, x: make([]float32, 32*sr), f0: make([]float64, 32*sr/truthStep)}
	for i, k := range rng.Perm(45)[:22] {
		length, start := int(sr*(0.8+0.35*rng.Float64())), int(sr*(0.2+1.38*float64(i)))
		n := partialNote{cents: float64(4000 + 100*k), level: 0.36 * math.Pow(10, (9*rng.Float64()-6)/20)}
		if i%2 == 0 {
			n.vibratoHz, n.vibrato = 4.5+2*rng.Float64(), 20+40*rng.Float64()
		}
		if i%3 == 0 {
			n.scoop = 80
		}
		n.hills = [3]float64{300 + 500*rng.Float64(), 900 + 1000*rng.Float64(), 2600}
		for h := range n.phases {
			n.phases[h] = rng.Float64()
		}
		n.sing(c, start, length)
	}
	for i := range c.x {
		c.x[i] += float32(0.0018 * rng.NormFloat64())
	}
	addClicks(c.x, sr, -40, 0.5)
	return c
}

type partialNote struct {
	cents, level, vibratoHz, vibrato, scoop float64
	hills                                   [3]float64
	phases                                  [60]float64 // of the partials, in turns
}

func (n partialNote) sing(c condition, start, length int) {
	turn := 0.0
	for i := range length {
		t := float64(i) / conditionRate
		hz := Hz(n.cents - n.scoop*math.Exp(-t/0.04) + n.vibrato*min(1, max(0, (t-0.15)/0.2))*math.Sin(2*math.Pi*n.vibratoHz*t))
		if (start+i)%truthStep == 0 {
			c.f0[(start+i)/truthStep] = hz
		}
		turn += hz / conditionRate
		sum := 0.0
		for h := 1; h < len(n.phases) && float64(h)*hz < 8000; h++ {
			gain := 0.05
			for _, hill := range n.hills {
				d := (float64(h)*hz - hill) / 120
				gain += 1 / (1 + d*d)
			}
			sum += gain / float64(h) * math.Sin(2*math.Pi*(float64(h)*turn+n.phases[h]))
		}
		fade := min(1, t/0.03, (float64(length)/conditionRate-t)/0.04)
		c.x[start+i] += float32(n.level * fade * sum)
	}
}
