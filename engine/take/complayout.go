package take

// stretch is which voice is wished for where, before the fades are laid.
type stretch struct {
	voice           int // or none
	from, to        int64
	inFade, outFade int64
}

// stretches cover the comp from its first sample to its last: patches, voice
// 0 between them, silence where the wished voice has no sound.
func (l Layout) stretches() []stretch {
	base := l.Voices[0]
	from, to := base.Start, base.End()
	if n := len(l.Patches); n > 0 {
		first, last := l.Patches[0], l.Patches[n-1]
		from = min(from, max(first.In, l.Voices[first.Voice].Start))
		to = max(to, min(last.Out, l.Voices[last.Voice].End()))
	}
	var out []stretch
	at := from
	add := func(voice int, upTo, inFade, outFade int64) {
		if upTo <= at {
			return
		}
		v := l.Voices[voice]
		lo, hi := min(max(v.Start, at), upTo), max(min(v.End(), upTo), at)
		if hi <= lo {
			lo, hi = upTo, upTo
		}
		for _, s := range []stretch{{none, at, lo, 0, 0}, {voice, lo, hi, inFade, outFade}, {none, hi, upTo, 0, 0}} {
			if s.to > s.from {
				out = append(out, s)
			}
		}
		at = upTo
	}
	last := int64(0)
	for _, p := range l.Patches {
		add(0, min(p.In, to), last, p.InFade)
		add(p.Voice, min(p.Out, to), p.InFade, p.OutFade)
		last = p.OutFade
	}
	add(0, to, last, 0)
	return joinSilence(out)
}

// joinSilence makes one of silent stretches that touch.
func joinSilence(in []stretch) []stretch {
	out := in[:0]
	for _, s := range in {
		if n := len(out); n > 0 && s.voice == none && out[n-1].voice == none {
			out[n-1].to = s.to
			continue
		}
		out = append(out, s)
	}
	return out
}

// runs are the stretches with the fades between them.
func (l Layout) runs() []run {
	st := l.stretches()
	var out []run
	at := st[0].from
	add := func(r run) {
		if r.to > r.from {
			out = append(out, r)
		}
		at = max(at, r.to)
	}
	for i, s := range st {
		next := stretch{voice: none, from: s.to, to: s.to}
		if i+1 < len(st) {
			next = st[i+1]
		}
		if i == 0 && s.voice != none && len(l.Patches) > 0 {
			add(run{at, at + roomFor(s, s.inFade), none, s.voice, true})
		}
		lo, hi := l.fade(s, next)
		switch {
		case hi > lo:
			add(run{at, lo, none, s.voice, false})
			add(run{lo, hi, s.voice, next.voice, true})
		default: // in silence between, or at an end: each fades by itself
			gone := s.to - roomFor(s, s.outFade)
			add(run{at, gone, none, s.voice, false})
			add(run{gone, s.to, s.voice, none, true})
			add(run{next.from, next.from + roomFor(next, next.inFade), none, next.voice, true})
		}
	}
	return out
}

// roomFor is how much of a wished fade a stretch by itself has room for.
func roomFor(s stretch, wish int64) int64 {
	if s.voice == none {
		return 0
	}
	return min(wish, (s.to-s.from)/2)
}

// fade is where one stretch gives way to the next: of the wished length about
// their border, moved to where both voices have sound. It stays within half of
// either stretch, so that fades never meet. Empty: they cannot be mixed.
func (l Layout) fade(a, b stretch) (lo, hi int64) {
	if a.voice == none || b.voice == none {
		return 0, 0
	}
	va, vb := l.Voices[a.voice], l.Voices[b.voice]
	long := min(a.outFade, b.inFade)
	least := max(vb.Start, a.to-(a.to-a.from)/2)
	most := min(va.End(), b.from+(b.to-b.from)/2)
	hi = min(a.to+(long+1)/2, most)
	lo = max(hi-long, least)
	hi = max(lo, min(lo+long, most))
	if hi-lo < min(long, minFade) {
		return 0, 0
	}
	return lo, hi
}

// minFade, in samples, is the shortest crossfade that is worth it where takes
// overlap by less than was wished: under a millisecond each fades by itself.
const minFade = 48
