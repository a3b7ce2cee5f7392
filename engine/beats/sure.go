package beats

import (
	"context"
	"math"
	"math/rand/v2"
)

// Aim: a plain word when there is no beat.
// Method: the same strength is cut into pieces of 0.15 to 0.6 s, which are
// shuffled: what begins stays as strong and as frequent, and the beat is gone
// (a permutation test; Good, Permutation Tests, 2000). Confidence is how much
// more the path is worth than those through three shuffles. And something has
// to begin at all.
// Figures, on made-up sounds of 36 s: speech, noise and notes at random times
// come to 0.84 to 1.014 times the shuffles' worth, music to 1.045 and more, but
// for slow brass under a voice as loud. The rises of all registers add up to
// 4 dB and more in music, to 1 dB in noise, to 0.2 dB in a held chord.
const (
	// Sure is the confidence from which on a beat is told.
	Sure = 0.15

	shuffles           = 3
	worthScale         = 0.3 // so much more worth gives a confidence of 1 - 1/e
	stillDB, stirredDB = 0.5, 2.0
	presentStrength    = 0.5
	presentBeats       = 4
)

// confidence is 0 to 1.
func confidence(ctx context.Context, p path, s strength, o Options) (float64, error) {
	stirred := max(0, min(1, (s.stir-stillDB)/(stirredDB-stillDB)))
	if stirred == 0 {
		return 0, nil
	}
	null := 0.0
	for seed := range uint64(shuffles) {
		q, err := newFollower(strength{rate: s.rate, all: shuffled(s.all, s.rate, seed)}, o).run(ctx, firmnesses[0])
		if err != nil {
			return 0, err
		}
		null += q.worth / shuffles
	}
	more := p.worth/max(null, 1e-9) - 1
	return stirred * (1 - math.Exp(-max(0, more)/worthScale)), nil
}

func shuffled(o []float64, rate float64, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	var pieces [][]float64
	for len(o) > 0 {
		n := min(len(o), int((0.15+0.45*r.Float64())*rate))
		pieces = append(pieces, o[:n])
		o = o[n:]
	}
	r.Shuffle(len(pieces), func(i, j int) { pieces[i], pieces[j] = pieces[j], pieces[i] })
	var out []float64
	for _, x := range pieces {
		out = append(out, x...)
	}
	return out
}

// trim cuts the beats off that lie before the first, or behind the last, four
// in a row in which something begins, and of those the outer ones in which
// nothing does.
func (p path) trim(s strength) path {
	present := func(i int) bool {
		sum, n := 0.0, 0.0
		for k := i; k < min(len(p.frames), i+presentBeats); k++ {
			sum += nearby(s.all, p.frames[k])
			n++
		}
		return sum >= presentStrength*n
	}
	from, to := 0, len(p.frames)
	for from < to && !present(from) {
		from++
	}
	for to > from && !present(max(from, to-presentBeats)) {
		to--
	}
	for from < to && nearby(s.all, p.frames[from]) < presentStrength {
		from++
	}
	for to > from && nearby(s.all, p.frames[to-1]) < presentStrength {
		to--
	}
	p.frames, p.period = p.frames[from:to], p.period[from:to]
	return p
}
