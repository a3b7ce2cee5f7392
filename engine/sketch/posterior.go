package sketch

import "math"

// negligible is how many nats worse than the best what is shared may be for its
// readings to count.
const negligible = 6.0

// posterior gathers the probability of each note's places: all ways through it
// over all ways (the forward-backward sums of Rabiner 1989), over all that the
// notes may share.
type posterior struct {
	at  []map[int]float64 // log weight of each place by note
	all float64           // log weight of all ways
}

// add counts the readings of one lattice, which is filled forwards.
func (p *posterior) add(q *quantiser) {
	if p.at == nil {
		p.all = math.Inf(-1)
		for range q.notes {
			p.at = append(p.at, map[int]float64{})
		}
	}
	q.fillBehind()
	for i := range q.lattice {
		for k := range q.lattice[i] {
			c := &q.lattice[i][k]
			p.all = logSum(p.all, c.ahead-q.finish(i, c)-q.prior)
			weight := c.ahead + c.behind - q.prior
			if w, ok := p.at[i][c.place]; ok {
				weight = logSum(weight, w)
			}
			p.at[i][c.place] = weight
		}
	}
}

// tell gives each placed note the probability of its place, and the likeliest
// other one.
func (p *posterior) tell(placed []placed) {
	for i := range placed {
		n := &placed[i]
		if n.from < 0 {
			continue
		}
		n.sure = math.Exp(p.at[i][n.from] - p.all)
		best := math.Inf(-1)
		for place, w := range p.at[i] {
			if place != n.from && (w > best || w == best && place < n.rival) {
				best, n.rival = w, place
			}
		}
	}
}

// fillBehind sums all ways from each candidate to the end.
func (q *quantiser) fillBehind() {
	for i := len(q.lattice) - 1; i >= 0; i-- {
		for k := range q.lattice[i] {
			a := &q.lattice[i][k]
			a.behind = -q.finish(i, a)
			for j := i + 1; j <= min(i+1+dropRun, len(q.lattice)-1); j++ {
				for c := range q.lattice[j] {
					if s := q.step(i, a, j, &q.lattice[j][c]); !math.IsInf(s, 1) {
						a.behind = logSum(a.behind, q.lattice[j][c].behind-s)
					}
				}
			}
		}
	}
}

// logSum is log(exp(a) + exp(b)).
func logSum(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if math.IsInf(b, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}
