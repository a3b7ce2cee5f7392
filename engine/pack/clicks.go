package pack

import (
	"context"
	"math"
)

// Aim: the friend's clock from the click that leaked from the headphones, when
// the chirps are not there, or at one end alone.
// Method: each click shape is listened for; a comb of all clicks is laid on the
// answers at every place and a few paces; the best comb's teeth are then read
// one by one and a line is fitted to them, without those that do not agree.
// Cost: clicks × places × paces additions.
// Known failure: a click that repeats itself (a steady map, and the recording
// lacks an end) fits at several bars; that is told, not guessed.
const (
	clickBlock   = 1 << 13
	combSeconds  = 0.005
	combZ        = 8.0  // a tooth counts at most so much
	widestPace   = 300  // ppm, each side
	paceStep     = 60   // ppm, or less for long music
	paceBlur     = 0.01 // seconds by which neighbouring paces differ at most at the far end
	leastTeeth   = 8
	maxTeeth     = 1000  // in the search: a hostile map must not make it long
	leastShare   = 0.6   // of the teeth that are heard: so many agree with the line, a quarter by chance
	leastSignal  = 8.0   // standard deviations of the comb over chance
	teethMargin  = 1.5   // teeth by which the next place must be worse
	combApart    = 0.04  // seconds between places that are another
	toothReach   = 0.012 // seconds
	toothZ       = 4.0
	toothAgree   = 0.003 // seconds
	clickErrorMs = 0.5   // what a leaking click's shape is off by
)

// Click is one click that was sent.
type Click struct {
	Sample int64 // on the timeline
	Shape  int   // of Sent.Shapes
}

// comb is all clicks on the answers to their shapes.
type comb struct {
	clicks  []Click
	rate    float64
	answers [][]float32 // by shape, at earRate
	pooled  [][]float32 // the same as their largest in combSeconds, less their mean
	spread  float64
}

func newComb(x []float32, s Sent) (*comb, error) {
	c := &comb{clicks: s.Clicks, rate: float64(s.Layout.SampleRate)}
	for _, shape := range s.Shapes {
		l, err := newListener(shape, clickBlock)
		if err != nil {
			return nil, err
		}
		z := l.hear(x)
		c.answers = append(c.answers, z)
		c.pooled = append(c.pooled, pool(z))
	}
	n, sum := 0.0, 0.0
	for _, p := range c.pooled {
		for _, v := range p {
			sum += float64(v) * float64(v)
			n++
		}
	}
	c.spread = math.Sqrt(sum / max(n, 1))
	return c, nil
}

func pool(z []float32) []float32 {
	const step = int(combSeconds * earRate)
	out := make([]float32, (len(z)+step-1)/step)
	mean := 0.0
	for i := range out {
		for _, v := range z[i*step : min((i+1)*step, len(z))] {
			out[i] = max(out[i], min(v, combZ))
		}
		mean += float64(out[i]) / float64(len(out))
	}
	for i := range out {
		out[i] -= float32(mean)
	}
	return out
}

// place is a comb's answer at one origin and pace.
type place struct {
	line
	sum   float64
	teeth int
}

// lay sums the teeth that fall into the recording; at holds their places in
// steps of combSeconds from the origin.
func (c *comb) lay(teeth []Click, at []int, origin int) (sum float64, count int) {
	for i, t := range at {
		p := c.pooled[teeth[i].Shape]
		if k := origin + t; k >= 0 && k < len(p) {
			sum += float64(p[k])
			count++
		}
	}
	return sum, count
}

// thinned are at most maxTeeth of the clicks.
func (c *comb) thinned() []Click {
	stride := (len(c.clicks) + maxTeeth - 1) / maxTeeth
	if stride <= 1 {
		return c.clicks
	}
	var out []Click
	for i := 0; i < len(c.clicks); i += stride {
		out = append(out, c.clicks[i])
	}
	return out
}

// search lays the comb at each origin of from to to (seconds), and gives the
// best place and the sum of the next that is another. Errors: Interrupted.
func (c *comb) search(ctx context.Context, from, to float64) (best place, next float64, err error) {
	teeth, far := c.thinned(), 1.0
	for _, k := range teeth {
		far = max(far, math.Abs(float64(k.Sample)/c.rate))
	}
	step := min(paceStep, paceBlur/far*1e6)
	steps := int(math.Ceil(widestPace / step))
	first, last := int(math.Floor(from/combSeconds)), int(math.Ceil(to/combSeconds))
	sums := make([]float64, max(0, last-first+1)) // the best of all paces
	at := make([]int, len(teeth))
	for n := -steps; n <= steps; n++ {
		if ctx.Err() != nil {
			return best, 0, stopped(ctx)
		}
		pace := 1 + float64(n)*step*1e-6
		for i, k := range teeth {
			at[i] = int(math.Round(pace * float64(k.Sample) / c.rate / combSeconds))
		}
		for i := range sums {
			sum, count := c.lay(teeth, at, first+i)
			if count < leastTeeth {
				continue
			}
			sums[i] = max(sums[i], sum)
			if sum > best.sum {
				best = place{line{(float64(first+i) + 0.5) * combSeconds, pace}, sum, count}
			}
		}
	}
	for i, sum := range sums {
		if math.Abs((float64(first+i)+0.5)*combSeconds-best.origin) > combApart {
			next = max(next, sum)
		}
	}
	return best, next, nil
}

// clear says whether a place stands out from chance, and from the next one.
func (c *comb) clear(best place, next float64) (heard, alone bool) {
	if best.teeth < leastTeeth || c.spread == 0 {
		return false, false
	}
	heard = best.sum >= leastSignal*c.spread*math.Sqrt(float64(best.teeth))
	return heard, best.sum-next >= teethMargin*best.sum/float64(best.teeth)
}

// read fits a line to the teeth about a place.
func (c *comb) read(about line) (l line, ps []pair, ok bool) {
	reach := int(toothReach * earRate)
	for _, k := range c.clicks {
		z := c.answers[k.Shape]
		sent := float64(k.Sample) / c.rate
		want := int(math.Round(about.at(sent) * earRate))
		if want-reach < 0 || want+reach >= len(z) {
			continue
		}
		if i := topOf(z, want-reach, want+reach+1); z[i] >= toothZ {
			ps = append(ps, pair{sent, (float64(i) + vertex(z, i)) / earRate})
		}
	}
	if len(ps) < leastTeeth {
		return l, nil, false
	}
	heard := len(ps)
	l, ps = robust(ps, false, toothAgree/3)
	agree := 0
	for _, p := range ps {
		if math.Abs(l.off(p)) <= toothAgree {
			agree++
		}
	}
	ok = agree >= leastTeeth && float64(agree) >= leastShare*float64(heard) && math.Abs(l.ppm()) <= maxClockPPM
	return l, ps, ok
}
