package pitch

import "math"

// envelope holds running sums of squares in short steps: the whole sound, and
// what lies high (consonants).
type envelope struct {
	step      int // samples
	all, high []float64
}

const (
	envelopeSeconds = 0.002
	smoothSteps     = 3    // RMS windows span three steps, 6 ms
	riseDB          = 15.0 // an onset is where the level first comes this near the attack's top
	floorRiseDB     = 8.0  // and so far over the noise
	softDB          = 12.0 // under the note's level: not the note yet
	dipRiseDB       = 3.0
	untieSeconds    = 0.1 // from a change of pitch a dip is sought so far on either side
	untieDB         = 5.0
	beforeSeconds   = 0.05  // searched before the first voiced frame
	afterSeconds    = 0.09  // the attack's top is sought this far on
	leastLead       = 0.012 // and no shorter
	leastMurmur     = 0.015 // a voiced consonant is no shorter
	leadSeconds     = 0.18  // a consonant is no longer than this
	leadRangeDB     = 30.0  // and no softer than this under its vowel
)

// newEnvelope reads level and high level; the high band is the second
// difference of the sound, which leans on what is over a quarter of the rate
// at 16 kHz and is level-matched there (a plain, cheap high-pass).
func newEnvelope(x []float32, sampleRate int) *envelope {
	e := &envelope{step: max(1, int(envelopeSeconds*float64(sampleRate)))}
	n := len(x)/e.step + 1
	e.all, e.high = make([]float64, n+1), make([]float64, n+1)
	lag := max(1, int(math.Round(float64(sampleRate)/16000)))
	const gain = 0.25
	for i := 2 * lag; i < len(x); i++ {
		v := float64(x[i-lag])
		d := gain * (float64(x[i]) - 2*v + float64(x[i-2*lag]))
		if d-d != 0 {
			continue
		}
		k := (i - lag) / e.step
		e.all[k+1] += v * v
		e.high[k+1] += d * d
	}
	for k := range n {
		e.all[k+1] += e.all[k]
		e.high[k+1] += e.high[k]
	}
	return e
}

// steps is how many there are.
func (e *envelope) steps() int { return len(e.all) - 1 }

// mean is the mean square of running sums v over 2*half+1 steps around k.
func (e *envelope) mean(v []float64, k, half int) float64 {
	from, to := max(0, k-half), min(e.steps(), k+half+1)
	return max(0, v[to]-v[from]) / float64((to-from)*e.step)
}

func (e *envelope) highDB(k int) float64 { return decibels(e.mean(e.high, k, smoothSteps/2)) }

// voiceDB is the level without what lies high.
func (e *envelope) voiceDB(k, half int) float64 {
	const matched = 4.0 // the high reading of white noise is this far under its whole, as power
	return decibels(e.mean(e.all, k, half) - matched*e.mean(e.high, k, half))
}

func (e *envelope) at(sample int64) int {
	return int(max(0, min(sample/int64(e.step), int64(e.steps()-1))))
}

func (e *envelope) sample(k int) int64 { return int64(k)*int64(e.step) + int64(e.step)/2 }

// floorDB is the level under which a share of the steps lies.
func (e *envelope) floorDB(db func(k int) float64, share float64) float64 {
	bins := make([]int, 200)
	for k := range e.steps() {
		bins[int(max(0, min(199, -db(k))))]++
	}
	left := int(share * float64(e.steps()))
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
	floor := s.env.floorDB(func(k int) float64 { return s.env.voiceDB(k, smoothSteps/2) }, floorShare)
	highFloor := s.env.floorDB(s.env.highDB, floorShare)
	for i := range notes {
		n := &notes[i]
		after := int64(0)
		if i > 0 {
			if n.Legato {
				s.untie(&notes[i-1], n)
			}
			after = notes[i-1].Offset
		}
		if n.Legato {
			n.Attack, n.Murmur = n.Onset, n.Onset
			continue
		}
		voiced := max(after, n.Murmur)
		s.placeOnset(n, after, floor)
		n.Attack, n.Murmur = n.Onset, n.Onset
		if voiced < n.Onset-s.seconds(leastMurmur) {
			n.Murmur = voiced
		}
		s.placeAttack(n, after, highFloor)
	}
}

// untie looks for a dip of level near a change of pitch: where there is one,
// the notes part at it, and not where the pitch trace crosses over.
func (s *segmenter) untie(before, n *Note) {
	frame := func(t int64) int {
		k := int((t - s.frames[0].Sample) / max(1, s.frames[1].Sample-s.frames[0].Sample))
		return max(0, min(len(s.frames)-1, k))
	}
	from := frame(max(before.Onset+s.seconds(0.04), n.Onset-s.seconds(untieSeconds)))
	to := frame(min(n.Offset-s.seconds(0.04), n.Onset+s.seconds(untieSeconds)))
	if to <= from {
		return
	}
	low := from
	for k := from; k <= to; k++ {
		if s.frames[k].LevelDB < s.frames[low].LevelDB {
			low = k
		}
	}
	reach := s.count(untieSeconds)
	v := s.frames[low].LevelDB + untieDB
	if s.loudest(max(0, low-reach), low+1) < v || s.loudest(low, min(len(s.frames), low+reach)) < v {
		return
	}
	n.Legato = false
	n.Onset, before.Offset = s.frames[low].Sample, s.frames[low].Sample
}

func (s *segmenter) seconds(t float64) int64 { return int64(t * float64(s.sampleRate)) }

// placeOnset looks from the top of the attack back to where the voice's level
// first comes near it, or out of the dip before it.
func (s *segmenter) placeOnset(n *Note, after int64, floor float64) {
	e := s.env
	from := e.at(max(after, n.Onset-s.seconds(beforeSeconds)))
	half := max(smoothSteps, int(0.8*float64(s.sampleRate)/Hz(n.CentreCents))/e.step) / 2 // not to follow each period
	rise := e.at(n.Onset)                                                                 // past what is too soft to be the note yet
	for rise < e.at(min(n.Offset, n.Onset+s.seconds(leadSeconds))) && e.voiceDB(rise, half) < n.LevelDB-softDB {
		rise++
	}
	to := e.at(min(n.Offset, e.sample(rise)+s.seconds(afterSeconds)))
	top, topAt := MinLevelDB, to
	for k := e.at(n.Onset); k <= to; k++ {
		if v := e.voiceDB(k, half); v > top {
			top, topAt = v, k
		}
	}
	low := top
	for k := from; k < topAt; k++ {
		low = min(low, e.voiceDB(k, half))
	}
	need := max(top-riseDB, min(floor+floorRiseDB, top-4), min(low+dipRiseDB, top-3))
	k := topAt
	for k > from && e.voiceDB(k-1, half) >= need {
		k--
	}
	if k > from { // rose from below: else the voice goes on from before
		n.Onset = e.sample(k)
	}
}

// placeAttack follows the high band back from the onset while it sounds.
func (s *segmenter) placeAttack(n *Note, after int64, floor float64) {
	e := s.env
	first := e.at(max(after+s.seconds(0.01), n.Onset-s.seconds(leadSeconds)))
	need := max(n.LevelDB-leadRangeDB, floor+6)
	const hole = 12 // steps without high sound, 24 ms, that a consonant may hold
	last := -1
	for k := e.at(n.Onset); k >= first; k-- {
		if e.highDB(k) >= need {
			last = k
		} else if last >= 0 && last-k > hole || last < 0 && e.at(n.Onset)-k > hole {
			break
		}
	}
	if last >= 0 && e.sample(last) < n.Onset-s.seconds(leastLead) {
		n.Attack = e.sample(last)
	}
}
