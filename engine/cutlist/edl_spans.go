package cutlist

import (
	"fmt"
	"sort"
	"strings"
)

// spans lays the events end to end on the reference, black where none stands.
func (r *edlReader) spans() []span {
	events := r.placed()
	var spans []span
	var prev *edlEvent
	var covered int64 // what begins before the reference leaves no gap before it
	if len(events) > 0 {
		covered = min(0, events[0].in)
	}
	for i := range events {
		e := &events[i]
		switch {
		case prev != nil && e.tailOf(*prev):
			spans[len(spans)-1].end = e.out
			covered, prev = e.out, e
			continue
		case e.in > covered:
			spans = append(spans, span{at: covered, end: e.in, black: true, where: Problem{Line: e.line}})
		case e.in < covered && prev != nil:
			r.tell(e.line, true, "the event begins before event %s ends: the picture is taken to change there", prev.number)
			spans[len(spans)-1].end = e.in
		}
		spans = append(spans, r.spanOf(*e))
		covered, prev = max(covered, e.out), e
	}
	return spans
}

func (r *edlReader) spanOf(e edlEvent) span {
	s := span{at: e.in, end: e.out, black: strings.EqualFold(e.reel, black) || strings.EqualFold(e.reel, "BLACK"), name: e.from, carried: e.carried, where: Problem{Line: e.line}}
	if e.soft() {
		s.name = e.to
		s.into = &mix{from: e.in, to: e.in + e.length, wipe: e.transition == 'W'}
	}
	return s
}

// placed are the events whose times can be read, in order of record in.
func (r *edlReader) placed() []edlEvent {
	var out []edlEvent
	for _, e := range r.events {
		if err := e.place(r.a); err != nil {
			r.tell(e.line, false, "%v", err)
			continue
		}
		if !e.onReference(r.a) {
			r.tell(e.line, false, "the event lies outside the reference, which runs from %s to %s", r.a.timecode(0), r.a.timecode(r.a.Frames))
			continue
		}
		if e.out > r.a.Frames {
			r.tell(e.line, true, "the event runs past the reference's end, %s", r.a.timecode(r.a.Frames))
		}
		out = append(out, e)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].in < out[j].in })
	return out
}

func (e edlEvent) onReference(a Axis) bool { return e.in < a.Frames && (e.out > 0 || e.in == 0) }

// clash reports why no time code of the list means what it says on the
// reference: another counting, or another clock. Then nothing is taken.
func (r *edlReader) clash() (Problem, bool) {
	if len(r.events) == 0 {
		return Problem{}, false
	}
	if p, clash := r.dropClash(); clash {
		return p, true
	}
	if p, clash := r.rateClash(); clash {
		return p, true
	}
	return r.clockClash()
}

// dropClash compares the record side's counting with the reference's. A
// semicolon says drop-frame whatever FCM says; without either the list is
// taken to count as the reference does.
func (r *edlReader) dropClash() (Problem, bool) {
	drops, line := r.fcm == "DROP", r.fcmLine
	for _, e := range r.events {
		if codeDrops(e.code[recordIn]) || codeDrops(e.code[recordOut]) {
			drops, line = true, e.line
			break
		}
	}
	if line == 0 || drops == r.a.Rate.Drop {
		return Problem{}, false
	}
	what := "the list counts in non-drop time code, the reference in drop-frame at " + rateWords(r.a.Rate)
	if drops {
		what = "the list counts in drop-frame time code, the reference in non-drop at " + rateWords(r.a.Rate)
	}
	return Problem{Line: line, What: what + ": export the list in the reference's counting, or make the score with the list's rate"}, true
}

// listRates are the countings that lists are made in.
var listRates = []int64{24, 25, 30, 48, 50, 60}

// rateClash finds a list that counts other frames in a second than the
// reference. The form does not say its rate; it shows in frame numbers that
// the reference does not have, and in events whose source and record lengths
// are equal in another counting alone.
func (r *edlReader) rateClash() (Problem, bool) {
	own := r.a.Rate.Nominal()
	var highest int64
	var foreign, recordForeign, line, oddLine int
	for _, e := range r.events {
		seen, recorded := e.highest()
		highest = max(highest, seen)
		if seen >= own {
			foreign++
			if line == 0 {
				line = e.line
			}
		}
		if recorded >= own {
			recordForeign++
		}
	}
	odd := 0
	for _, e := range r.events {
		if !e.evenAt(own) {
			odd++
			if oddLine == 0 {
				oddLine = e.line
			}
		}
	}
	if line == 0 {
		line = oddLine
	}
	for _, n := range listRates {
		if n == own || n <= highest {
			continue
		}
		if recordForeign >= 2 || odd > 0 && r.allEvenAt(n) && (foreign > 0 || odd >= 3) {
			return Problem{Line: line, What: fmt.Sprintf("the list counts %d frames in a second, the reference is at %s: export the list at the reference's rate", n, rateWords(r.a.Rate))}, true
		}
	}
	return Problem{}, false
}

// highest is the largest frame number in the event's time codes, of all and
// of the record side alone.
func (e edlEvent) highest() (all, record int64) {
	for i, c := range e.code {
		n := codeFrame(c)
		all = max(all, n)
		if i >= recordIn {
			record = max(record, n)
		}
	}
	return all, record
}

// evenAt says whether source and record are of one length at nominal frames a
// second. A retimed event says nothing and counts as even.
func (e edlEvent) evenAt(nominal int64) bool {
	at := func(i int) int64 { return codeFrames(e.code[i], nominal) }
	return e.retimed || at(sourceOut)-at(sourceIn) == at(recordOut)-at(recordIn)
}

func (r *edlReader) allEvenAt(nominal int64) bool {
	for _, e := range r.events {
		if !e.evenAt(nominal) {
			return false
		}
	}
	return true
}

// clockClash finds a list of which no event lies on the reference.
func (r *edlReader) clockClash() (Problem, bool) {
	var first, last *edlEvent
	for i := range r.events {
		e := r.events[i]
		if e.place(r.a) != nil {
			continue
		}
		if e.onReference(r.a) {
			return Problem{}, false
		}
		if first == nil {
			first = &r.events[i]
		}
		last = &r.events[i]
	}
	if first == nil {
		return Problem{}, false
	}
	return Problem{Line: first.line, What: fmt.Sprintf("the list runs from %s to %s, the reference from %s to %s: give the reference the list's start time code",
		first.code[recordIn], last.code[recordOut], r.a.timecode(0), r.a.timecode(r.a.Frames))}, true
}
