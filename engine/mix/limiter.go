package mix

import (
	"math"

	"cuechoir/engine/loudness"
)

// Limiter keeps true peaks at or below a ceiling. Method: the crest around each
// sample by four-times interpolation (ITU-R BS.1770 Annex 2) tells the gain that
// it may have; the least of 2 ms is averaged over 2 ms, so that the gain is down
// when the crest comes and no step is heard; it comes back by an exponential.
// What comes out lies Latency samples later. Cost: 3 ns a sample where all is
// below the ceiling, 60 where it is not. Known failure: a gain in motion moves
// crests between samples by some hundredths of a dB.
type Limiter struct {
	CeilingDBTP         float64 // -60 to below 0; 0 is off
	ReleaseMilliseconds float64 // 1 to 2000; 0 is 80
}

const (
	limiterLook    = 2 // ms
	limiterRelease = 80
)

func (l Limiter) validate() error {
	if l.CeilingDBTP == 0 {
		return nil
	}
	return within("limiter", bound{"ceiling_dbtp", l.CeilingDBTP, -60, -0.001}, bound{"release_ms", orDefault(l.ReleaseMilliseconds, limiterRelease), 1, 2000})
}

// Latency is by how many samples what comes out of its processor lies later.
func (l Limiter) Latency(sampleRate int) int {
	if l.CeilingDBTP == 0 {
		return 0
	}
	return loudness.CrestDelay + limiterWindow(sampleRate) - 1
}

func limiterWindow(rate int) int { return max(1, rate*limiterLook/1000) }

// Processor makes one; the zero value changes nothing.
func (l Limiter) Processor(sampleRate int) (Processor, error) {
	if err := l.validate(); err != nil {
		return nil, err
	}
	if l.CeilingDBTP == 0 {
		return through{}, nil
	}
	w := limiterWindow(sampleRate)
	m := &limiter{ceiling: Gain(l.CeilingDBTP), window: w, least: slidingMin{ring: make([]moment, w+1)}, past: make([]int64, w), envelope: 1, lowest: 1,
		release: 1 - math.Exp(-1/(orDefault(l.ReleaseMilliseconds, limiterRelease)/1000*float64(sampleRate))), sum: int64(w) << gainBits}
	for i := range m.past {
		m.past[i] = 1 << gainBits
	}
	for c := range m.crests {
		m.crests[c] = loudness.NewCrests()
		m.late[c] = newLine(l.Latency(sampleRate))
	}
	return m, nil
}

// gainBits is where the point lies in gains kept as whole numbers: their sum
// over the window is exact, so it never drifts.
const gainBits = 40

const limiterPiece = 64

type limiter struct {
	ceiling, release float64
	window           int
	crests           [2]*loudness.Crests
	late             [2]line
	least            slidingMin
	envelope         float64
	past             []int64 // the window's gains
	pastAt           int
	sum              int64 // of past
	own, other       [limiterPiece]float64
	gains            [limiterPiece]float64
	lowest           float64 // the least gain so far
}

func (l *limiter) Process(left, right []float64) {
	for len(left) > 0 {
		n := min(limiterPiece, len(left))
		l.crests[0].Push(left[:n], l.own[:n], l.ceiling)
		if right != nil {
			l.crests[1].Push(right[:n], l.other[:n], l.ceiling)
			for i, v := range l.other[:n] {
				l.own[i] = max(l.own[i], v)
			}
		}
		for i, crest := range l.own[:n] {
			l.gains[i] = l.gain(crest)
		}
		l.play(0, left[:n])
		left = left[n:]
		if right != nil {
			l.play(1, right[:n])
			right = right[n:]
		}
	}
}

// gain is that of the sample Latency samples ago, once the crest of the newest
// is known.
func (l *limiter) gain(crest float64) float64 {
	may := 1.0
	if crest > l.ceiling {
		may = l.ceiling / crest
	}
	l.envelope = min(l.least.push(may, l.window), l.envelope+float64(l.release*(1-l.envelope)))
	if l.envelope > 1-1e-9 {
		l.envelope = 1
	}
	g := int64(l.envelope * (1 << gainBits)) // rounded down: never too loud
	l.sum += g - l.past[l.pastAt]
	l.past[l.pastAt] = g
	if l.pastAt++; l.pastAt == l.window {
		l.pastAt = 0
	}
	gain := float64(l.sum) / float64(int64(l.window)<<gainBits)
	l.lowest = min(l.lowest, gain)
	return gain
}

// TakenDB is the most that the limiter has taken so far, 0 or more.
func (l *limiter) TakenDB() float64 {
	if l.lowest == 1 {
		return 0
	}
	return -decibels(l.lowest)
}

func (l *limiter) play(channel int, x []float64) {
	d := &l.late[channel]
	at := d.at
	for i, v := range x {
		x[i], d.x[at] = l.gains[i]*d.x[at], v
		if at++; at == len(d.x) {
			at = 0
		}
	}
	d.at = at
}

// moment is a value and when it came.
type moment struct {
	value float64
	at    int64
}

// slidingMin is the least of the last values: a queue whose values rise
// (Lemire, «Streaming maximum-minimum filter», 2006).
type slidingMin struct {
	ring        []moment
	first, size int
	at          int64
}

func (s *slidingMin) push(v float64, window int) float64 {
	n := len(s.ring)
	for s.size > 0 && s.ring[(s.first+s.size-1)%n].value >= v {
		s.size--
	}
	s.ring[(s.first+s.size)%n] = moment{v, s.at}
	s.size++
	if s.at-s.ring[s.first].at >= int64(window) {
		s.first = (s.first + 1) % n
		s.size--
	}
	s.at++
	return s.ring[s.first].value
}
