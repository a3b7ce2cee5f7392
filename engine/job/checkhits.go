package job

import (
	"cuechoir/engine/check"
	"cuechoir/engine/timing"
)

// HitResult is how the layers land on a hit: the entries of notes that are
// written there.
type HitResult struct {
	Frame   int64
	Name    string
	Must    bool
	Entries []HitEntry // in the layers' order
}

// HitEntry is one layer's, late by so much against the hit's own frame (early:
// negative), whatever the map is off by.
type HitEntry struct {
	Layer                string
	Milliseconds, Frames float64
}

// hitFrames: a note written so near to a hit is meant for it.
const hitFrames = 2

// hits gathers the entries at each hit; hits that nobody enters on are left
// out.
func (w *checker) hits(heard []check.Heard) []HitResult {
	var out []HitResult
	rate, sr := w.s.Reference.Rate, w.s.SampleRate
	reach := rate.SampleOf(hitFrames, sr)
	for _, h := range w.s.Hits {
		at := rate.SampleOf(h.Frame, sr)
		res := HitResult{Frame: h.Frame, Name: h.Name, Must: h.Must}
		for _, l := range heard {
			best := int64(-1)
			var entry HitEntry
			for i, t := range l.Targets {
				off := max(t.Start-at, at-t.Start)
				if off > reach || best >= 0 && off >= best || !l.Report.Notes[i].Timed() {
					continue
				}
				ms := l.Report.Notes[i].Milliseconds + timing.Milliseconds(t.Start-at, sr)
				best, entry = off, HitEntry{l.Name, ms, timing.Frames(ms, rate)}
			}
			if best >= 0 {
				res.Entries = append(res.Entries, entry)
			}
		}
		if len(res.Entries) > 0 {
			out = append(out, res)
		}
	}
	return out
}
