package pitch

import (
	"iter"
	"math"
	"slices"
)

// gate holds the levels between which the recording lives, dB: its noise, its
// loud level, and for each frame the loudest near it.
type gate struct {
	floor, top float64
	near       []float64
}

// Levels that decide whether a frame can be voiced at all.
const (
	silentDB     = -90.0 // below this nothing is looked for
	gateRangeDB  = 45.0  // softer than this below the loudest is not the voice
	floorShare   = 0.05  // the quietest share of a recording is its noise
	topShare     = 0.95
	floorMargin  = 5.0  // dB over the noise where half is believed
	floorCeiling = 30.0 // the noise is never taken to lie nearer the top than this
	nearRangeDB  = 27.0 // softer than this beside what is near: another layer in the headphones, a tail
	nearSeconds  = 1.0  // on either side
)

func newGate(frames []Frame, hop float64) gate {
	g := gate{near: loudestNear(frames, int(nearSeconds/hop))}
	g.floor, g.top = levelRange(frames)
	return g
}

// loudestNear is for each frame the highest level within reach frames, by the
// block method of van Herk (1992): a running maximum forward and one back.
func loudestNear(frames []Frame, reach int) []float64 {
	n, width := len(frames), 2*reach+1
	level := func(i int) float64 {
		if i < reach || i >= n+reach {
			return MinLevelDB
		}
		return frames[i-reach].LevelDB
	}
	padded := (n + 2*reach + width - 1) / width * width
	ahead, back := make([]float64, padded), make([]float64, padded)
	for i := range padded {
		ahead[i] = level(i)
		if i%width > 0 {
			ahead[i] = max(ahead[i], ahead[i-1])
		}
	}
	for i := padded - 1; i >= 0; i-- {
		back[i] = level(i)
		if i%width < width-1 {
			back[i] = max(back[i], back[i+1])
		}
	}
	near := make([]float64, n)
	for i := range near {
		near[i] = max(back[i], ahead[i+2*reach])
	}
	return near
}

// levelRange finds the noise floor and the loud level of a recording by order
// statistics (common practice). A recording without rests has no floor to
// read: then floorCeiling stands in.
func levelRange(frames []Frame) (floor, top float64) {
	v := make([]float64, 0, len(frames))
	for _, f := range frames {
		v = append(v, f.LevelDB)
	}
	slices.Sort(v)
	at := func(share float64) float64 { return v[int(share*float64(len(v)-1))] }
	top = at(topShare)
	return min(at(floorShare), top-floorCeiling), top
}

// weight is 0..1: how far the level lets frame i be voice.
func (g gate) weight(i int, db float64) float64 { return weigh(db, g.floor, g.top, g.near[i]) }

func weigh(db, floor, top, near float64) float64 {
	over := min(db-floor-floorMargin, db-(top-gateRangeDB), db-(near-nearRangeDB), db-silentDB)
	return 1 / (1 + math.Exp(-over/1.0))
}

// Costs of the path (after Boersma 1993, section 3; here negative logs of
// probabilities, a jump's cost independent of the hop).
const (
	jumpCost    = 7.0  // an octave between neighbouring frames
	switchCost  = 3.0  // voice starting or stopping
	voicedDepth = 0.28 // a dip this deep is voiced as likely as not
	depthSlope  = 0.05
	leastShare  = 0.004
)

// state is a cell of the trellis: candidate k, or the unvoiced state at 0.
type state struct {
	hz, cost float64
	octave   float64 // log2 of hz
	voiced   float64 // probability of voice by depth and level
	from     int
}

// choose runs the path over the candidates and writes Hz, Voiced and
// Confidence.
func choose(frames []Frame, nodes [][]candidate, g gate, hop float64) {
	rows := make([][]state, len(frames))
	for i := range frames {
		rows[i] = emit(make([]state, 0, len(nodes[i])+1), nodes[i], g.weight(i, frames[i].LevelDB))
		if i > 0 {
			link(rows[i-1], rows[i])
		}
	}
	at := cheapest(rows[len(rows)-1])
	for i := len(frames) - 1; i >= 0; i-- {
		s := rows[i][at]
		f := &frames[i]
		if at > 0 {
			f.Hz, f.Voiced, f.Confidence = s.hz, true, s.voiced
		} else if k := bestGuess(nodes[i]); k >= 0 {
			f.Hz, f.Confidence = nodes[i][k].hz, rows[i][k+1].voiced
		}
		at = s.from
	}
	dropBlips(frames, g, hop)
}

// A run of voice shorter than blipSeconds and softer than blipDB under the
// loud level is a click bleeding in or a knock, not a sung sound.
const (
	blipSeconds = 0.055
	blipDB      = 12.0
)

func dropBlips(frames []Frame, g gate, hop float64) {
	for i, j := range runsOfVoice(frames) {
		loud := MinLevelDB
		for _, f := range frames[i:j] {
			loud = max(loud, f.LevelDB)
		}
		if float64(j-i)*hop < blipSeconds && loud < g.top-blipDB {
			for k := i; k < j; k++ {
				frames[k].Voiced = false
			}
		}
	}
}

// runsOfVoice gives each longest run of voiced frames, from i up to j. What is
// done to a run does not change which runs follow.
func runsOfVoice(frames []Frame) iter.Seq2[int, int] {
	return func(yield func(i, j int) bool) {
		for i := 0; i < len(frames); i++ {
			if !frames[i].Voiced {
				continue
			}
			j := i
			for j < len(frames) && frames[j].Voiced {
				j++
			}
			if !yield(i, j) {
				return
			}
			i = j
		}
	}
}

// emit appends to row the states of a frame, each at its own cost.
func emit(row []state, cands []candidate, level float64) []state {
	row = append(row, state{})
	best := 0.0
	for _, c := range cands {
		p := level / (1 + math.Exp((c.depth-voicedDepth)/depthSlope))
		row = append(row, state{hz: c.hz, octave: math.Log2(c.hz), voiced: p, cost: -math.Log(p*(c.share+leastShare) + 1e-12)})
		best = max(best, p)
	}
	row[0].cost = -math.Log(1 - best + 1e-3)
	return row
}

// link finds for each state of a row its cheapest way in.
func link(prev, row []state) {
	for k := range row {
		best, from := math.Inf(1), 0
		for j := range prev {
			c := prev[j].cost
			switch {
			case k > 0 && j > 0:
				c += jumpCost * math.Abs(row[k].octave-prev[j].octave)
			case k > 0 || j > 0:
				c += switchCost
			}
			if c < best {
				best, from = c, j
			}
		}
		row[k].cost += best
		row[k].from = from
	}
}

func cheapest(row []state) int {
	at := 0
	for k := range row {
		if row[k].cost < row[at].cost {
			at = k
		}
	}
	return at
}

func bestGuess(cands []candidate) int {
	at := -1
	for k := range cands {
		if at < 0 || cands[k].share > cands[at].share {
			at = k
		}
	}
	return at
}
