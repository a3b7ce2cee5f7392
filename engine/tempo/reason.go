package tempo

import (
	"context"
	"fmt"
	"math"

	"cuechoir/internal/fault"
)

// reason says why the must-hits cannot all be met.
func (p *problem) reason(ctx context.Context, nearest Answer) error {
	var last *node
	for i := range p.nodes {
		n := &p.nodes[i]
		if !n.must {
			continue
		}
		if last != nil {
			if err := p.tooClose(last, n); err != nil {
				return err
			}
		}
		last = n
	}
	if p.o.Style == Steady {
		return fault.New(fault.NotMet, "no single tempo from %.4g to %.4g BPM meets every must-hit; the nearest misses %d", p.o.MinBPM, p.o.MaxBPM, p.mustsOff(nearest)).
			Mended("let the tempo change at hits (stepped), give must-hits a tolerance, or make some of them wants")
	}
	if step := p.neededStep(ctx); step > 0 {
		return fault.New(fault.NotMet, "the must-hits need the tempo to change by %.3g %% at once, and %.3g %% is allowed", 100*step, 100*p.o.MaxStep).
			Mended("allow a larger step, or let a must-hit land on a beat or a half")
	}
	return fault.New(fault.NotMet, "no map from %.4g to %.4g BPM meets every must-hit; the nearest misses %d", p.o.MinBPM, p.o.MaxBPM, p.mustsOff(nearest)).
		Mended("widen the tempo range, let must-hits land on beats or halves, or make some of them wants")
}

// tooClose explains two neighbouring must-hits that no bars or beats fit between.
func (p *problem) tooClose(a, b *node) error {
	q := *p
	q.nodes = []node{*a, *b}
	if legs, err := q.legs(false); err != nil || len(legs[0]) > 0 {
		return nil
	}
	least := p.main.bar
	for _, x := range a.phases {
		for _, y := range b.phases {
			if d := mod(y-x, p.main.bar); d > 0 {
				least = min(least, d)
			}
		}
	}
	for _, o := range p.odd[1:] {
		if len(a.phases) == 1 && len(b.phases) == 1 && a.phases[0] == 0 && b.phases[0] == 0 {
			least = min(least, o.units)
		}
	}
	gap := b.frame - a.frame
	names := fmt.Sprintf("%s and %s are %d frames apart", hitName(p.hits, a.hits[0]), hitName(p.hits, b.hits[0]), gap)
	if shortest := float64(least) * p.minF; shortest > float64(gap) {
		return fault.New(fault.NotMet, "%s, and the shortest step between their landings lasts %.3g frames at %.4g BPM", names, shortest, p.o.MaxBPM).
			Mended("let one of them land on a beat or a half, allow a faster tempo, or make one a want")
	}
	return fault.New(fault.NotMet, "%s, and no number of landings from %.4g to %.4g BPM fits between them", names, p.o.MinBPM, p.o.MaxBPM).
		Mended("widen the tempo range, or let one of them land on a beat or a half")
}

// neededStep is the largest step of the best map when any step is allowed; 0
// when that is of no help.
func (p *problem) neededStep(ctx context.Context) float64 {
	q := *p
	q.o.MaxStep = 1e6
	w := p.standard()
	w.step *= 100 // the smallest steps that do it
	legs, err := q.legs(false)
	if err != nil {
		return 0
	}
	ends, err := q.chain(ctx, legs, w, false)
	if err != nil || len(ends) == 0 {
		return 0
	}
	a, err := q.answer(q.steppedMap(ends[0]))
	if err != nil {
		return 0
	}
	if step := math.Expm1(a.tally.largest); step > p.o.MaxStep {
		return step
	}
	return 0
}
