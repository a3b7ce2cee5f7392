package sketch

import (
	"math"

	"cuechoir/engine/tuning"
)

// keyChoice is the key of a note: off cents from it, with the probability sure,
// and what it would be else.
type keyChoice struct {
	key, rival int
	off, sure  float64
}

// How a scale leans on a note's choice; costs are in nats, from memory of how
// often melodies leave their key and tuned on no real singer.
const (
	pitchSpread  = 28.0 // cents, standard deviation of a hummed note about its key
	outsideCost  = 1.2  // of a note outside a guessed key that fits well
	raisedCost   = 0.6  // of a raised sixth or seventh in minor
	givenOutside = 25.0 // of a note outside a key that was given
	fitNothing   = 0.5  // a guess of this correlation says nothing ...
	fitFull      = 0.8  // ... and of this all
	lowestKey    = 0
	highestKey   = 127
)

// readKeys finds the scale, unless it is given, and each note's key in it.
func (s *Sketch) readKeys(notes []heardNote, tune tuning.Line, sampleRate int, o Options) []keyChoice {
	flat := make([]float64, len(notes))
	var sounding [12]float64
	for i, h := range notes {
		flat[i] = h.cents - tune.At(minutesOf(h, sampleRate))
		free := chooseKey(flat[i], h.errCents, func(int) float64 { return 0 })
		seconds := float64(h.offset-h.onset) / float64(sampleRate)
		sounding[class(free.key)] += seconds * free.sure
		sounding[class(free.rival)] += seconds * (1 - free.sure)
	}
	weight := 1.0
	if o.Scale != nil {
		s.Scale = *o.Scale
	} else {
		s.Guessed = true
		s.Scale, s.Rival, s.ScaleFit, s.RivalFit = guessScale(sounding)
		weight = min(1, max(0, (s.ScaleFit-fitNothing)/(fitFull-fitNothing)))
	}
	cost := func(key int) float64 {
		switch s.Scale.belongs(class(key)) {
		case 1:
			return weight * raisedCost
		case 2:
			if o.Scale != nil {
				return givenOutside
			}
			return weight * outsideCost
		}
		return 0
	}
	out := make([]keyChoice, len(notes))
	for i, h := range notes {
		out[i] = chooseKey(flat[i], h.errCents, cost)
		out[i].key = min(max(out[i].key+12*o.Octaves, lowestKey), highestKey)
		out[i].rival = min(max(out[i].rival+12*o.Octaves, lowestKey), highestKey)
	}
	return out
}

func class(key int) int { return (key%12 + 12) % 12 }

// chooseKey is the likeliest key of a pitch (absolute cents, tuning off): a
// normal error about the key, and what the scale says of it.
func chooseKey(cents, errCents float64, cost func(key int) float64) keyChoice {
	const reach = 3 // semitones, so that a given scale always has a note
	spread := math.Hypot(pitchSpread, errCents)
	mid := int(math.Round(cents / 100))
	best, second, sum := math.Inf(-1), math.Inf(-1), 0.0
	c := keyChoice{}
	for k := mid - reach; k <= mid+reach; k++ {
		off := cents - 100*float64(k)
		p := -off*off/(2*spread*spread) - cost(k)
		sum += math.Exp(p)
		switch {
		case p > best:
			c.rival, second = c.key, best
			c.key, c.off, best = k, off, p
		case p > second:
			c.rival, second = k, p
		}
	}
	if sum > 0 {
		c.sure = math.Exp(best) / sum
	}
	return c
}
