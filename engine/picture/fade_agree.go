package picture

import (
	"cmp"
	"slices"

	"cuechoir/engine/cutlist"
)

// Three finders see a fade: by contrast and brightness (findFades), by how much
// is left of the shot (lookForFades), and as a dissolve with a flat picture.
// They err in different places, so the middle of their ends is nearer than any.

// agreedFades are the fades of a film by all three, and the dissolves that are
// none.
func agreedFades(levels []level, plain, followed, blends []cutlist.Cut) (fades, dissolves []cutlist.Cut) {
	var mixed []cutlist.Cut
	for _, c := range apartFrom(blends) {
		if f, ok := asFade(levels, c); ok {
			mixed = append(mixed, f)
		} else {
			dissolves = append(dissolves, c)
		}
	}
	used := make([]bool, len(followed)+len(mixed))
	others := slices.Concat(followed, mixed)
	for _, c := range plain {
		same := []cutlist.Cut{c}
		for i, o := range others {
			if !used[i] && sameFade(c, o) {
				used[i] = true
				same = append(same, o)
			}
		}
		fades = append(fades, agreedFade(same))
	}
	for i, c := range others {
		if used[i] {
			continue
		}
		same := []cutlist.Cut{c}
		for j := i + 1; j < len(others); j++ {
			if !used[j] && sameFade(c, others[j]) {
				used[j] = true
				same = append(same, others[j])
			}
		}
		if len(same) == 1 && i < len(followed) && c.Confidence < sureAlone {
			continue
		}
		fades = append(fades, agreedFade(same))
	}
	return fades, dissolves
}

// asFade is a dissolve as the fade that it is, if one of its sides is flat.
func asFade(levels []level, c cutlist.Cut) (cutlist.Cut, bool) {
	flat := func(k int64) bool { return k >= 0 && k < int64(len(levels)) && levels[k].flat() }
	before, after := flat(c.Frame-1) || flat(c.Frame), flat(c.End) || flat(c.End-1)
	if before == after {
		return c, false
	}
	c.Kind = cutlist.FadeIn
	if after {
		c.Kind = cutlist.FadeOut
	}
	return c, true
}

func sameFade(a, b cutlist.Cut) bool {
	return a.Kind == b.Kind && a.Frame < b.End && b.Frame < a.End
}

const (
	sureAlone = 0.82 // the confidence of a fade that only following the shot finds
	plainOdds = 0.1  // by so much the confidence of the first has to be above the other's
	agreeFar  = 4    // frames: finds of two that are further apart do not agree
)

// apartFrom are the cuts that no other of more confidence overlaps, the surest
// first.
func apartFrom(cuts []cutlist.Cut) (kept []cutlist.Cut) {
	sorted := slices.Clone(cuts)
	slices.SortStableFunc(sorted, func(a, b cutlist.Cut) int { return cmp.Compare(b.Confidence, a.Confidence) })
next:
	for _, c := range sorted {
		for _, k := range kept {
			if c.Frame < k.End && k.Frame < c.End {
				continue next
			}
		}
		kept = append(kept, c)
	}
	return kept
}

func agreedFade(same []cutlist.Cut) cutlist.Cut {
	out := same[0]
	switch {
	case len(same) >= 3:
		var s, e []int64
		for _, c := range same {
			s, e = append(s, c.Frame), append(e, c.End)
			out.Confidence = max(out.Confidence, c.Confidence)
		}
		slices.Sort(s)
		slices.Sort(e)
		out.Frame, out.End = s[len(s)/2], e[len(e)/2]
	case len(same) == 2:
		a, b := same[0], same[1]
		d := max(a.Frame-b.Frame, b.Frame-a.Frame, a.End-b.End, b.End-a.End)
		switch {
		case d > agreeFar && a.Confidence > b.Confidence+plainOdds:
			return a
		case d > agreeFar:
			return b
		}
		out.Frame, out.End = (a.Frame+b.Frame)/2, (a.End+b.End+1)/2
	}
	return out
}
