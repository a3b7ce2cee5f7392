package picture

import (
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// TestLearnOdds makes odds.txt anew, from films that no figure is taken from:
// CUECHOIR_LEARN_ODDS=1 go test ./engine/picture -run LearnOdds -timeout 60m
// takes some minutes. What it learns depends on nothing but the films' seeds.
func TestLearnOdds(t *testing.T) {
	if os.Getenv("CUECHOIR_LEARN_ODDS") == "" {
		t.Skip("SKIPPED: CUECHOIR_LEARN_ODDS=1 writes the weights of dissolves anew")
	}
	var seeds []uint64
	for s := uint64(3000); s < 3016; s++ {
		seeds = append(seeds, s, s+1000, s+1016)
	}
	looks := []look{{}, {damage: aged}}
	all := make([][]example, len(looks)*len(seeds))
	var wg sync.WaitGroup
	slots := make(chan bool, runtime.GOMAXPROCS(0))
	for i := range all {
		wg.Go(func() {
			slots <- true
			defer func() { <-slots }()
			all[i] = examplesOf(newTruthFilm(seeds[i/len(looks)], 40, looks[i%len(looks)]))
		})
	}
	wg.Wait()
	var text strings.Builder
	for glance := range 2 {
		var x [][]float64
		var right []bool
		for _, film := range all {
			for _, e := range film {
				switch {
				case glance == 1:
					x, right = append(x, e.signs), append(right, e.right)
				case e.first:
					x, right = append(x, e.signs), append(right, e.leads)
				}
			}
		}
		rng := rand.New(rand.NewPCG(1, 42))
		l := newLearner(rng, x, [...]int{8, 12}[glance])
		l.learn(rng, x, right, learnTimes)
		l.net.write(&text)
		t.Logf("%d examples", len(x))
	}
	if err := os.WriteFile("odds.txt", []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}

// example is what one round of a pursuit found.
type example struct {
	signs []float64
	right bool // both ends are
	first bool // it is the first look from its frame,
	leads bool // and some pursuit from there comes out right
}

// examplesOf gathers what the finder looks at in a film.
func examplesOf(f *truthFilm) (all []example) {
	d := NewDetector(timecode.Rate24)
	from, at := 0, -1 // the first example from the frame at
	d.blend.fit.watch = func(c, window, round int, h ends, signs []float64) {
		if c != at {
			from, at = len(all), c
		}
		e := example{signs: signs, right: f.isMix(h), first: window == windows[0] && round == 0}
		all = append(all, e)
		if e.right {
			for i := range all[from:] {
				all[from+i].leads = true
			}
		}
	}
	f.render(d.Push, nil)
	d.Finish()
	return all
}

// isMix tells whether some dissolve or fade has both ends near h.
func (f *truthFilm) isMix(h ends) bool {
	for _, w := range f.cuts {
		if w.Kind != cutlist.HardCut && abs(w.Frame-int64(h.s)) <= endsWithin && abs(w.End-int64(h.e)) <= endsWithin {
			return true
		}
	}
	return false
}

// learner trains an oddsNet by Adam (Kingma and Ba, "Adam: a method for
// stochastic optimization", 2015) on the logistic loss, with weights drawn to
// nothing.
type learner struct {
	net        oddsNet
	grad, m, v [][]float64 // hidden rows, then out
	steps      int
}

const (
	learnPace  = 0.004
	learnBatch = 64
	learnDecay = 0.002
	learnTimes = 12
)

func newLearner(rng *rand.Rand, x [][]float64, units int) *learner {
	l := &learner{}
	n := len(x[0])
	l.net.mean, l.net.scale = make([]float64, n), make([]float64, n)
	for _, row := range x {
		for i, v := range row {
			l.net.mean[i] += v / float64(len(x))
		}
	}
	for _, row := range x {
		for i, v := range row {
			d := v - l.net.mean[i]
			l.net.scale[i] += d * d / float64(len(x))
		}
	}
	for i, v := range l.net.scale {
		l.net.scale[i] = math.Sqrt(v) + 1e-6
	}
	for range units {
		row := make([]float64, n+1)
		for i := range row {
			row[i] = rng.NormFloat64() / math.Sqrt(float64(n))
		}
		l.net.hidden = append(l.net.hidden, row)
	}
	l.net.out = make([]float64, units+1)
	for i := range l.net.out {
		l.net.out[i] = rng.NormFloat64() / math.Sqrt(float64(units))
	}
	for _, row := range l.rows() {
		l.grad = append(l.grad, make([]float64, len(row)))
		l.m = append(l.m, make([]float64, len(row)))
		l.v = append(l.v, make([]float64, len(row)))
	}
	return l
}

func (l *learner) rows() [][]float64 {
	return append(l.net.hidden[:len(l.net.hidden):len(l.net.hidden)], l.net.out)
}

// learn goes through all examples so many times, slower and slower.
func (l *learner) learn(rng *rand.Rand, x [][]float64, right []bool, times int) {
	order := rng.Perm(len(x))
	total := times * len(x) / learnBatch
	h := make([]float64, len(l.net.hidden))
	z := make([]float64, len(l.net.mean))
	for range times {
		rng.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
		for from := 0; from+learnBatch <= len(order); from += learnBatch {
			for _, k := range order[from : from+learnBatch] {
				l.add(x[k], right[k], h, z)
			}
			l.step(learnPace * (1 - float64(l.steps)/float64(total+1)))
		}
	}
}

// add adds the gradient of one example.
func (l *learner) add(x []float64, right bool, h, z []float64) {
	n := &l.net
	for i, v := range x {
		z[i] = max(-mostDeviant, min(mostDeviant, (v-n.mean[i])/n.scale[i]))
	}
	y := n.out[0]
	for u, w := range n.hidden {
		a := w[0]
		for i, v := range z {
			a += w[i+1] * v
		}
		h[u] = math.Tanh(a)
		y += n.out[u+1] * h[u]
	}
	d := 1 / (1 + math.Exp(-y))
	if right {
		d--
	}
	d /= learnBatch
	out := l.grad[len(n.hidden)]
	out[0] += d
	for u, w := range h {
		out[u+1] += d * w
		e := d * n.out[u+1] * (1 - w*w)
		g := l.grad[u]
		g[0] += e
		for i, v := range z {
			g[i+1] += e * v
		}
	}
}

// step moves the weights.
func (l *learner) step(pace float64) {
	l.steps++
	const b1, b2 = 0.9, 0.999
	c1, c2 := 1-math.Pow(b1, float64(l.steps)), 1-math.Pow(b2, float64(l.steps))
	for r, row := range l.rows() {
		for i := range row {
			g := l.grad[r][i]
			l.grad[r][i] = 0
			l.m[r][i] = b1*l.m[r][i] + (1-b1)*g
			l.v[r][i] = b2*l.v[r][i] + (1-b2)*g*g
			row[i] -= pace * (l.m[r][i]/c1/(math.Sqrt(l.v[r][i]/c2)+1e-8) + learnDecay*row[i])
		}
	}
}
