package tempo

import (
	"math"

	"cuechoir/engine/timecode"
)

// The cost of a map: a want-hit missed is 1, all else is told in that coin.
// The weights are the product's own judgement of what a singer feels.
const (
	weightMust    = 1000.0 // a must-hit missed: never chosen while a map catches it
	weightWant    = 1.0    // a want-hit missed
	weightOdd     = 0.6    // a bar of an odd metre
	weightChange  = 0.15   // any change of tempo
	weightStep    = 2.5    // times |ln| of the ratio of the tempos
	weightInside  = 0.10   // a change inside a bar
	weightWish    = 4.0    // times the mean |ln| from the wished tempo over the reference
	weightComfort = 0.8    // the same from a comfortable tempo when none is wished
	weightOnBeat  = 0.02   // a hit on a beat within the bar
	weightOnHalf  = 0.04   // a hit between beats
	weightUnplain = 0.02   // a steady click that is no whole number of eighths of a frame
	weightGlide   = 1.5    // times |ln| of the ratio of the tempos that a glide joins
	weightInexact = 100.0  // a must-hit of no tolerance that a steady click meets but for a part of a frame
	weightAstray  = 0.01   // times the mean error in frames of caught hits of a steady click
)

// weights are what a pass of the solver weighs by; answers are ranked by the
// standard ones.
type weights struct {
	want, odd, change, step, inside, glide float64
	tempo                                  float64
	wishF                                  float64 // frames a unit
}

func (p *problem) standard() weights {
	return weights{weightWant, weightOdd, weightChange, weightStep, weightInside, weightGlide, p.wTempo, p.wishF}
}

// astray is |ln| of a tempo against the wished one.
func (w weights) astray(lnF float64) float64 { return math.Abs(lnF - math.Log(w.wishF)) }

// oddBarsOf counts a map's bars of a metre that is not the main one. A tempo may
// change inside such a bar.
func (p *problem) oddBarsOf(m Map, metre Metre) int {
	quarters := 0.0
	for _, s := range m.Sections {
		if x := s.Metre.orCommon(); x == metre.orCommon() && x != p.main.metre {
			quarters += s.Quarters().Float()
		}
	}
	return int(math.Round(quarters / metre.BarQuarters().Float()))
}

// astrayGlide is the sum over frames of |ln| of the tempo against the wished
// one, through a glide of some units from p0 to p1 frames a unit. With G(p) =
// p²/2 (ln p/w - 1/2) it is units (G(p1)-G(p0)) / (p1-p0), either side of w.
func (w weights) astrayGlide(p0, p1, units float64) float64 {
	if p0 > p1 {
		p0, p1 = p1, p0
	}
	if p1-p0 < 1e-4*p0 { // too near for differences: by its middle
		mid := (p0 + p1) / 2
		return units * mid * math.Abs(math.Log(mid/w.wishF))
	}
	g := func(p float64) float64 { return p * p / 2 * (math.Log(p/w.wishF) - 0.5) }
	switch a := units / (p1 - p0); {
	case w.wishF <= p0:
		return a * (g(p1) - g(p0))
	case w.wishF >= p1:
		return a * (g(p0) - g(p1))
	default:
		return a * (g(p1) + g(p0) - 2*g(w.wishF))
	}
}

// tally counts what a map costs.
type tally struct {
	musts, wants    int // missed
	odd             int
	changes, inside int
	steps           float64 // sum of |ln| of tempo ratios
	largest         float64 // largest |ln|
	astray          float64 // mean |ln| from the wish over the reference
	weak            float64 // sum of weightOnBeat, weightOnHalf
	inexact         int     // must-hits caught but for a part of a frame
	glides          float64 // sum of |ln| over glides
	glideBar        float64 // largest |ln| of a glide over a bar
}

func (t tally) cost(w weights) float64 {
	return weightMust*float64(t.musts) + w.want*float64(t.wants) + w.odd*float64(t.odd) + w.change*float64(t.changes) +
		w.step*t.steps + w.inside*float64(t.inside) + w.tempo*t.astray + t.weak +
		w.glide*t.glides + weightInexact*float64(t.inexact)
}

// tally measures a finished map by its own grid, apart from how it was found.
func (p *problem) tally(m Map, g *Grid, landings []Landing, w weights) tally {
	t := tally{}
	for _, l := range landings {
		switch h := p.hits[l.Hit]; {
		case l.Caught:
			t.weak += weakness(l.Place)
			if h.Must && h.Tolerance == 0 && l.ErrorFrames.Sign() != 0 {
				t.inexact++
			}
		case h.Must:
			t.musts++
		default:
			t.wants++
		}
	}
	t.tempos(p, m, g, w)
	return t
}

// tempos tallies what a map's tempos cost.
func (t *tally) tempos(p *problem, m Map, g *Grid, w weights) {
	for i, metre := range p.o.Metres[1:] {
		if p.metreIndex(metre.orCommon()) == i { // not one named twice
			t.odd += p.oddBarsOf(m, metre)
		}
	}
	quarter, frame, phase := timecode.Ratio{}, m.Start.Float(), timecode.Ratio{}
	for i, s := range m.Sections {
		if i > 0 && s.FramesPerQuarter != m.Sections[i-1].EndPeriod() {
			d := math.Abs(math.Log(s.FramesPerQuarter.Float() / m.Sections[i-1].EndPeriod().Float()))
			t.changes++
			t.steps += d
			t.largest = max(t.largest, d)
			if phase.Sign() != 0 {
				t.inside++
			}
		}
		if phase = phase.Add(s.Extra); phase.Cmp(s.Metre.BarQuarters()) >= 0 {
			phase = phase.Sub(s.Metre.BarQuarters())
		}
		quarter = quarter.Add(s.Quarters())
		end := g.FrameAt(quarter).Float()
		from, to := frame, end
		if i == 0 {
			from = 0
		}
		if i == len(m.Sections)-1 {
			to = float64(p.o.Frames)
		}
		span := max(min(to, float64(p.o.Frames))-max(from, 0), 0)
		first := s.FramesPerQuarter.Float() / float64(p.perQuarter)
		if s.Glides() { // always within the reference, from hit to hit
			last := s.EndPeriod().Float() / float64(p.perQuarter)
			t.astray += w.astrayGlide(first, last, s.Quarters().Float()*float64(p.perQuarter)) / float64(max(p.o.Frames, 1))
			d := math.Abs(math.Log(last / first))
			t.glides += d
			t.glideBar = max(t.glideBar, d/max(s.Quarters().Float()/s.Metre.BarQuarters().Float(), 1))
		} else {
			t.astray += w.astray(math.Log(first)) * span / float64(max(p.o.Frames, 1))
		}
		frame = end
	}
}

func weakness(p Place) float64 {
	switch {
	case p.Half:
		return weightOnHalf
	case p.Beat > 1:
		return weightOnBeat
	}
	return 0
}
