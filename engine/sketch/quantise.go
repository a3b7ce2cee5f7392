package sketch

import (
	"math"
	"sort"

	"cuechoir/internal/dsp"
)

// The model, all costs in nats. A start lies normally about its place, with
// what was late before still half a habit (an autoregression of order 1: the
// correlated timing of Cemgil, Desain & Kappen 2000); each level of subdivision
// costs; a note ends where the next begins unless it was let go well before.
const (
	onsetSpread  = 0.032 // seconds, standard deviation of a start about its place
	habit        = 0.3   // correlation of a start's lateness with the one before
	depthCost    = 0.7   // a level of subdivision
	reachSeconds = 0.2   // a start's place is sought so far away ...
	leastPlaces  = 5     // ... and among so many at least
	dropCost     = 9.0   // a heard note that gets no place
	dropRun      = 4     // in a row
	mixCost      = 3.0   // thirds and halves in one beat
	restCost     = 1.5   // a rest before the next note
	gapSeconds   = 0.08  // a note may end so far before the next and fill the time (its consonant)
	gapSpread    = 0.10
	endSpread    = 0.09
	shareStep    = 0.02 // of lateness shared by all, seconds
	shareMost    = 0.16
	shareSpread  = 0.06
)

// placed is where a note was put: places by index, from -1 when it got none;
// late is seconds after it, the shared lateness off; sure the posterior
// probability of from, and rival the likeliest other place, -1 without one.
type placed struct {
	from, to, rival int
	late, sure      float64
}

// shared is how a hummer lies against the click with all notes: late by so many
// seconds; lead is the share of a consonant that lies after the beat, 0 where
// the voice is on it (as timing.Habit counts).
type shared struct{ late, lead float64 }

// leads are the shares that are tried. The vowel on the beat is the rule (Morton,
// Marcus & Frankish 1976 on P-centres); another has to be plainly better.
var leads = []struct{ share, cost float64 }{{0, 0}, {0.5, 2}, {1, 4}}

// quantised is a whole line on the grid. late is what all notes share, in
// seconds; cost the chosen reading's, in nats.
type quantised struct {
	placed     []placed
	late, cost float64
}

// quantise puts a line's starts and ends on places. Notes and places are in
// order.
func quantise(notes []heardNote, places []place, sampleRate int) quantised {
	best := math.Inf(1)
	var chosen *quantiser
	var tries []*quantiser
	for _, lead := range leads {
		for k := -int(shareMost / shareStep); k <= int(shareMost/shareStep); k++ {
			late := float64(k) * shareStep
			q := newQuantiser(notes, places, sampleRate, shared{late, lead.share})
			q.prior = lead.cost + late*late/(2*shareSpread*shareSpread)
			q.cost = q.best() + q.prior
			if chosen == nil || q.cost < best {
				best, chosen = q.cost, q
			}
			if q.cost < best+negligible {
				tries = append(tries, q)
			}
		}
	}
	out := quantised{placed: chosen.path(), late: chosen.shared.late, cost: best}
	if d, ok := medianLate(out.placed); ok { // finer than the steps
		out.late += d
		for i := range out.placed {
			out.placed[i].late -= d
		}
	}
	var p posterior
	for _, q := range tries {
		if q.cost < best+negligible {
			p.add(q)
		}
	}
	p.tell(out.placed)
	return out
}

func medianLate(all []placed) (float64, bool) {
	var late []float64
	for _, p := range all {
		if p.from >= 0 {
			late = append(late, p.late)
		}
	}
	if len(late) == 0 {
		return 0, false
	}
	return dsp.Median(late), true
}

// candidate is a place that a note may begin on.
type candidate struct {
	place int
	late  float64 // seconds
	own   float64 // cost by itself

	cost, ahead, behind float64 // of the best way here; log sums of all ways here and on
	fromNote, fromCand  int     // the best way's step before; -1
}

// quantiser holds the lattice of one shared lateness.
type quantiser struct {
	notes    []heardNote
	places   []place
	perSec   float64
	shared   shared
	prior    float64 // cost of what is shared
	cost     float64 // of the best reading, prior and all
	lattice  [][]candidate
	lastNote int
	lastCand int
}

func newQuantiser(notes []heardNote, places []place, sampleRate int, as shared) *quantiser {
	q := &quantiser{notes: notes, places: places, perSec: float64(sampleRate), shared: as}
	reach := int64(reachSeconds * q.perSec)
	shift := q.shift()
	q.lattice = make([][]candidate, len(notes))
	for i, h := range notes {
		at := q.begins(h) - shift
		lo := sort.Search(len(places), func(k int) bool { return places[k].sample >= at-reach })
		hi := sort.Search(len(places), func(k int) bool { return places[k].sample > at+reach })
		for hi-lo < min(leastPlaces, len(places)-1) {
			switch {
			case lo == 0 || hi < len(places) && places[hi].sample-at <= at-places[lo-1].sample:
				hi++
			default:
				lo--
			}
		}
		hi = min(hi, len(places)-1) // the last place only ends notes
		for k := lo; k < hi; k++ {
			q.lattice[i] = append(q.lattice[i], candidate{place: k, late: q.lateness(h, places[k].sample, shift), own: depthCost * places[k].depth})
		}
	}
	return q
}

