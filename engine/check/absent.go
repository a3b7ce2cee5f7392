package check

import (
	"math"

	"cuechoir/engine/timing"
)

// What an unmatched target's own time must hold to count as sung after all,
// or as not to be judged.
const (
	secondShare   = 0.35 // of the time voiced near the pitch: it was sung
	doubtShare    = 0.35 // of the time loud enough to be a voice: no word on it
	doubtDB       = 14.0 // under the layer's usual level
	secondCents   = 60.0
	roomSeconds   = 0.12 // a room rings on after a neighbour's note
	missingWeight = 6.0
)

// findMissing listens again inside each target without a note.
func (l *layer) findMissing(pitched []int, found map[int]*heard) {
	late := int64(l.biasMS / 1000 * float64(l.in.SampleRate))
	for k, i := range pitched {
		if found[i] != nil {
			continue
		}
		t := l.in.Targets[i]
		from, to := t.Start+late, t.End+late
		near, loud := l.shares(i, from, to, l.others(pitched, k, found))
		switch {
		case near >= secondShare:
			l.judgeSecond(i, from, to)
		case l.heldOn(pitched, k, found, from, to):
			l.results[i].Verdict = VerdictNotJudged
		case loud >= doubtShare || l.holed(from, to):
			l.results[i].Verdict = VerdictNotJudged
		default:
			l.add(Finding{Kind: Missing, Note: i, Sample: t.Start, Severity: missingWeight})
		}
	}
}

// heldOn: a neighbour on the same key sounds through a good part of the
// target, so the two may have been sung as one.
func (l *layer) heldOn(pitched []int, k int, found map[int]*heard, from, to int64) bool {
	for _, j := range []int{k - 1, k + 1} {
		if j < 0 || j >= len(pitched) || l.in.Targets[pitched[j]].Key != l.in.Targets[pitched[k]].Key {
			continue
		}
		if h := found[pitched[j]]; h != nil {
			inside := min(h.note.Offset, to) - max(h.note.Onset, from)
			if float64(inside) > secondShare*float64(to-from) {
				return true
			}
		}
	}
	return false
}

// span of samples that a neighbour's note takes.
type taken struct{ from, to int64 }

// others are the stretches that the neighbours' notes fill.
func (l *layer) others(pitched []int, k int, found map[int]*heard) []taken {
	t := l.in.Targets[pitched[k]]
	tail := min(l.samples(roomSeconds), (t.End-t.Start)/4)
	var out []taken
	for j := max(0, k-2); j < min(len(pitched), k+3); j++ {
		if h := found[pitched[j]]; h != nil {
			out = append(out, taken{h.note.Attack, h.note.Offset + tail})
		}
	}
	return out
}

// shares says how much of a stretch is voiced near the target's pitch, and how
// much is as loud as a voice, where no neighbour sounds.
func (l *layer) shares(i int, from, to int64, others []taken) (near, loud float64) {
	a, b := l.frameAt(from), l.frameAt(to)
	if b <= a {
		return 0, 1 // outside what was recorded
	}
next:
	for _, f := range l.frames[a:b] {
		for _, o := range others {
			if f.Sample >= o.from && f.Sample < o.to {
				continue next
			}
		}
		if f.LevelDB >= l.typical-doubtDB {
			loud++
		}
		if !f.Voiced || f.Hz <= 0 {
			continue
		}
		off := l.centsAt(f.Hz) - 100*l.in.Targets[i].Key - l.line(f.Sample)
		if math.Abs(off) < secondCents && f.LevelDB > l.typical-bleedDB {
			near++
		}
	}
	n := float64(b - a)
	return near / n, loud / n
}

func (l *layer) judgeSecond(i int, from, to int64) {
	r := &l.results[i]
	n, ok := l.measure(from, to)
	if !ok {
		r.Verdict = VerdictNotJudged
		return
	}
	n.Attack, n.Onset, n.Offset, n.Murmur = from, from, to, from
	l.fill(r, n)
	r.Cents = n.CentreCents - 100*l.in.Targets[i].Key
	l.judgeCents(i, n)
}

