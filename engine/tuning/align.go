// Package tuning holds sung notes against the notes they were meant to be:
// which is which, how many cents off, how the layer as a whole lies and
// drifts, and, without a part, against the nearest note of a scale.
package tuning

import (
	"math"

	"cuechoir/internal/fault"
)

// Sung is a note as sung: samples on the timeline, absolute cents (6900 = A4),
// Weight 0 to 1 (how sure it is a note at all).
type Sung struct {
	Onset, Offset int64
	Cents, Weight float64
}

// Target is a note of the part: samples on the timeline, absolute cents.
type Target struct {
	Start, End int64
	Cents      float64
}

// Pair says what was sung for a target: the indexes of the sung notes, in
// order; none where it is missing. Shared: the one sung note also stands for
// the target before (two notes on one pitch, sung as one).
type Pair struct {
	Sung   []int
	Shared bool
}

// AlignOptions of Align; the zero value is good for singing.
type AlignOptions struct {
	Shift      int64                      // the layer is late by so many samples as a whole
	Line       func(sample int64) float64 // cents that the layer is sharp as a whole at a sample; nil: 0
	MaxShifted float64                    // seconds a note may be off and still be that note; 0: 0.6
}

// Costs of the alignment, in units of a plainly bad match. From practice on
// synthetic and real singing; a missing note costs as much as being 0.4 s off
// or the wrong note by three semitones.
const (
	defaultMaxShifted = 0.6
	missingCost       = 2.6
	extraCost         = 1.6
	fullExtra         = 0.30 // seconds from which an unmatched sung note costs in full
	secondsUnit       = 0.15
	semitoneCost      = 0.85
	pitchCostCap      = 3.0
	octaveCost        = 0.9
	mergeCost         = 0.35 // a sung note split in two
	sharedCost        = 0.6  // two targets sung as one
	maxMerge          = 4
	maxCells          = 1 << 27
)

// Align finds the cheapest order-keeping assignment of sung notes to targets
// by dynamic programming (Needleman & Wunsch 1970, with moves that merge and
// share). Both must be sorted by time. It answers one Pair a target. Cost:
// len(sung) * len(targets).
func Align(sung []Sung, targets []Target, sampleRate int, o AlignOptions) ([]Pair, error) {
	if len(sung)*len(targets) > maxCells {
		return nil, fault.New(fault.OverLimit, "%d sung notes against %d of the part are too many to align", len(sung), len(targets)).
			Mended("check the layer in parts")
	}
	if o.MaxShifted <= 0 {
		o.MaxShifted = defaultMaxShifted
	}
	a := &aligner{sung: sung, targets: targets, sr: float64(sampleRate), o: o}
	a.fill()
	return a.trace(), nil
}

// move: what a cell's best way in consumed. 1..maxMerge sung for one target;
// the rest named.
type move uint8

const (
	moveExtra move = iota + 10
	moveMissing
	moveShared
)

type aligner struct {
	sung    []Sung
	targets []Target
	sr      float64
	o       AlignOptions
	back    []move
}

// fill runs over targets (rows) and sung notes (columns).
func (a *aligner) fill() {
	n := len(a.sung) + 1
	a.back = make([]move, n*(len(a.targets)+1))
	older, old, row := make([]float64, n), make([]float64, n), make([]float64, n)
	for j := range len(a.targets) + 1 {
		for i := range n {
			best, by := math.Inf(1), move(0)
			if i == 0 && j == 0 {
				best = 0
			}
			try := func(cost float64, m move) {
				if cost < best {
					best, by = cost, m
				}
			}
			if i > 0 {
				try(row[i-1]+a.extra(i-1), moveExtra)
			}
			if j > 0 {
				try(old[i]+missingCost, moveMissing)
				for k := 1; k <= min(i, maxMerge); k++ {
					try(old[i-k]+a.match(i-k, i, j-1), move(k))
				}
			}
			if j > 1 && i > 0 {
				try(older[i-1]+a.shared(i-1, j-1), moveShared)
			}
			row[i], a.back[j*n+i] = best, by
		}
		older, old, row = old, row, older
	}
}

func (a *aligner) trace() []Pair {
	out := make([]Pair, len(a.targets))
	n := len(a.sung) + 1
	i, j := len(a.sung), len(a.targets)
	for i > 0 || j > 0 {
		switch m := a.back[j*n+i]; m {
		case moveExtra:
			i--
		case moveMissing:
			j--
		case moveShared:
			i--
			out[j-1] = Pair{Sung: []int{i}, Shared: true}
			out[j-2] = Pair{Sung: []int{i}}
			j -= 2
		default:
			for k := i - int(m); k < i; k++ {
				out[j-1].Sung = append(out[j-1].Sung, k)
			}
			i -= int(m)
			j--
		}
	}
	return out
}

