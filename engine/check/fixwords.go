package check

import (
	"fmt"
	"math"
	"strings"

	"cuechoir/engine/timing"
	"cuechoir/engine/tuning"
	"cuechoir/internal/dsp"
)

// How a note is told: it sinks or rises by so much within itself, is as long or
// as high for its layer, comes after a leap.
const (
	bendCents    = 12.0
	longSeconds  = 1.0
	longRatio    = 1.4 // of the layer's middle length
	highSpan     = 7   // semitones that a part spans before it has a high note
	leapSemitone = 5.0
	phraseTires  = 3.0 // seconds since the last breath
	mostWords    = 3   // findings told of one punch
)

// say is a fix in a singer's words.
func (r *ranking) say(f Fix) string {
	if f.Findings[0].ofLayer() {
		return f.Findings[0].Words
	}
	var out []string
	last := 0
	for i, x := range f.Findings {
		if i == mostWords {
			out = append(out, fmt.Sprintf("and %d more", len(f.Findings)-i))
			break
		}
		where := ""
		if x.Bar != last || x.Bar == 0 {
			where, last = fmt.Sprintf("bar %d, ", x.Bar), x.Bar
			if x.Bar == 0 {
				where = fmt.Sprintf("at %s, ", r.o.Rate.Timecode(r.o.StartFrame+x.Frame))
			}
		}
		out = append(out, where+r.nameOf(f.Layer, x)+": "+r.reason(f, x))
	}
	s := strings.Join(out, "; ")
	if bar, ok := r.breathBar(f); ok {
		s += fmt.Sprintf("; breathe before bar %d", bar)
	}
	return s
}

// nameOf is a note as one would call it: the long E, the high G.
func (r *ranking) nameOf(k int, x Finding) string {
	l := r.layers[k]
	if x.Note < 0 {
		if n := r.noteAt(k, x); n.Sung {
			return "the " + className(n.Key)
		}
		return "here"
	}
	t := l.Targets[x.Note]
	name := "hit"
	if !t.Unpitched {
		name = className(t.Key)
	}
	low, high := math.Inf(1), math.Inf(-1)
	lengths := make([]float64, len(l.Targets))
	for i, o := range l.Targets {
		lengths[i] = float64(o.End - o.Start)
		if !o.Unpitched {
			low, high = min(low, o.Key), max(high, o.Key)
		}
	}
	seconds := float64(t.End-t.Start) / float64(r.o.SampleRate)
	long := seconds >= longSeconds && float64(t.End-t.Start) >= longRatio*dsp.Median(lengths)
	switch {
	case t.Unpitched:
	case high-low >= highSpan && t.Key >= high-0.5:
		name = "high " + name
	case long:
		name = "long " + name
	}
	if t.Beat != "" && t.Beat != "1" && !long {
		return "the " + name + " on beat " + t.Beat
	}
	return "the " + name
}

// className is a key without its octave.
func className(key float64) string { return strings.TrimRight(keyName(key), "-0123456789") }

// reason is what is off with a note, and what to do.
func (r *ranking) reason(f Fix, x Finding) string {
	switch x.Kind {
	case Flat, Sharp:
		return r.pitchReason(f, x)
	case Early:
		return fmt.Sprintf("%.0f ms early, wait for the click", -x.Milliseconds)
	case Late:
		return fmt.Sprintf("%.0f ms late, breathe sooner", x.Milliseconds)
	case Missing:
		return "not sung"
	}
	_, words, ok := strings.Cut(x.Words, ": ")
	if !ok {
		return x.Words
	}
	return words
}

func (r *ranking) pitchReason(f Fix, x Finding) string {
	n := r.noteAt(f.Layer, x)
	s := fmt.Sprintf("%.0f cents %s", math.Abs(x.Cents), x.Kind)
	leap := r.leapTo(f.Layer, x.Note)
	_, tired := r.breathBar(f)
	switch {
	case x.Kind == Flat && n.BendCents <= -bendCents:
		s += " and sinking"
	case x.Kind == Sharp && n.BendCents >= bendCents:
		s += " and rising"
	}
	switch {
	case leap > 0:
		return s + fmt.Sprintf(" after the leap up from %s, hear it before you leap", keyName(r.layers[f.Layer].Targets[x.Note-1].Key))
	case leap < 0:
		return s + fmt.Sprintf(" after the leap down from %s, hear it before you leap", keyName(r.layers[f.Layer].Targets[x.Note-1].Key))
	case tired:
		return s
	case x.Kind == Flat:
		return s + ", a little higher"
	}
	return s + ", a little lower"
}

// noteAt is the result that a finding is about.
func (r *ranking) noteAt(k int, x Finding) NoteResult {
	for _, n := range r.layers[k].Report.Notes {
		if x.Note >= 0 && n.Target == x.Note || x.Note < 0 && n.Onset == x.Sample {
			return n
		}
	}
	return NoteResult{}
}

// leapTo is the leap into a note, semitones, when it is a wide one without a
// rest.
func (r *ranking) leapTo(k, note int) float64 {
	l := r.layers[k]
	if note < 1 || note >= len(l.Targets) || l.Targets[note-1].Unpitched || l.Targets[note-1].Start > l.Targets[note].Start {
		return 0
	}
	leap := l.Targets[note].Key - l.Targets[note-1].Key
	if math.Abs(leap) < leapSemitone || r.restBefore(k, note) {
		return 0
	}
	return leap
}

// restBefore: the part rests before a note, or the singer did.
func (r *ranking) restBefore(k, note int) bool {
	l := r.layers[k]
	gap := l.Targets[note].Start - l.Targets[note-1].End
	if a, b := l.Report.Notes[note-1], l.Report.Notes[note]; a.Sung && b.Sung {
		gap = max(gap, b.Onset-a.Offset)
	}
	return float64(gap) >= breathSeconds*float64(r.o.SampleRate)
}

// breathBar is the bar before which to breathe, for a note that is flat and
// sinking late in a phrase: that of the last note before it that begins a bar,
// or its own.
func (r *ranking) breathBar(f Fix) (int, bool) {
	l := r.layers[f.Layer]
	for _, x := range f.Findings {
		if x.Kind != Flat || x.Note < 1 || r.noteAt(f.Layer, x).BendCents > -bendCents {
			continue
		}
		first := x.Note
		for first > 0 && !r.restBefore(f.Layer, first) {
			first--
		}
		since := timing.Milliseconds(l.Targets[x.Note].End-l.Targets[first].Start, r.o.SampleRate)
		if since < phraseTires*1000 {
			continue
		}
		best := 0
		for j := first + 1; j <= x.Note; j++ {
			if t := l.Targets[j]; t.Beat == "1" && (t.Bar < x.Bar || best == 0) {
				best = t.Bar
			}
		}
		if best > 0 {
			return best, true
		}
	}
	return 0, false
}

// Enough counts the notes of all layers that were judged, and those that are
// good enough: within ListenCents and in time, so that singing them again gains
// nothing that is heard.
func Enough(layers []Heard) (good, judged int) {
	tol := timing.Tolerance{}
	for _, l := range layers {
		for _, n := range l.Report.Notes {
			switch n.Verdict {
			case VerdictNotJudged, VerdictExtra:
				continue
			}
			judged++
			if (n.Verdict == VerdictGood || n.Verdict == VerdictListen) && math.Abs(n.Cents) <= tuning.ListenCents && tol.Judge(heardMilliseconds(n)) == timing.OnTime {
				good++
			}
		}
	}
	return good, judged
}
