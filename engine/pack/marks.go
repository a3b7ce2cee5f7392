package pack

import (
	"cmp"
	"math"
	"slices"
)

// Aim: the marks of head and tail in a recording.
// Method: each chirp is listened for alone; three (or two) that lie as far
// apart as in the layout, on a clock up to maxClockPPM off, are a mark.
// Sources: as for listener.
const (
	markBlock   = 1 << 15
	leastChirp  = 5.0  // z of a chirp that is looked at: e^-25 a sample by chance
	leastMark   = 22.0 // sum of z over a mark's chirps
	chirpsApart = 0.01 // seconds
	wiggleMs    = 1.0  // a chirp may lie so far from where its mark says
	maxClockPPM = 500  // of a recorder; ±200 is already a bad one (common practice)
	maxPeaks    = 4000 // a hostile file must not make the search long
	maxMarks    = 50
)

// mark is the chirps of an end as they were found.
type mark struct {
	end   End
	at    [len(chirpAtMs)]float64 // seconds in the recording; NaN: not found
	start float64                 // seconds of the first chirp, found or not
	z     float64                 // sum
	count int
}

// findMarks looks for an end's marks in x, at earRate, loudest first, no two
// that share a chirp.
func findMarks(x []float32, e End) ([]mark, error) {
	l, err := newListener(chirp(e, earRate), markBlock)
	if err != nil {
		return nil, err
	}
	peaks := peaksOf(l.hear(x), leastChirp, int(chirpsApart*earRate))
	if len(peaks) > maxPeaks {
		slices.SortFunc(peaks, func(a, b peak) int { return cmp.Compare(b.z, a.z) })
		peaks = peaks[:maxPeaks]
		slices.SortFunc(peaks, func(a, b peak) int { return cmp.Compare(a.at, b.at) })
	}
	var all []mark
	for _, p := range peaks {
		for i := range chirpAtMs {
			if m := gather(peaks, e, p, i); m.count >= 2 && m.z >= leastMark {
				all = append(all, m)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b mark) int {
		return cmp.Or(cmp.Compare(b.z, a.z), cmp.Compare(a.start, b.start))
	})
	var out []mark
	for _, m := range all {
		if len(out) < maxMarks && !slices.ContainsFunc(out, m.shares) {
			out = append(out, m)
		}
	}
	return out, nil
}

// gather is the mark in which peak p is chirp i.
func gather(peaks []peak, e End, p peak, i int) mark {
	m := mark{end: e, start: p.at/earRate - float64(chirpAtMs[i])/1000}
	for j, ms := range chirpAtMs {
		m.at[j] = math.NaN()
		want := (m.start + float64(ms)/1000) * earRate
		first, _ := slices.BinarySearchFunc(peaks, want-wiggleMs*earRate/1000, func(p peak, at float64) int { return cmp.Compare(p.at, at) })
		best := peak{}
		for _, q := range peaks[first:] {
			if q.at > want+wiggleMs*earRate/1000 {
				break
			}
			if q.z > best.z {
				best = q
			}
		}
		if best.z > 0 {
			m.at[j] = best.at / earRate
			m.z += best.z
			m.count++
		}
	}
	return m
}

// shares says that two marks lean on one chirp.
func (m mark) shares(o mark) bool {
	for _, a := range m.at {
		for _, b := range o.at {
			if math.Abs(a-b) < chirpsApart {
				return true
			}
		}
	}
	return false
}
