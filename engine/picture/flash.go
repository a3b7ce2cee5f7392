package picture

import "math"

// Flashes. Aim: a change of light is no cut, be it lightning that dies away, a
// double flash, a headlight. Method: what is a new shot does not turn back into
// the old one by itself. At a change of picture the frames up to half a second
// on either side are compared across it; when the old picture is found again,
// and no other change leads back to it, or what is between is the old picture
// in another light, there was no cut. Structure is compared without its
// brightness (normalised correlation: Lewis, "Fast normalized
// cross-correlation", 1995). The idea that a flash returns is that of Zhang,
// Qi and Zhang, "A new shot boundary detection algorithm", PCM 2001 (from
// memory). Known failure: a light that comes on for good and leaves no
// structure as it was.
const (
	maxFlash     = 32  // frames, at any rate
	flashSeconds = 0.6 // the longest flash

	lowEnergy    = 2.0  // a picture with less structure has none to find again
	litAlike     = 0.45 // a picture as alike as this is the old one in another light
	litDarkAlike = 0.30 // and as this, where all of a dark one is brighter
	darkMean     = 40   // levels

	// A flash changes the mean by more than leastLight and its share; the old
	// picture is back where less than lightLeft of that is left, and where no
	// more than changeLeft of the change is, or the structures are sameAlike.
	leastLight, leastLightShare = 2.0, 0.04
	lightLeft                   = 0.5
	changeLeft, sameAlike       = 0.40, 0.75
	// The same, where all that is between is brighter than the old picture.
	shineLevels, shineShare     = 4.0, 0.1
	shineChange, shineSameAlike = 0.56, 0.50
	nearerBy                    = 0.15 // and nearer to it than the lit picture is

	washedLevel, washedShare                = 228, 0.5      // brighter is washed out; of the picture
	darkerShare, darkerLevels, darkerPoints = 0.12, 5, 0.04 // flicker, grain and dust
)

// reach is how many frames a flash may last.
func (d *Detector) reach() int {
	n := int(flashSeconds * float64(d.rate.Num) / float64(d.rate.Den))
	return max(flashFrames, min(maxFlash, n))
}

// judgeAhead is how many frames after k must have come to judge k.
func (d *Detector) judgeAhead() int { return d.reach() + around + flashFrames + 2 }

// returns tells whether the picture from before a change at frame k is found
// again after it (dir 1), or the one from it on already before (dir -1), with
// nothing but light in between.
func (d *Detector) returns(k, dir int) bool {
	old, lit := k-1, k // the picture that returns, and the one between
	if dir < 0 {
		old, lit = k, k-1
	}
	a := d.blend.at(old)
	light := math.Abs(a.mean - d.blend.at(lit).mean)
	if a.energy < lowEnergy || light < leastLight+leastLightShare*a.mean {
		return false
	}
	isLit, left, alikeAgain := d.lightOver(old, lit)
	for n := 1; n <= d.reach(); n++ {
		at := lit + dir*n
		if at < 0 || at >= len(d.apart) {
			return false
		}
		edge := at // the change between at and its neighbour towards k
		if dir < 0 {
			edge = at + 1
		}
		if !isLit && d.rawCut(edge) > 0 {
			return false
		}
		c := d.blend.at(at)
		if math.Abs(a.mean-c.mean) > lightLeft*light {
			continue
		}
		if d.changeBetween(old, at) < left || alikeAcross(a, c) > alikeAgain {
			return true
		}
	}
	return false
}

// lightOver tells whether frame lit is frame old in another light, or washed
// out by it, and how little change or how much likeness it takes to be old
// again.
func (d *Detector) lightOver(old, lit int) (isLit bool, left, alikeAgain float64) {
	a, b := d.blend.at(old), d.blend.at(lit)
	like, off := alikeAcross(a, b), d.changeBetween(old, lit)
	if b.mean > a.mean+shineLevels+shineShare*a.mean && (a.mean > darkMean || like > litDarkAlike) && brighter(a, b) {
		return true, shineChange * off, max(shineSameAlike, like+nearerBy)
	}
	return like > litAlike || washed(a, b), changeLeft * off, max(sameAlike, like+nearerBy)
}

// changeBetween is change from the earlier of two frames to the later.
func (d *Detector) changeBetween(a, b int) float64 {
	return change(d.at(min(a, b)), d.at(max(a, b)))
}

// washed tells whether b is white where a was not, over most of the picture.
func washed(a, b *tiny) bool {
	n := 0
	for i, v := range b.grey {
		if v > washedLevel && v > a.grey[i] {
			n++
		}
	}
	return float64(n) > washedShare*float64(len(b.grey))
}

// brighter tells whether b is nowhere darker than a: light adds, and another
// picture would be darker here and there.
func brighter(a, b *tiny) bool {
	n := 0
	for i, v := range b.grey {
		if v < (1-darkerShare)*a.grey[i]-darkerLevels {
			n++
		}
	}
	return float64(n) < darkerPoints*float64(len(b.grey))
}