func (q *quantiser) shift() int64 { return int64(q.shared.late * q.perSec) }

// begins is the sample that counts as a note's start.
func (q *quantiser) begins(h heardNote) int64 {
	return h.onset - int64(q.shared.lead*float64(h.onset-h.attack))
}

// lateness is how far a start lies from a place: its voiced lead and its voice
// are both readings of it, and what lies between them is on the place.
func (q *quantiser) lateness(h heardNote, sample, shift int64) float64 {
	begins := q.begins(h)
	last, first := begins-shift-sample, min(begins, h.early)-shift-sample
	d := last
	if first > 0 {
		d = first
	} else if last > 0 {
		d = 0
	}
	return float64(d) / q.perSec
}

// begin is the cost of a line that begins with note i on c.
func (q *quantiser) begin(i int, c *candidate) float64 {
	return dropCost*float64(i) + c.own + c.late*c.late/(2*onsetSpread*onsetSpread)
}

// step is the cost of going from note i on a to note j on b.
func (q *quantiser) step(i int, a *candidate, j int, b *candidate) float64 {
	if b.place <= a.place {
		return math.Inf(1)
	}
	news := b.late - habit*a.late
	cost := dropCost*float64(j-i-1) + b.own + news*news/(2*onsetSpread*onsetSpread*(1-habit*habit))
	if p, r := q.places[a.place], q.places[b.place]; p.beat == r.beat && p.third != r.third && p.depth > 0 && r.depth > 0 {
		cost += mixCost
	}
	_, end := q.end(i, a.place, b.place)
	return cost + end
}

// end is where note i ends, at next at the latest, and what that costs.
func (q *quantiser) end(i, from, next int) (to int, cost float64) {
	off := q.notes[i].offset - q.shift()
	gap := float64(q.places[next].sample-off)/q.perSec - gapSeconds
	to, cost = next, max(0, gap)*max(0, gap)/(2*gapSpread*gapSpread)
	for k := from + 1; k < next && cost > restCost; k++ {
		d := float64(off-q.places[k].sample) / q.perSec
		if c := restCost + 0.5*depthCost*q.places[k].depth + d*d/(2*endSpread*endSpread); c < cost {
			to, cost = k, c
		}
	}
	return to, cost
}

// finish is the cost of note i being the last.
func (q *quantiser) finish(i int, a *candidate) float64 {
	_, cost := q.endLast(i, a.place)
	return cost + dropCost*float64(len(q.notes)-1-i)
}

// endLast is where the last note ends.
func (q *quantiser) endLast(i, from int) (to int, cost float64) {
	off := q.notes[i].offset - q.shift()
	to, cost = from+1, math.Inf(1)
	for k := from + 1; k < len(q.places); k++ {
		d := float64(off-q.places[k].sample) / q.perSec
		if c := 0.5*depthCost*q.places[k].depth + d*d/(2*endSpread*endSpread); c < cost {
			to, cost = k, c
		}
		if d < -1 {
			break
		}
	}
	return to, cost
}

// best fills the lattice forwards and gives the cost of the cheapest reading.
func (q *quantiser) best() float64 {
	for j := range q.lattice {
		for c := range q.lattice[j] {
			b := &q.lattice[j][c]
			b.cost, b.fromNote = q.begin(j, b), -1
			b.ahead = -b.cost
			for i := max(0, j-1-dropRun); i < j; i++ {
				for k := range q.lattice[i] {
					a := &q.lattice[i][k]
					s := q.step(i, a, j, b)
					if math.IsInf(s, 1) {
						continue
					}
					if a.cost+s < b.cost {
						b.cost, b.fromNote, b.fromCand = a.cost+s, i, k
					}
					b.ahead = logSum(b.ahead, a.ahead-s)
				}
			}
		}
	}
	least := math.Inf(1)
	q.lastNote = -1
	for i := range q.lattice {
		for k := range q.lattice[i] {
			if c := q.lattice[i][k].cost + q.finish(i, &q.lattice[i][k]); c < least {
				least, q.lastNote, q.lastCand = c, i, k
			}
		}
	}
	return least
}

// path reads the cheapest way back.
func (q *quantiser) path() []placed {
	out := make([]placed, len(q.notes))
	for i := range out {
		out[i] = placed{from: -1, rival: -1}
	}
	next := -1
	for i, k := q.lastNote, q.lastCand; i >= 0; {
		c := q.lattice[i][k]
		p := placed{from: c.place, rival: -1, late: c.late}
		if next < 0 {
			p.to, _ = q.endLast(i, c.place)
		} else {
			p.to, _ = q.end(i, c.place, next)
		}
		out[i], next = p, c.place
		i, k = c.fromNote, c.fromCand
	}
	return out
}
