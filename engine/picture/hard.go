package picture

import (
	"math"
	"slices"
)

// Hard cuts. Aim: the first frame of each new shot. The threshold follows its
// neighbourhood, as in Yusoff, Christmas and Kittler, "Video shot cut detection
// using adaptive thresholding", BMVC 2000: so many times the usual change plus
// a floor. Before and after a cut are different films, so each side has a usual
// change of its own: the cut stands well above the quieter one, and above the
// other at all. Known failure: shots of less than four frames, a cut between
// shots of noise.
const (
	around      = 8    // frames on each side
	cutTimes    = 1.5  // times the usual change
	cutFloor    = 0.16 // and so much more
	greatCut    = 0.62 // a change that may stand out on one side alone
	greatLost   = 0.5  // the same where nothing of the old structure is left
	overOther   = 1.08 // times the usual of the other side
	aloneFloors = 2.0  // a change that stands alone for two frames: times the floor
	aloneTimes  = 2.0
	noEnergy    = 0.1 // of structure: a flat picture
	aloneMuch   = 6.0 // times what is beside it: a cut even if some structure is alike
	// Where something passes the camera, the frames change as much one after
	// another, and more of the structure stays than over a cut.
	passedAlike = 0.6
	passedTimes = 2.5

	// Something went by where the picture from before is back: as alike as
	// passerAlike, in another frame as passerAgain, by passerMore more than it is
	// across the change, and off by less than passerOff levels.
	passerBelow                          = 0.8 // a cut of more confidence is none of these
	passerAlike, passerAgain, passerMore = 0.57, 0.5, 0.2
	passerOff, passerLight               = 5.0, 55.0

	nearCuts  = 0.6 // share of a side's frames: cuts four frames apart leave so many
	allButOne = 0.8

	stillAlike  = 0.93 // structures so alike in place are one shot
	usualApart  = 2    // how far the neighbourhood is searched for flashes
	nothingMuch = 0.02
	lowFloor    = 0.05 // where nothing of the old structure is left
	lostAlike   = 0.40 // a structure less alike than this is lost

	// The last step of a dissolve is a change of less than keptBelow beside
	// steps of at least keptSteps of it, in which more than keptAlike of the
	// structure stays.
	keptAlike = 0.79
	keptBelow = 0.45
	keptSteps = 0.2
)

// lasting is the change at frame k that no short flash explains: the least
// change between a frame before k and one from k on, up to flashFrames apart.
// A change of less than nothingMuch is given as it is found.
func (d *Detector) lasting(k int) float64 { return d.lastingOver(k, mostApart) }

// lastingOver is lasting for flashes of less than so many frames.
func (d *Detector) lastingOver(k, most int) float64 {
	e := d.changeOver(k, 1)
	for apart := 2; apart <= most; apart++ {
		for b := max(k, apart); b < min(k+apart, len(d.apart)); b++ {
			if e < nothingMuch {
				return e
			}
			e = min(e, d.changeOver(b, apart)) // frame b-apart against b, on both sides of k
		}
	}
	return e
}

// exceeds tells whether the lasting change at frame k is more than c.
func (d *Detector) exceeds(k int, c float64) bool {
	return d.changeOver(k, 1) > c && d.lasting(k) > c
}

// usual is the lasting change that share of the frames from a to b, other than
// k, do not exceed.
func (d *Detector) usual(k, a, b int, share float64) float64 {
	var v [2 * around]float64
	n := 0
	for j := max(1, a); j <= min(len(d.apart)-1, b); j++ {
		if j != k {
			v[n] = d.lastingOver(j, usualApart)
			n++
		}
	}
	if n == 0 {
		return 0
	}
	slices.Sort(v[:n])
	return v[int(share*float64(n))]
}

// limit is what the change at frame k has to reach: that of its neighbourhood,
// or a great one that stands out on each side alone.
func (d *Detector) limit(k int, floor float64) float64 {
	great := greatCut
	if floor < cutFloor { // the structure will have to be lost too
		great = greatLost
	}
	both := floor + cutTimes*d.usual(k, k-around, k+around, 0.75)
	quiet, loud := math.Inf(1), 0.0
	for _, side := range [2][3]int{{k - around, k - 1, k - 2}, {k + 1, k + around, k + 1}} {
		nearest := d.usual(k, side[2], side[2]+1, 0)
		quiet = min(quiet, max(nearest, d.usual(k, side[0], side[1], nearCuts)))
		loud = max(loud, d.usual(k, side[0], side[1], allButOne))
	}
	return min(0.9, both, d.aloneLimit(k, floor), max(great, floor+cutTimes*quiet, overOther*loud))
}

