package tempo

import (
	"context"
	"math"
	"reflect"
	"slices"
	"sort"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Answer is a map that the solver offers.
type Answer struct {
	Map      Map
	Landings []Landing // one a hit, in the hits' order
	Cost     float64   // lower is better; a want-hit missed is 1 (cost.go)
	Words    string    // what it gives and takes, in plain words
	Trade    string    // the same against the first answer; empty for that one
	tally    tally
}

// Solve lays beats on hits and returns up to o.Answers maps, cheapest first.
//
// Steady gives one tempo. Where one exists that lays every must-hit exactly on
// its landing it comes first; else a must-hit lies within half a frame, or
// within its tolerance, and Words says so. Maps of steps fill up the answers
// when there are not enough of one tempo. Stepped changes the tempo at hits: at a
// bar line where the hit lands on one, inside the bar where it lands on a beat
// (Section.Extra); every must-hit lies exactly on its landing, an error of 0.
// Gliding does the same without a jump of tempo. Every map keeps o.Pins.
// Without hits the map runs at the wished tempo, or 100 BPM, from frame 0.
//
// When no map meets every must-hit the error is of kind NotMet and names the
// reason; the answers are then the nearest maps, and what they miss is in
// their Landings. Other errors come with no answers. A cancelled ctx gives an
// error of kind Interrupted.
func Solve(ctx context.Context, hits []Hit, o Options) ([]Answer, error) {
	o = o.withDefaults(hits)
	if err := o.validate(); err != nil {
		return nil, err
	}
	pins := Map{Pins: o.Pins}
	if err := pins.validatePins(); err != nil {
		return nil, err
	}
	hits = append(append([]Hit(nil), hits...), pinHits(o.Pins)...)
	if err := o.validateHits(hits); err != nil {
		return nil, err
	}
	p, err := newProblem(hits, o)
	if err != nil {
		return nil, err
	}
	if len(hits) == 0 {
		out, err := p.withoutHits()
		return p.handOver(out), err
	}
	var out []Answer
	switch o.Style {
	case Steady:
		out, err = p.steady(ctx)
	case Gliding:
		out, err = p.gliding(ctx)
	default:
		out, err = p.stepped(ctx)
	}
	if ctx.Err() != nil {
		return nil, fault.New(fault.Interrupted, "the search for a tempo map was stopped").Because(ctx.Err())
	}
	if err != nil {
		return nil, err
	}
	if len(out) == 0 {
		return nil, fault.New(fault.NotMet, "no tempo map fits these hits").Mended("widen the tempo range")
	}
	var unmet error
	if p.mustsOff(out[0]) > 0 {
		unmet = p.reason(ctx, out[0])
	} else if o.Style == Gliding && out[0].Map.Style != Gliding {
		unmet = fault.New(fault.NotMet, "no gliding map from %.4g to %.4g BPM meets every must-hit, but one of steps does", o.MinBPM, o.MaxBPM).
			Mended("choose stepped, widen the tempo range, or allow the tempo to change more from bar to bar")
	}
	if out = p.handOver(out); len(out) == 0 {
		return nil, p.noMapKeepsPins()
	}
	return out, unmet
}

// withoutHits are steady maps from frame 0: at the tempo wished for, then
// slower and faster.
func (p *problem) withoutHits() ([]Answer, error) {
	bpm := p.o.TempoBPM
	if bpm == 0 {
		bpm = min(max(noHitsBPM, p.o.MinBPM), p.o.MaxBPM)
	}
	var maps []Map
	for _, times := range []float64{1, 0.84, 1.2, 0.7, 1.44} {
		b := min(max(math.Round(bpm*times), p.o.MinBPM), p.o.MaxBPM)
		if times == 1 {
			b = bpm
		}
		per := beatFrames(b, p.o.Rate).Mul(timecode.R(p.perQuarter, p.main.beat))
		m := Map{Style: p.o.Style, Sections: []Section{{Bars: 1, Metre: p.main.metre, FramesPerQuarter: per}}}
		p.cover(&m)
		maps = append(maps, m)
	}
	out, err := p.answers(maps[:1])
	if err != nil || p.o.Answers == 1 {
		return out, err
	}
	more, err := p.answers(maps)
	for _, a := range more {
		if a.Map.Sections[0] != out[0].Map.Sections[0] && len(out) < p.o.Answers {
			out = append(out, a)
		}
	}
	return out, err
}

// answers measures maps, drops doubles and those that cannot be laid, and
// ranks the rest.
func (p *problem) answers(maps []Map) ([]Answer, error) {
	var out []Answer
	for i, m := range maps {
		double := false
		for _, o := range maps[:i] {
			double = double || reflect.DeepEqual(o.Sections, m.Sections) && o.Start == m.Start
		}
		if double {
			continue
		}
		a, err := p.answer(m)
		if err != nil {
			return nil, err
		}
		out = append(out, a)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Cost < out[j].Cost })
	return out, nil
}

