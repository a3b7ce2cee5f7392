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
	weightAstray  = 0.01   // times the mean error in frames of caught hits of a steady click
)

// weights are what a pass of the solver weighs by; answers are ranked by the
// standard ones.
type weights struct {
	want, odd, change, step, inside float64
	tempo                           float64
	wishF                           float64 // frames a unit
}

func (p *problem) standard() weights {
	return weights{weightWant, weightOdd, weightChange, weightStep, weightInside, p.wTempo, p.wishF}
}

// astray is |ln| of a tempo against the wished one.
func (w weights) astray(lnF float64) float64 { return math.Abs(lnF - math.Log(w.wishF)) }

// tally counts what a map costs.
type tally struct {
	musts, wants    int // missed
	odd             int
	changes, inside int
	steps           float64 // sum of |ln| of tempo ratios
	largest         float64 // largest |ln|
	astray          float64 // mean |ln| from the wish over the reference
	weak            float64 // sum of weightOnBeat, weightOnHalf
}

func (t tally) cost(w weights) float64 {
	return weightMust*float64(t.musts) + w.want*float64(t.wants) + w.odd*float64(t.odd) + w.change*float64(t.changes) +
		w.step*t.steps + w.inside*float64(t.inside) + w.tempo*t.astray + t.weak
}

// tally measures a finished map by its own grid, apart from how it was found.
func (p *problem) tally(m Map, g *Grid, landings []Landing, w weights) tally {
	t := tally{}
	for _, l := range landings {
		switch h := p.hits[l.Hit]; {
		case l.Caught:
			t.weak += weakness(l.Place)
		case h.Must:
			t.musts++
		default:
			t.wants++
		}
	}
	quarter, frame, phase := timecode.Ratio{}, m.Start.Float(), timecode.Ratio{}
	for i, s := range m.Sections {
		lnF := math.Log(s.FramesPerQuarter.Float() / float64(p.perQuarter))
		if s.Metre.orCommon() != p.main.metre {
			t.odd += s.Bars
		}
		if i > 0 && s.FramesPerQuarter != m.Sections[i-1].FramesPerQuarter {
			d := math.Abs(math.Log(s.FramesPerQuarter.Float() / m.Sections[i-1].FramesPerQuarter.Float()))
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
		span := min(to, float64(p.o.Frames)) - max(from, 0)
		t.astray += w.astray(lnF) * max(span, 0) / float64(max(p.o.Frames, 1))
		frame = end
	}
	return t
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
