package beats

import "math"

// Aim: a guess of which beats begin bars.
// Method: each beat has an accent: what begins there in the low register and
// in all, and how much the pitch classes change across it. For each metre the
// row of bar positions that gathers the most accent is found by Viterbi; a bar
// of another length in between costs. A metre's score is the sum of its first
// beats' accents over the root of their number, so that metres compare.
// (The features are those of Davies and Plumbley, «A spectral difference
// approach to downbeat extraction in musical audio», EUSIPCO 2006, and of
// common practice: bass and harmony change on the bar.)
// Cost: beats × metres.
// Known failure: music that accents another beat throughout, as marches that
// begin on an upbeat without a bass.

const (
	oddBar      = 5.0 // cost of a bar of another length, in deviations of accent
	marginScale = 4.0 // a margin of this gives a confidence of 1 - 1/e
	commonMetre = 1.1 // how much the preferred metre's score counts more
)

// barGuess is a row of bars over beats.
type barGuess struct {
	metre      int
	first      []bool
	confidence float64
}

// accents gives each beat's, with a mean of 0 and a deviation of 1.
func accents(chroma [][12]float32, s strength, frames []int) []float64 {
	low, all, chord := make([]float64, len(frames)), make([]float64, len(frames)), make([]float64, len(frames))
	for i, t := range frames {
		low[i], all[i] = nearby(s.low, t), nearby(s.all, t)
		chord[i] = chordChange(chroma, frames, i)
	}
	standardise(low)
	standardise(all)
	standardise(chord)
	out := make([]float64, len(frames))
	for i := range out {
		out[i] = low[i] + 0.7*all[i] + chord[i]
	}
	standardise(out)
	return out
}

// chordChange is 1 less the likeness of the pitch classes in the beat before
// and the beat from i on.
func chordChange(chroma [][12]float32, frames []int, i int) float64 {
	if i == 0 || i+1 >= len(frames) {
		return 0
	}
	was := chordOf(chroma, frames[i-1], frames[i])
	is := chordOf(chroma, frames[i], frames[i+1])
	dot, a, b := 0.0, 1e-9, 1e-9
	for c := range was {
		dot += was[c] * is[c]
		a += was[c] * was[c]
		b += is[c] * is[c]
	}
	return 1 - dot/math.Sqrt(a*b)
}

// chordOf sums the pitch classes of the middle of a span of frames.
func chordOf(chroma [][12]float32, from, to int) (sum [12]float64) {
	a := (from + (to-from)/6) / chromaEvery
	b := (to - (to-from)/6 + chromaEvery - 1) / chromaEvery
	for k := max(0, a); k <= min(b, len(chroma)-1); k++ {
		for c, v := range chroma[k] {
			sum[c] += float64(v)
		}
	}
	return sum
}

func standardise(x []float64) {
	if len(x) == 0 {
		return
	}
	sum, square := 0.0, 0.0
	for _, v := range x {
		sum += v
		square += v * v
	}
	n := float64(len(x))
	mean := sum / n
	dev := math.Sqrt(max(0, square/n-mean*mean)) + 1e-9
	for i := range x {
		x[i] = (x[i] - mean) / dev
	}
}

// guessBars chooses among metres; the first is the preferred one. The
// confidence tells how far the bars' first beats stand out from the beats that
// would be first if all bars began as many beats later.
func guessBars(accent []float64, metres []int) barGuess {
	var best barGuess
	most := math.Inf(-1)
	for k, m := range metres {
		for phase := range m {
			first := barRow(accent, m, phase)
			score := barScore(accent, first, 0)
			if k == 0 {
				score *= commonMetre
			}
			if score > most {
				most = score
				best = barGuess{metre: m, first: first}
			}
		}
	}
	rival := 0.0
	for shift := 1; shift < best.metre; shift++ {
		rival = max(rival, barScore(accent, best.first, shift))
	}
	if margin := most - rival; margin > 0 && len(accent) >= 2*best.metre {
		best.confidence = 1 - math.Exp(-margin/marginScale)
	}
	return best
}

// barScore is the accents of first beats, or of those some beats later, over
// the root of their number.
func barScore(accent []float64, first []bool, shift int) float64 {
	sum, n := 0.0, 0.0
	for i, f := range first {
		if f && i+shift < len(accent) {
			sum += accent[i+shift]
			n++
		}
	}
	return sum / math.Sqrt(max(n, 1))
}

// barRow marks the beats that begin bars of m beats, the first bar at a
// phase: the best row by Viterbi, in which bars of another length cost.
func barRow(accent []float64, m, phase int) []bool {
	n := len(accent)
	score := make([]float64, m) // by position in the bar
	for p := range score {
		score[p] = math.Inf(-1)
	}
	score[(m-phase)%m] = 0
	from := make([]int8, n*m)
	next := make([]float64, m)
	for i, v := range accent {
		if i > 0 {
			for p := range next {
				best, k := score[(p+m-1)%m], (p+m-1)%m
				for q, s := range score {
					if s-oddBar > best {
						best, k = s-oddBar, q
					}
				}
				next[p], from[i*m+p] = best, int8(k)
			}
			copy(score, next)
		}
		for p := range score {
			if p == 0 {
				score[p] += v
			} else {
				score[p] -= v / float64(max(1, m-1))
			}
		}
	}
	out := make([]bool, n)
	at := 0
	for p := range score {
		if score[p] > score[at] {
			at = p
		}
	}
	for i := n - 1; i >= 0; i-- {
		out[i] = at == 0
		at = int(from[i*m+at])
	}
	return out
}