func (p *problem) answer(m Map) (Answer, error) {
	g, err := NewGrid(m, p.o.Rate, p.o.Frames)
	if err != nil {
		return Answer{}, err
	}
	a := Answer{Map: m, Landings: g.Landings(p.hits)}
	a.tally = p.tally(m, g, a.Landings, p.standard())
	a.Cost = a.tally.cost(p.standard())
	a.Words = p.words(a)
	return a, nil
}

// mustsOff counts the must-hits that an answer does not meet in its style.
func (p *problem) mustsOff(a Answer) int {
	n := 0
	for _, l := range a.Landings {
		h := p.hits[l.Hit]
		if h.Must && (!l.Caught || (p.o.Style != Steady || h.pinned) && l.ErrorFrames.Sign() != 0) {
			n++
		}
	}
	return n
}

// steady are the clicks of one tempo that meet every must-hit, or else the
// nearest.
func (p *problem) steady(ctx context.Context) ([]Answer, error) {
	all, err := p.answers(p.anySteady(ctx))
	if err != nil {
		return nil, err
	}
	out := p.unlike(p.meeting(all))
	if len(out) == 0 {
		p.byMusts(all)
		return all[:min(len(all), p.o.Answers)], nil
	}
	if len(out) == p.o.Answers {
		return out, nil
	}
	q := p.withAnswers(p.o.Answers)
	q.o.Style = Stepped
	more, err := q.stepped(ctx)
	if err != nil && fault.KindOf(err) != fault.OverLimit {
		return nil, err
	}
	return p.topUp(out, q.meeting(more)), nil // after those of one tempo
}

// anySteady are the maps of one tempo that are exact on must-hits, if there
// are any, and those that are within a part of a frame.
func (p *problem) anySteady(ctx context.Context) []Map {
	var maps []Map
	if slices.ContainsFunc(p.hits, func(h Hit) bool { return h.Must && h.Tolerance == 0 }) {
		q := *p
		q.exact = true
		maps = q.steadyMaps(ctx, p.o.Answers)
	}
	return append(maps, p.steadyMaps(ctx, p.o.Answers)...)
}

// stepped runs the dynamic programme under several sets of weights, for
// answers that differ in kind, and adds clicks of one tempo where those do.
func (p *problem) stepped(ctx context.Context) ([]Answer, error) {
	legs, err := p.legs(false)
	if err != nil {
		return nil, err
	}
	maps, err := p.steppedMaps(ctx, legs)
	if err != nil {
		return nil, err
	}
	all, err := p.answers(append(maps, p.anySteady(ctx)...))
	if err != nil {
		return nil, err
	}
	out := p.meeting(all)
	if len(out) == 0 {
		return p.nearest(ctx, all)
	}
	out = p.unlike(out)
	p.tellCosts(ctx, out, legs)
	return out, ctx.Err()
}

// meeting keeps the answers that meet every must-hit.
func (p *problem) meeting(all []Answer) []Answer {
	var out []Answer
	for _, a := range all {
		if p.mustsOff(a) == 0 {
			a.Map.Style = p.o.Style
			out = append(out, a)
		}
	}
	return out
}

// unlike picks the answers to give: the cheapest, then the cheapest of those
// that differ in kind from the ones before, and near doubles only when there
// are not enough; cheapest first.
func (p *problem) unlike(all []Answer) []Answer {
	var out, doubles []Answer
	for _, a := range all {
		if slices.ContainsFunc(out, func(b Answer) bool { return p.alike(a, b) }) {
			doubles = append(doubles, a)
		} else {
			out = append(out, a)
		}
	}
	out = out[:min(len(out), p.o.Answers)]
	out = append(out, doubles[:min(len(doubles), p.o.Answers-len(out))]...)
	sort.SliceStable(out, func(i, j int) bool { return out[i].Cost < out[j].Cost })
	return out
}

