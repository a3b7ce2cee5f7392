package picture

import "math"

// Weighing. Aim: of the ends that are found from some frame, those that are
// right, and the odds that they are. Method: what the costs of the mix say
// (plate_cost.go), what the shares, the structure's dip and the brightness of the
// ninths say, all weighed by a perceptron (odds.go). A first look by another
// leaves frames without a dissolve early.

// ends are where a dissolve may begin and end: its first mixed frame and its
// first whole one.
type ends struct{ s, e int }

const (
	weighMargin = 12 // frames on each side of a mix that are weighed
	featureN    = 22
	mostOdd     = 0.3 // what a share is off by counts up to this
)

// about are the whole frames beside a mix, and the frames from from to to-1
// that tell of it.
func (f *fitting) about(h ends) (a, z, from, to int) {
	return max(f.lo, h.s-2), min(f.hi-1, h.e+1), max(f.lo, h.s-weighMargin), min(f.hi, h.e+weighMargin)
}

// features are what the shares of frames from from to to-1 and the ninths of the
// picture say of a dissolve, when frames a and z are whole.
func (f *fitting) features(h ends, a, z, from, to int) [featureN]float64 {
	f.takeNinths(from, to)
	n := float64(to - from)
	s, e := h.s-from, h.e-from
	miss := f.ramp(s, e, math.Inf(1)) / n
	step := math.Inf(1) // the same of the best hard cut instead
	for k := s; k <= e; k++ {
		step = min(step, f.ramp(k, k, step*n)/n)
	}
	near := miss // and of ends three frames away
	for _, d := range [...][2]int{{-3, 0}, {3, 0}, {0, -3}, {0, 3}, {-3, 3}, {3, -3}, {3, 3}, {-3, -3}} {
		if u, v := s+d[0], e+d[1]; v-u > 2 {
			near = min(near, f.ramp(u, v, math.Inf(1))/n)
		}
	}
	dip, blocks := blocksMiss(&f.en, s, e)
	in := f.within(s, e)
	low, high := f.oddIn(0, s, 0), -f.oddIn(e, to-from, 1)
	return [featureN]float64{
		math.Log(miss + 0.0005), math.Log(step + 0.0005),
		math.Log(f.offIn(s, e) + 0.01), math.Log(f.offIn(0, s) + 0.01), math.Log(f.offIn(e, to-from) + 0.01),
		math.Log(apartness(f.b.at(a).cells, f.b.at(z).cells) + 1), alikeAcross(f.b.at(a), f.b.at(z)),
		min(blocks, 1.5), math.Log(dip + 0.002), math.Log(min(tonesMiss(&f.tone, s, e), 1) + 0.005),
		math.Log(float64(e - s)), math.Log((near + 0.0005) / (miss + 0.0005)),
		in.worst, math.Log(in.bent + 0.0005), in.early, in.late,
		max(0, -low), max(0, low), max(0, -high), max(0, high),
		math.Log(in.rough + 0.0002), f.middlingOf(h),
	}
}

// mixSigns are what the shares within a mix are off by.
type mixSigns struct {
	worst       float64 // the greatest disagreement of the cells
	bent        float64 // mean squared distance from the ramp
	early, late float64 // mean distance over the first and the second half, by all frames
	rough       float64 // mean squared distance of the steps from the ramp's
}

func (f *fitting) within(s, e int) (m mixSigns) {
	n := float64(e - s)
	for t := s; t < e; t++ {
		m.worst = max(m.worst, f.off[t])
		d := bounded(f.share[t] - float64(t-s+1)/(n+1))
		m.bent += d * d / n
		if t-s < (e-s)/2 {
			m.early += d / n
		} else {
			m.late += d / n
		}
		if t > max(s, 1)-1 && t > 0 {
			d := bounded(f.share[t] - f.share[t-1] - 1/(n+1))
			m.rough += d * d / n
		}
	}
	return m
}

func bounded(d float64) float64 { return max(-mostOdd, min(mostOdd, d)) }

// oddIn is the mean distance of some shares from what they ought to be.
func (f *fitting) oddIn(from, to int, want float64) (mean float64) {
	for _, u := range f.share[from:to] {
		mean += bounded(u-want) / float64(to-from)
	}
	return mean
}

// middlingOf is how near the middle of a mix is to the middle of its ends.
func (f *fitting) middlingOf(h ends) float64 {
	m, half := (h.s+h.e)/2, (h.e-h.s+1)/2
	if m-half < max(0, f.lo) || m+half >= f.hi {
		return 0
	}
	return float64(f.b.middling(m, half))
}

// signN is how many numbers signs gives.
const signN = featureN + costSigns + 2

// signs are all that speaks for and against what was pursued, and how many frames
// of whole shot there are beside it.
func (f *fitting) signs(p pursuit) []float64 {
	x, y := f.features(p.ends, p.a, p.z, p.from, p.to), f.costs.signs(p.s-p.from, p.e-p.from)
	all := append(append(make([]float64, 0, signN), x[:]...), y[:]...)
	return append(all, float64(min(plateFrames, p.s-f.lo)), float64(min(plateFrames, f.hi-p.e)))
}

// pursuit is what pursuing some ends found.
type pursuit struct {
	ends
	from, to int // the frames that tell of it
	a, z     int // the whole ones beside it
}

// pursued makes plates of both shots beside the ends, follows them, and moves the
// ends to where that explains the frames best.
func (f *fitting) pursued(h ends) (p pursuit) {
	p.a, p.z, p.from, p.to = f.about(h)
	f.most = f.b.gainWithin(p.from, p.to)
	p.a = f.clearest(p.from, max(p.a+1, h.s-plateGuard), p.a)
	p.z = f.clearest(min(p.z, h.e+plateGuard), p.to, p.z)
	f.plates[0].take(f, p.a, max(f.lo, h.s-plateGuard-plateFrames), max(p.a+1, h.s-plateGuard))
	f.plates[1].take(f, p.z, min(p.z, h.e+plateGuard), min(f.hi, h.e+plateGuard+plateFrames))
	f.follow(p.a, p.z, p.from, p.to)
	f.takeCosts(p.from, p.to)
	p.ends = f.costs.bestEnds(h, p.from, p.to)
	return p
}

// rampMoves is how far one round moves an end, in frames.
const rampMoves = 9

// windows are the half lengths of the dissolves that pursuits begin with; of the
// first, what one round finds is looked at before more is done.
var windows = [...]int{7, 15}

const (
	pursuitRounds = 3
	leastGlance   = -1.5 // logarithms of odds: of the first look,
	sureOdds      = 1.7  // and of a find after which no other is looked for
)

// bestEnds are the ends of the dissolve around frame c, and the logarithm of the
// odds that there is one and both are right.
func (f *fitting) bestEnds(c int) (best ends, odds float64) {
	odds = math.Inf(-1)
	for _, w := range windows {
		h := ends{max(f.lo+1, c-w), min(f.hi-1, c+w)}
		if h.e-h.s < minDissolve || odds > sureOdds {
			continue
		}
		for round := range pursuitRounds {
			p := f.pursued(h)
			stays := p.ends == h
			h = p.ends
			glance, last := w == windows[0] && round == 0, stays || round == pursuitRounds-1
			switch {
			case f.watch != nil:
				f.watch(c, w, round, h, f.signs(p))
			case glance || last:
				x := f.signs(p)
				if glance && dissolveOdds()[0].of(x) < leastGlance {
					return best, odds
				}
				if y := dissolveOdds()[1].of(x); last && y > odds {
					best, odds = h, y
				}
			}
			if stays {
				break
			}
		}
	}
	return best, odds
}
