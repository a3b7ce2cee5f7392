package pack

import (
	"math"

	"cuechoir/engine/pitch"
	"cuechoir/engine/timing"
)

// Aim: the friend's clock from the singing itself, when neither chirps nor
// click are in the recording, and which bar it is when the click fits several.
// Method: each sung note votes for every note of the part of its pitch class
// (a friend may sing an octave off) with the distance between the two; the
// distance with the most votes wins, and a line is fitted to the entries that
// agree. Notes without a pitch vote by their onsets.
// Known failure: a part that repeats itself exactly fits at several places;
// that is told. A singer's own habit of entering early or late cannot be told
// from the clock.
const (
	sungHopSeconds = 0.01
	classCents     = 60.0
	voteSeconds    = 0.01
	voteReach      = 6 // steps each side: ±60 ms
	leastSung      = 6
	leastSungShare = 0.5 // of the notes that fall into the recording
	sungMargin     = 0.75
	entryReach     = 0.15  // seconds
	sungAgree      = 0.005 // seconds off the line that no entry is left out for
	paceProof      = 3.0   // standard errors by which a pace must differ from 1
)

const (
	// entryErrorMs is what a phone's filters move all entries by (seen: 0.6 ms over
	// the figure of the scatter, in 36 recordings).
	entryErrorMs = 1.0
	// sureMs is what a recording from elsewhere should lie within.
	sureMs = 2
)

// Note is a note of the part that was sent.
type Note struct {
	Sample    int64 `json:"sample"` // on the timeline
	Key       int   `json:"key"`    // MIDI
	Unpitched bool  `json:"unpitched,omitempty"`
}

// entry is a note's start, in seconds.
type entry struct {
	at    float64
	cents float64 // absolute; NaN: no pitch
}

func (e entry) fits(key int, unpitched bool) bool {
	if unpitched || e.cents != e.cents {
		return unpitched && e.cents != e.cents
	}
	d := math.Mod(e.cents-100*float64(key), 1200)
	if d < 0 {
		d += 1200
	}
	return min(d, 1200-d) <= classCents
}

// entriesOf are the notes that are sung in x; struck ones too when wanted.
func entriesOf(x []float32, rate int, pitched, unpitched bool) ([]entry, error) {
	var out []entry
	if pitched {
		frames, err := pitch.Track(x, rate, pitch.Options{HopSamples: int(sungHopSeconds * float64(rate))})
		if err != nil {
			return nil, err
		}
		for _, n := range pitch.Segment(x, frames, rate, pitch.SegmentOptions{}) {
			out = append(out, entry{float64(n.Onset) / float64(rate), n.CentreCents})
		}
	}
	if unpitched {
		for _, o := range timing.Onsets(x, rate) {
			out = append(out, entry{float64(o.Sample) / float64(rate), math.NaN()})
		}
	}
	return out, nil
}

// sungFit is where the singing lies best, and how the next place compares.
type sungFit struct {
	line
	pairs []pair
	fixed bool // the pace could not be told from 1
	alone bool // no other place fits about as well
	ok    bool
}

// alignSung lays the sung entries on the notes.
func alignSung(entries []entry, notes []Note, rate, recSeconds float64) sungFit {
	best, next := vote(entries, notes, rate)
	f := sungFit{line: line{best.at, 1}, alone: next.votes <= sungMargin*best.votes}
	inside := 0
	for _, n := range notes {
		if t := best.at + float64(n.Sample)/rate; t >= 0 && t < recSeconds {
			inside++
		}
	}
	f.pairs = match(entries, notes, rate, f.line)
	if len(f.pairs) < leastSung || float64(len(f.pairs)) < leastSungShare*float64(inside) {
		return f
	}
	f.line, f.pairs = robust(f.pairs, true, sungAgree)
	f.ok, f.fixed = len(f.pairs) >= leastSung, true
	free, kept := robust(match(entries, notes, rate, f.line), false, sungAgree)
	if len(kept) >= 2*leastSung && math.Abs(free.ppm()) <= maxClockPPM && math.Abs(free.pace-1) > paceProof*paceError(free, kept) {
		f.line, f.pairs, f.fixed = free, kept, false
	}
	return f
}

// paceError is the standard error of a line's pace.
func paceError(l line, ps []pair) float64 {
	u, uu := 0.0, 0.0
	for _, p := range ps {
		u += p.sent / float64(len(ps))
	}
	for _, p := range ps {
		uu += (p.sent - u) * (p.sent - u)
	}
	return l.scatter(ps) / math.Sqrt(max(uu, 1e-9))
}

// match pairs each note with the nearest entry that fits it.
func match(entries []entry, notes []Note, rate float64, l line) []pair {
	var out []pair
	for _, n := range notes {
		sent := float64(n.Sample) / rate
		best, found := entry{}, false
		for _, e := range entries {
			near := math.Abs(e.at - l.at(sent))
			if near <= entryReach && e.fits(n.Key, n.Unpitched) && (!found || near < math.Abs(best.at-l.at(sent))) {
				best, found = e, true
			}
		}
		if found {
			out = append(out, pair{sent, best.at})
		}
	}
	return out
}

type ballot struct{ at, votes float64 }

// vote finds the distance on which most agree, and the next that is another.
func vote(entries []entry, notes []Note, rate float64) (best, next ballot) {
	low, high := math.Inf(1), math.Inf(-1) // of what an entry lies behind a note
	for _, n := range notes {
		low, high = min(low, -float64(n.Sample)/rate), max(high, -float64(n.Sample)/rate)
	}
	if len(entries) == 0 || len(notes) == 0 {
		return best, next
	}
	last := 0.0
	for _, e := range entries {
		last = max(last, e.at)
	}
	count := make([]float64, int((high+last-low)/voteSeconds)+2*voteReach+2)
	for _, e := range entries {
		for _, n := range notes {
			if !e.fits(n.Key, n.Unpitched) {
				continue
			}
			k := int((e.at-float64(n.Sample)/rate-low)/voteSeconds) + voteReach
			for d := -voteReach; d <= voteReach; d++ {
				count[k+d] += 1 - math.Abs(float64(d))/(voteReach+1)
			}
		}
	}
	at := func(i int) float64 { return low + (float64(i-voteReach)+0.5)*voteSeconds }
	for i, v := range count {
		if v > best.votes {
			best = ballot{at(i), v}
		}
	}
	for i, v := range count {
		if math.Abs(at(i)-best.at) > entryReach && v > next.votes {
			next = ballot{at(i), v}
		}
	}
	return best, next
}