// aloneLimit is what a change has to reach that stands alone between two frames
// of little change on each side, whatever goes on beyond them.
func (d *Detector) aloneLimit(k int, floor float64) float64 {
	return aloneFloors*floor + aloneTimes*d.beside(k)
}

// beside is the greatest change of the two frames on each side of k; where the
// film does not have them, it may be any.
func (d *Detector) beside(k int) float64 {
	if k < 3 || k+2 >= len(d.apart) {
		return math.Inf(1)
	}
	return max(d.lasting(k-2), d.lasting(k-1), d.lasting(k+1), d.lasting(k+2))
}

// rawCut is the confidence that the picture changes for good at frame k, 0 for
// none; the change may be one of light.
func (d *Detector) rawCut(k int) float64 { return d.cutOver(k, cutFloor) }

// cutOver is rawCut over another floor than the usual one.
func (d *Detector) cutOver(k int, floor float64) float64 {
	if k < 1 || k >= len(d.apart) {
		return 0
	}
	if d.isStill(k, floor) {
		return 0
	}
	c := d.lasting(k)
	if c < floor || k+1 < len(d.apart) && d.exceeds(k+1, c) || d.exceeds(k-1, c) {
		return 0
	}
	limit := d.limit(k, floor)
	if c < limit {
		return 0
	}
	return 1 - math.Exp(-c/limit)
}

// isStill tells whether frame k changes by less than floor even without a
// search for what has moved.
func (d *Detector) isStill(k int, floor float64) bool {
	return d.apart[k][0] < 0 && changeInPlace(d.at(k-1), d.at(k)) < floor
}

// judge is the confidence that frame k begins a new shot, 0 for none. Cards
// with few words and dark shots change little; there the whole structure must
// be another (normalised correlation, as in dissolve.go).
func (d *Detector) judge(k int) float64 {
	if k < 1 {
		return 0
	}
	a, b := d.blend.at(k-1), d.blend.at(k)
	if correlate(a, b, 0, 0) > stillAlike {
		return 0
	}
	c := d.cutOver(k, lowFloor)
	if c == 0 {
		return 0
	}
	like := alikeAcross(a, b)
	if raw := d.rawCut(k); raw > 0 {
		c = raw
		if like > keptAlike && d.isLastStep(k) || like > passedAlike && c < passedTimes*d.beside(k) {
			return 0
		}
	} else if alone := c > aloneMuch*d.beside(k); a.energy < lowEnergy && !alone || a.energy < noEnergy || like > passedAlike || like > lostAlike && !alone {
		return 0
	}
	if d.returns(k, 1) || d.returns(k, -1) || c < passerBelow && d.passes(k) {
		return 0
	}
	return c
}

// passes tells whether what was seen before frame k is seen again within a second
// or so after it, in more than one frame: something near the lens went by. Cards
// and dark pictures are too alike to tell.
func (d *Detector) passes(k int) bool {
	at, b := d.blend.at, &d.blend
	if min(at(k-1).mean, at(k).mean) < passerLight {
		return false
	}
	var best, second float64
	var before, after int
	for _, i := range [...]int{2, 5, 9} {
		for _, j := range [...]int{4, 9, 14, 20, 26} {
			if k-i < 0 || k+j >= b.count || j > d.judgeAhead()-2 {
				continue
			}
			if like := alikeAcross(at(k-i), at(k+j)); like > best {
				best, second, before, after = like, best, k-i, k+j
			} else {
				second = max(second, like)
			}
		}
	}
	if best < passerAlike || second < passerAgain || best < alikeAcross(at(k-1), at(k))+passerMore {
		return false
	}
	dx, dy, _ := shift(at(before), at(after), panReach)
	off, _ := aloneResidual(at(after).cells, at(before).movedCells([2]float64{dx, dy}, 1, &b.fit.moved[0]), maxFlicker)
	return off < passerOff
}

// isLastStep tells whether the change at frame k is a moderate one beside
// smaller ones, as at the end of a gradual change.
func (d *Detector) isLastStep(k int) bool {
	c, after := d.lasting(k), 0.0
	if k+1 < len(d.apart) {
		after = d.lasting(k + 1)
	}
	return c < keptBelow && max(d.lasting(k-1), after) > keptSteps*c
}
