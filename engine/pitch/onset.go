package pitch

import "math"

// envelope is the RMS of a sound in short steps: the whole voice, and what
// lies high (consonants), dB re full scale.
type envelope struct {
	step      int // samples
	all, high []float64
}

const (
	envelopeSeconds = 0.002
	smoothSteps     = 3    // RMS windows span three steps, 6 ms
	riseDB          = 15.0 // an onset is where the level first comes this near the attack's top
	floorRiseDB     = 8.0  // and so far over the noise
	beforeSeconds   = 0.05 // searched before the first voiced frame
	afterSeconds    = 0.09 // the attack's top is sought this far on
	leadSeconds     = 0.18 // a consonant is no longer than this
	leadRangeDB     = 30.0 // and no softer than this under its vowel
)

// newEnvelope reads level and high level; the high band is the second
// difference of the sound, which leans on what is over a quarter of the rate
// at 16 kHz and is level-matched there (a plain, cheap high-pass).
func newEnvelope(x []float32, sampleRate int) *envelope {
	e := &envelope{step: max(1, int(envelopeSeconds*float64(sampleRate)))}
	n := len(x)/e.step + 1
	all, high := make([]float64, n), make([]float64, n)
	lag := max(1, int(math.Round(float64(sampleRate)/16000)))
	gain := 0.25
	for i := 2 * lag; i < len(x); i++ {
		v := float64(x[i-lag])
		d := gain * (float64(x[i]) - 2*v + float64(x[i-2*lag]))
		if d-d != 0 {
			continue
		}
		k := (i - lag) / e.step
		all[k] += v * v
		high[k] += d * d
	}
	e.all, e.high = smoothDB(all, e.step), smoothDB(high, e.step)
	return e
}

func smoothDB(squares []float64, step int) []float64 {
	out := make([]float64, len(squares))
	half := smoothSteps / 2
	for k := range out {
		sum, n := 0.0, 0
		for j := max(0, k-half); j <= min(len(squares)-1, k+half); j++ {
			sum += squares[j]
			n += step
		}
		out[k] = decibels(sum / float64(n))
	}
	return out
}

func (e *envelope) at(sample int64) int {
	return int(max(0, min(sample/int64(e.step), int64(len(e.all)-1))))
}

func (e *envelope) sample(k int) int64 { return int64(k)*int64(e.step) + int64(e.step)/2 }

// floorDB is the level under which a share of the values lies.
func floorDB(v []float64, share float64) float64 {
	bins := make([]int, 200)
	for _, d := range v {
		bins[int(max(0, min(199, -d)))]++
	}
	left := int(share * float64(len(v)))
	for k := len(bins) - 1; k >= 0; k-- {
		if left -= bins[k]; left < 0 {
			return -float64(k)
		}
	}
	return 0
}

// place moves onsets to where the sound rises and finds the consonants before
// them.
func (s *segmenter) place(notes []Note) {
	s.env = newEnvelope(s.x, s.sampleRate)
	floor := floorDB(s.env.all, floorShare)
	highFloor := floorDB(s.env.high, floorShare)
	for i := range notes {
		n := &notes[i]
		after := int64(0)
		if i > 0 {
			after = notes[i-1].Offset
		}
		if !n.Legato {
			s.placeOnset(n, after, floor)
		}
		n.Attack = n.Onset
		if !n.Legato {
			s.placeAttack(n, after, highFloor)
		}
	}
}

func (s *segmenter) seconds(t float64) int64 { return int64(t * float64(s.sampleRate)) }

// placeOnset looks from the top of the attack back to where the voice's level
// first comes near it.
func (s *segmenter) placeOnset(n *Note, after int64, floor float64) {
	e := s.env
	from := e.at(max(after, n.Onset-s.seconds(beforeSeconds)))
	to := e.at(min(n.Offset, n.Onset+s.seconds(afterSeconds)))
	voice := func(k int) float64 { return voicePart(e.all[k], e.high[k]) }
	top, topAt := MinLevelDB, to
	for k := e.at(n.Onset); k <= to; k++ {
		if v := voice(k); v > top {
			top, topAt = v, k
		}
	}
	need := max(top-riseDB, min(floor+floorRiseDB, top-4))
	k := topAt
	for k > from && voice(k-1) >= need {
		k--
	}
	if k > from { // rose from below: else the voice goes on from before
		n.Onset = e.sample(k)
	}
}

// voicePart is the level without what lies high, dB.
func voicePart(all, high float64) float64 {
	const matched = 4.0 // the high reading of white noise is this far under its whole, as power
	p := math.Pow(10, all/10) - matched*math.Pow(10, high/10)
	return decibels(p)
}

// placeAttack follows the high band back from the onset while it sounds.
func (s *segmenter) placeAttack(n *Note, after int64, floor float64) {
	e := s.env
	first := e.at(max(after+s.seconds(0.01), n.Onset-s.seconds(leadSeconds)))
	need := max(n.LevelDB-leadRangeDB, floor+6)
	const hole = 12 // steps without high sound, 24 ms, that a consonant may hold
	last := -1
	for k := e.at(n.Onset); k >= first; k-- {
		if e.high[k] >= need {
			last = k
		} else if last >= 0 && last-k > hole || last < 0 && e.at(n.Onset)-k > hole {
			break
		}
	}
	if last >= 0 && e.sample(last) < n.Onset-s.seconds(0.012) {
		n.Attack = e.sample(last)
	}
}