func (l *layer) findMissingHits(unpitched []int, struck map[int]timing.Onset) {
	for _, i := range unpitched {
		r := &l.results[i]
		if o, ok := struck[i]; ok {
			r.Sung, r.Verdict, r.Onset, r.LevelDB, r.Confidence = true, VerdictGood, o.Sample, o.LevelDB, 1
			r.Offset = o.Sample + l.samples(0.06)
			continue
		}
		t := l.in.Targets[i]
		if l.holed(t.Start-l.samples(0.05), t.Start+l.samples(0.05)) {
			r.Verdict = VerdictNotJudged
			continue
		}
		l.add(Finding{Kind: Missing, Note: i, Sample: t.Start, Severity: missingWeight})
	}
}

// What an unmatched note must be to be told as extra.
const (
	extraSeconds    = 0.15
	extraConfidence = 0.75
	extraDB         = 15.0 // under the layer's usual level
	extraWeight     = 2.0
)

// findExtra tells what was sung beside the part: long, sure and loud enough,
// and no leftover of a note that was matched.
func (l *layer) findExtra(found map[int]*heard) {
	used := make(map[int]bool)
	for _, h := range found {
		for _, p := range h.parts {
			used[p] = true
		}
	}
	for k, n := range l.notes {
		if used[k] || n.Offset-n.Onset < l.samples(extraSeconds) || n.Confidence < extraConfidence ||
			n.LevelDB < l.typical-extraDB || l.leftover(k, used) {
			continue
		}
		r := NoteResult{Target: -1, Key: l.keyOf(n.CentreCents), Verdict: VerdictExtra}
		l.fill(&r, n)
		l.report.Notes = append(l.report.Notes, r)
		l.add(Finding{Kind: Extra, Note: -1, Sample: n.Onset, Cents: n.CentreCents, Severity: extraWeight})
	}
}

// leftover: the note goes on from, or into, a matched one on nearly its pitch
// without a gap, so it is part of it; or it lies where a hole was.
func (l *layer) leftover(k int, used map[int]bool) bool {
	n := l.notes[k]
	gap := l.samples(0.06)
	for _, j := range []int{k - 1, k + 1} {
		if j < 0 || j >= len(l.notes) || !used[j] {
			continue
		}
		m := l.notes[j]
		touches := n.Onset-m.Offset < gap && m.Onset-n.Offset < gap
		if touches && math.Abs(m.CentreCents-n.CentreCents) < 80 {
			return true
		}
	}
	return l.holed(n.Onset-gap, n.Offset+gap)
}

// keyOf is the key nearest to absolute cents at the layer's standard pitch.
func (l *layer) keyOf(cents float64) float64 {
	return math.Round((cents - l.in.Options.System.A4Cents()) / 100)
}

func (l *layer) centsAt(hz float64) float64 { return 6900 + 1200*math.Log2(hz/440) }

// silent: nothing was sung or struck that could be heard.
func (l *layer) silent() bool {
	if len(l.notes) > 0 && l.typical > quietDB {
		return false
	}
	return len(l.hits) == 0 || strongest(l.hits) < quietDB
}

const quietDB = -62.0 // the usual level of a layer in which nothing is sung

func strongest(hits []timing.Onset) float64 {
	v := math.Inf(-1)
	for _, h := range hits {
		v = max(v, h.LevelDB)
	}
	return v
}

func (l *layer) noSound() {
	l.results = make([]NoteResult, len(l.in.Targets))
	for i, t := range l.written {
		l.results[i] = NoteResult{Target: i, Key: t.Key, Verdict: VerdictMissing}
	}
	l.report.Notes = l.results
	l.add(Finding{Kind: NoSound, Note: -1, Sample: l.in.Start, Severity: 100})
}
