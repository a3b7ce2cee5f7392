package tempo

import (
	"context"
	"fmt"
	"math"
	"strings"

	"cuechoir/engine/timecode"
)

// words says what an answer gives and takes.
func (p *problem) words(a Answer) string {
	parts := []string{p.tempoWords(a)}
	if odd := p.oddWords(a.Map); odd != "" {
		parts = append(parts, odd)
	}
	if a.tally.inside > 0 {
		parts = append(parts, plural(a.tally.inside, "change")+" of tempo inside a bar")
	}
	if n := len(p.wishes()); n > 0 {
		parts = append(parts, catchWords(p.hits, a.Landings[:n]))
	}
	if a.tally.inexact > 0 {
		parts = append(parts, plural(a.tally.inexact, "must-hit")+" not exactly but within half a frame (no single tempo is exact on all)")
	}
	return strings.Join(parts, ", ")
}

func (p *problem) tempoWords(a Answer) string {
	slow, fast := math.Inf(1), 0.0
	distinct := map[string]bool{}
	for _, s := range a.Map.Sections {
		for _, per := range []timecode.Ratio{s.FramesPerQuarter, s.EndPeriod()} {
			bpm := BPM(per, p.o.Rate) / p.o.Metres[0].BeatQuarters().Float()
			slow, fast = min(slow, bpm), max(fast, bpm)
		}
		distinct[s.FramesPerQuarter.String()] = true
	}
	if a.tally.glides > 0 {
		return fmt.Sprintf("glides between %s and %s BPM, at most %s %% a bar", bpmText(slow), bpmText(fast), percentText(math.Expm1(a.tally.glideBar)))
	}
	if len(distinct) == 1 {
		text := fmt.Sprintf("one tempo, %s BPM", bpmText(slow))
		f := a.Map.Sections[0].FramesPerQuarter.Mul(p.o.Metres[0].BeatQuarters())
		if c, ok := ClickNotation(f); ok {
			text += " (a click of " + c + ")"
		}
		return text
	}
	return fmt.Sprintf("%d tempos, %s to %s BPM, steps of up to %s %%", len(distinct), bpmText(slow), bpmText(fast),
		percentText(math.Expm1(a.tally.largest)))
}

func bpmText(bpm float64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.2f", bpm), "0"), ".")
}

func percentText(x float64) string {
	return strings.TrimSuffix(fmt.Sprintf("%.1f", 100*x), ".0")
}

func (p *problem) oddWords(m Map) string {
	var out []string
	for i, metre := range p.o.Metres[1:] {
		if p.metreIndex(metre.orCommon()) != i {
			continue // named twice
		}
		if n := p.oddBarsOf(m, metre); n > 0 {
			out = append(out, plural(n, "bar")+" of "+metre.String())
		}
	}
	return strings.Join(out, " and ")
}

func catchWords(hits []Hit, landings []Landing) string {
	caught, mustsMissed := 0, 0
	for _, l := range landings {
		if l.Caught {
			caught++
		} else if hits[l.Hit].Must {
			mustsMissed++
		}
	}
	n := len(landings)
	text := fmt.Sprintf("catches %d of %d", caught, n)
	if caught == n {
		text = "catches all " + plural(n, "hit")
		if n == 1 {
			text = "catches the hit"
		}
	}
	if mustsMissed > 0 {
		text += " and fails " + plural(mustsMissed, "must-hit")
	}
	return text
}

// trade says what a gives and takes against the first answer.
func (p *problem) trade(first, a Answer) string {
	s, t := first.tally, a.tally
	var parts []string
	more := func(n int, better, worse, things string) {
		switch {
		case n > 0:
			parts = append(parts, fmt.Sprintf("%s %d more%s", better, n, things))
		case n < 0:
			parts = append(parts, fmt.Sprintf("%s %d more%s", worse, -n, things))
		}
	}
	more(s.musts-t.musts, "catches", "misses", " of the must-hits")
	more(s.wants-t.wants, "catches", "misses", "")
	fewer := func(n int, things string) {
		switch {
		case n > 0:
			parts = append(parts, strings.Replace(plural(n, things), " ", " more ", 1))
		case n < 0:
			parts = append(parts, strings.Replace(plural(-n, things), " ", " fewer ", 1))
		}
	}
	fewer(t.odd-s.odd, "odd bar")
	fewer(t.changes-s.changes, "tempo change")
	if s.glides > 0 && t.glides == 0 && len(a.Map.Sections) > 0 {
		parts = append(parts, "no glides")
	}
	mean := p.meanUnit(first.Map) / p.meanUnit(a.Map)
	switch {
	case mean > 1+tempoApart:
		parts = append(parts, percentText(mean-1)+" % faster")
	case mean < 1-tempoApart:
		parts = append(parts, percentText(1-mean)+" % slower")
	}
	if len(parts) == 0 {
		return ""
	}
	return "against the first: " + strings.Join(parts, ", ")
}

func plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// tellCosts adds to the missed wants of stepped answers what catching them
// takes: it solves again with each as a must, while that stays quick.
func (p *problem) tellCosts(ctx context.Context, answers []Answer, legs [][]leg) {
	left := maxLegs / 2 / (1 + countLegs(legs)) // solutions that may be tried
	forced := map[int]*Answer{}
	for i := range answers {
		for k := range answers[i].Landings {
			l := &answers[i].Landings[k]
			if l.Caught || ctx.Err() != nil {
				continue
			}
			f, known := forced[l.Hit]
			if !known {
				if left--; left < 0 {
					continue
				}
				f = p.force(ctx, l.Hit)
				forced[l.Hit] = f
			}
			l.WouldCost += "; " + p.forceWords(f, answers[i])
		}
	}
}

// force is the best answer that catches one more hit as a must; nil when none.
func (p *problem) force(ctx context.Context, hit int) *Answer {
	hits := append([]Hit(nil), p.hits...)
	hits[hit].Must = true
	q, err := newProblem(hits, p.o)
	if err != nil {
		return nil
	}
	legs, err := q.legs(false)
	if err != nil {
		return nil
	}
	ends, err := q.chain(ctx, legs, p.standard(), false)
	if err != nil || len(ends) == 0 {
		return nil
	}
	a, err := p.answer(q.steppedMap(ends[0]))
	if err != nil {
		return nil
	}
	return &a
}

// forceWords compares a map that catches the hit with the answer given.
func (p *problem) forceWords(f *Answer, a Answer) string {
	if f == nil {
		return "no map within these limits catches it with the must-hits"
	}
	var takes []string
	if n := f.tally.changes - a.tally.changes; n > 0 {
		takes = append(takes, plural(n, "more change")+" of tempo")
	}
	if n := f.tally.odd - a.tally.odd; n > 0 {
		takes = append(takes, plural(n, "more odd bar"))
	}
	if f.tally.largest > a.tally.largest+1e-9 {
		takes = append(takes, "a step of "+percentText(math.Expm1(f.tally.largest))+" %")
	}
	if n := f.tally.wants - a.tally.wants; n >= 0 {
		takes = append(takes, "missing "+plural(n+1, "other hit"))
	}
	if len(takes) == 0 {
		return fmt.Sprintf("catching it takes tempos further from the one wished for (%s)", p.tempoWords(*f))
	}
	return "catching it takes " + strings.Join(takes, ", ")
}