// alike reports two answers that miss as many hits with as many odd bars and
// changes, at nearly one mean tempo.
func (p *problem) alike(a, b Answer) bool {
	s, t := a.tally, b.tally
	return s.wants == t.wants && s.odd == t.odd && s.changes == t.changes &&
		math.Abs(math.Log(p.meanUnit(a.Map)/p.meanUnit(b.Map))) < tempoApart
}

// nearest are the maps that fail the fewest must-hits; a must-hit passed by may
// lie exactly on a landing of an odd bar, so that some fail none: then those alone.
func (p *problem) nearest(ctx context.Context, steady []Answer) ([]Answer, error) {
	legs, err := p.legs(true)
	if err != nil {
		return steady[:min(len(steady), p.o.Answers)], nil // too many: the clicks of one tempo are near enough
	}
	maps, err := p.steppedMaps(ctx, legs)
	if err != nil {
		return nil, err
	}
	out, err := p.answers(maps)
	if err != nil {
		return nil, err
	}
	out = append(out, steady...)
	p.byMusts(out)
	for i := range out {
		out[i].Map.Style = Stepped
	}
	if met := p.meeting(out); len(met) > 0 {
		return p.unlike(met), nil
	}
	return out[:min(len(out), p.o.Answers)], nil
}

// byMusts ranks answers by the must-hits that they fail, pinned beats first.
func (p *problem) byMusts(out []Answer) {
	sort.SliceStable(out, func(i, j int) bool {
		if a, b := p.keepsPins(out[i]), p.keepsPins(out[j]); a != b {
			return a
		}
		if a, b := p.mustsOff(out[i]), p.mustsOff(out[j]); a != b {
			return a < b
		}
		return out[i].Cost < out[j].Cost
	})
}

// steppedMaps are maps of chains under the standard weights and under others
// that ask for less of one thing.
func (p *problem) steppedMaps(ctx context.Context, legs [][]leg) ([]Map, error) {
	std := p.standard()
	ends, err := p.chain(ctx, legs, std, false)
	if err != nil || len(ends) == 0 {
		return nil, err
	}
	best := p.steppedMap(ends[0])
	maps := []Map{best}
	if p.o.Answers == 1 {
		return maps, nil
	}
	variants := p.variants(std, best)
	passes := 2 * maxLegs / (1 + countLegs(legs)) // a large search is not made six times
	variants = variants[:max(1, min(passes-1, len(variants)))]
	for _, v := range variants {
		more, err := p.chain(ctx, legs, v.weights, v.noOdd)
		if err != nil {
			return nil, err
		}
		if len(more) > 0 {
			maps = append(maps, p.steppedMap(more[0]))
		}
	}
	for _, e := range ends[1:] { // near misses of the first, should the others be few
		if distinct(maps) >= p.o.Answers {
			break
		}
		maps = append(maps, p.steppedMap(e))
	}
	return maps, nil
}

// variant is a pass that asks for something else.
type variant struct {
	weights
	noOdd bool
}

func (p *problem) variants(std weights, best Map) []variant {
	out := []variant{}
	add := func(noOdd bool, change func(w *weights)) {
		w := std
		change(&w)
		out = append(out, variant{w, noOdd})
	}
	calm := func(w *weights) { w.change *= 5; w.step *= 5 }
	add(false, calm)
	add(true, func(*weights) {})
	add(false, func(w *weights) { w.want *= 5 })
	mean := p.meanUnit(best)
	for _, times := range []float64{1.2, 1 / 1.2} { // slower, faster
		add(false, func(w *weights) { w.wishF = mean * times; w.tempo = 3 })
	}
	if p.o.Answers > defaultAnswers {
		for _, times := range []float64{1.1, 1 / 1.1, 1.35, 1 / 1.35} {
			add(true, func(w *weights) { w.wishF = mean * times; w.tempo = 3; calm(w) })
		}
	}
	return out
}

// meanUnit is a map's mean frames a unit.
func (p *problem) meanUnit(m Map) float64 {
	frames, quarters := 0.0, 0.0
	for _, s := range m.Sections {
		q := s.Quarters().Float()
		quarters += q
		f, _ := s.frames().Float64()
		frames += f
	}
	return frames / quarters / float64(p.perQuarter)
}

func distinct(maps []Map) int {
	n := 0
	for i, m := range maps {
		same := false
		for _, o := range maps[:i] {
			same = same || reflect.DeepEqual(o, m)
		}
		if !same {
			n++
		}
	}
	return n
}