func (a *aligner) seconds(samples int64) float64 { return float64(samples) / a.sr }

func (a *aligner) extra(i int) float64 {
	s := a.sung[i]
	return extraCost * s.Weight * min(1, a.seconds(s.Offset-s.Onset)/fullExtra)
}

// match is the cost of the sung notes [from, to) being target j.
func (a *aligner) match(from, to, j int) float64 {
	t := a.targets[j]
	start, end := t.Start+a.o.Shift, t.End+a.o.Shift
	off := math.Abs(a.seconds(a.sung[from].Onset - start))
	if off > a.o.MaxShifted && from+1 == to {
		return math.Inf(1)
	}
	cost := off/secondsUnit + float64(to-from-1)*mergeCost
	pitch, length := 0.0, 0.0
	for _, s := range a.sung[from:to] {
		inside := a.seconds(min(end, s.Offset) - max(start, s.Onset))
		if to-from > 1 && inside < 0.5*a.seconds(s.Offset-s.Onset) {
			return math.Inf(1)
		}
		d := a.seconds(s.Offset - s.Onset)
		pitch += d * a.pitchCost(s, j)
		length += d
	}
	return cost + pitch/max(length, 1e-6)
}

func (a *aligner) pitchCost(s Sung, j int) float64 {
	d := s.Cents - a.targets[j].Cents
	if a.o.Line != nil {
		d -= a.o.Line(s.Onset)
	}
	d = math.Abs(d) / 100
	cost := min(pitchCostCap, semitoneCost*d)
	folded := math.Abs(d - 12*math.Round(d/12))
	return min(cost, octaveCost+semitoneCost*folded)
}

// shared is the cost of one sung note standing for targets j-1 and j, which
// must be on one pitch and both lie well inside it.
func (a *aligner) shared(i, j int) float64 {
	s, t, u := a.sung[i], a.targets[j-1], a.targets[j]
	if math.Abs(t.Cents-u.Cents) > 1 {
		return math.Inf(1)
	}
	for _, v := range []Target{t, u} {
		inside := min(v.End+a.o.Shift, s.Offset) - max(v.Start+a.o.Shift, s.Onset)
		if float64(inside) < 0.5*float64(v.End-v.Start) {
			return math.Inf(1)
		}
	}
	off := math.Abs(a.seconds(s.Onset - t.Start - a.o.Shift))
	if off > a.o.MaxShifted {
		return math.Inf(1)
	}
	return sharedCost + off/secondsUnit + 2*a.pitchCost(s, j)
}

// Shift finds by how many samples the sung notes as a whole lie after their
// targets: the densest place among the differences of onsets of notes that
// could be one another by pitch class. 0 without enough to go on.
func Shift(sung []Sung, targets []Target, sampleRate int) int64 {
	const (
		reach = 1.2  // seconds
		width = 0.04 // of the kernel
		grid  = 0.005
		near  = 80.0 // cents
	)
	cells := int(2*reach/grid) + 1
	votes := make([]float64, cells)
	lo := 0
	for _, s := range sung {
		for lo < len(targets) && float64(s.Onset-targets[lo].Start) > 2*reach*float64(sampleRate) {
			lo++
		}
		for _, t := range targets[lo:] {
			d := float64(s.Onset-t.Start) / float64(sampleRate)
			if d < -reach {
				break
			}
			c := s.Cents - t.Cents
			c -= 1200 * math.Round(c/1200)
			if d > reach || math.Abs(c) > near {
				continue
			}
			votes[int((d+reach)/grid)] += s.Weight * (1 - math.Abs(c)/near/2)
		}
	}
	half := int(width / grid)
	best, at := 0.0, cells/2
	for k := range votes {
		sum := 0.0
		for j := max(0, k-half); j <= min(cells-1, k+half); j++ {
			sum += votes[j] * (1 - math.Abs(float64(j-k))/float64(half+1))
		}
		// a shift is believed the less the larger it is: rhythm repeats
		sum *= 1 - 0.25*math.Abs(float64(k)*grid-reach)/reach
		if sum > best {
			best, at = sum, k
		}
	}
	if best < 2 || best < 0.3*float64(min(len(sung), len(targets))) {
		return 0
	}
	return int64((float64(at)*grid - reach) * float64(sampleRate))
}
