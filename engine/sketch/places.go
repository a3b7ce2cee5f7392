package sketch

import (
	"cmp"
	"slices"

	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
)

// place is where a note may begin or end. depth is what it costs to be there:
// 0 on a beat, more the finer the beat has to be cut. third places are those of
// triplets.
type place struct {
	quarter timecode.Ratio
	sample  int64
	beat    int // which beat of the map it lies in
	depth   float64
	third   bool
}

// Depths by the denominator of a place within its beat: a cut in two is
// common, a further one less so (the prior of Cemgil, Desain & Kappen 2000
// falls with each level of subdivision).
var (
	simpleDepth   = map[int64]float64{1: 0, 2: 1, 4: 2, 8: 3.5, 3: 3, 6: 4.5}
	compoundDepth = map[int64]float64{1: 0, 3: 1, 6: 2, 2: 3, 12: 3.5, 4: 4}
)

const deepest = 5.0 // of a place with any other denominator

// marginSeconds of the map around what was hummed are looked at.
const marginSeconds = 4

// placesOf are the places of the map around the sound, in order, and the beat
// after the last one.
func placesOf(in Input, o Options) []place {
	margin := int64(marginSeconds * in.SampleRate)
	from, to := in.Start-margin, in.Start+int64(len(in.Samples))+margin
	beats := in.Grid.Beats(in.SampleRate)
	var out []place
	for i, b := range beats {
		next := b.Quarter.Add(timecode.Int(1)) // after the last
		end := in.Grid.SampleAt(next, in.SampleRate)
		if i+1 < len(beats) {
			next, end = beats[i+1].Quarter, beats[i+1].Sample
		}
		if end < from || b.Sample > to {
			continue
		}
		out = append(out, placesIn(in, o, i, b, next)...)
	}
	slices.SortFunc(out, func(a, b place) int { return cmp.Compare(a.sample, b.sample) })
	return out
}

// placesIn are the places of one beat, its end left out.
func placesIn(in Input, o Options, index int, b tempo.BeatLine, next timecode.Ratio) []place {
	length := next.Sub(b.Quarter)
	depths := simpleDepth
	if compound(length) {
		depths = compoundDepth
	}
	var out []place
	add := func(part timecode.Ratio, third bool) {
		part = timecode.R(part.Num, max(part.Den, 1))
		at := b.Quarter.Add(part)
		share := part.Div(length)
		depth, ok := depths[max(share.Den, 1)]
		if !ok {
			depth = deepest
		}
		out = append(out, place{at, in.Grid.SampleAt(at, in.SampleRate), index, depth, third})
	}
	for at := timecode.Int(0); at.Cmp(length) < 0; at = at.Add(o.Finest) {
		add(at, false)
	}
	if o.Triplets && !compound(length) {
		for k := int64(1); k < 3; k++ {
			add(length.Mul(timecode.R(k, 3)), true)
		}
	}
	return out
}

// compound reports a beat of three parts: a dotted note.
func compound(length timecode.Ratio) bool { return length.Num%3 == 0 }

// onMap splits off the notes that begin where the map has no places.
func onMap(notes []heardNote, places []place, in Input) (kept []heardNote, left []Left) {
	slack := int64(reachSeconds * float64(in.SampleRate))
	for _, h := range notes {
		if len(places) < 2 || h.onset < places[0].sample-slack || h.onset > places[len(places)-1].sample+slack {
			left = append(left, Left{h.onset, h.offset, "it lies before the map's first bar or after its last"})
			continue
		}
		kept = append(kept, h)
	}
	return kept, left
}
