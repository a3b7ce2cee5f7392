package cutlist

import (
	"fmt"
	"io"
	"sort"
	"strings"

	"cuechoir/internal/fault"
)

const (
	maxEDLLine  = 8 << 10
	ourComment  = "CUECHOIR:" // what the form has no place for, in a comment of ours
	fromComment = "FROM CLIP NAME:"
	toComment   = "TO CLIP NAME:"
	locComment  = "LOC:" // a marker: time code, colour, words (common practice)
)

// edlColours are the words for the colour of a marker (common practice).
var edlColours = map[string]bool{"RED": true, "GREEN": true, "BLUE": true, "CYAN": true, "MAGENTA": true, "YELLOW": true,
	"BLACK": true, "WHITE": true, "PURPLE": true, "ORANGE": true, "PINK": true}

// edlPassed are the first words of lines that say nothing about the picture's
// cuts: speed (M2), sound levels and splits, pulses, notes.
var edlPassed = map[string]bool{"M2": true, "SPLIT:": true, "AUD": true, ">>>": true, "GPI": true, "#": true}

type edlReader struct {
	a        Axis
	list     List
	titled   bool
	events   []edlEvent
	last     *edlEvent // the event that comments belong to; nil after a line that could not be read
	fcm      string    // DROP or NON-DROP, from the first FCM line before the events
	fcmLine  int
	problems []Problem
}

// readEDL reads a CMX 3600 edit decision list (SMPTE ST 258, from memory): the
// cuts of its first picture channel, on the record side. Events that are
// black (BL) and gaps between events are black. Comments FROM and TO CLIP
// NAME name the shots, LOC sets markers (common practice).
func readEDL(r io.Reader, name string, a Axis) (List, []Problem, error) {
	text, err := readText(r, name, MaxListBytes, false)
	if err != nil {
		return List{}, nil, err
	}
	e := edlReader{a: a}
	n := 0
	for line := range strings.SplitSeq(text, "\n") {
		n++
		e.line(strings.TrimSpace(line), n)
		if len(e.events) > MaxCuts || len(e.list.Markers) > MaxCuts || len(e.problems) > maxProblems {
			return List{}, nil, fault.New(fault.OverLimit, "more than %d events or markers, or %d lines that cannot be read", MaxCuts, maxProblems).
				In(name, fmt.Sprintf("line %d", n)).Mended("check that this is the right file")
		}
	}
	if p, clash := e.clash(); clash {
		return List{Title: e.list.Title}, []Problem{p}, nil
	}
	cuts, problems := cutsOf(e.spans(), a.Frames)
	e.problems = append(e.problems, problems...)
	sort.SliceStable(e.problems, func(i, j int) bool { return e.problems[i].Line < e.problems[j].Line })
	e.list.Cuts = cuts
	e.list.settle()
	return e.list, e.problems, nil
}

func (r *edlReader) tell(line int, kept bool, format string, args ...any) {
	r.problems = append(r.problems, Problem{Line: line, What: fmt.Sprintf(format, args...), Kept: kept})
}

func (r *edlReader) line(t string, n int) {
	if t == "" {
		return
	}
	if len(t) > maxEDLLine {
		r.tell(n, false, "the line is longer than %d bytes", maxEDLLine)
		return
	}
	words := strings.Fields(t)
	first := strings.ToUpper(words[0])
	switch {
	case strings.HasPrefix(first, "TITLE:"):
		if !r.titled {
			r.list.Title, r.titled = r.name(t[len("TITLE:"):], n), true
		}
	case strings.HasPrefix(first, "FCM:"):
		r.codeMode(t[len("FCM:"):], n)
	case t[0] == '*':
		r.comment(strings.TrimSpace(t[1:]), n)
	case edlPassed[first]:
		if first == "M2" && r.last != nil {
			r.last.retimed = true
		}
	case isDigits(words[0]):
		r.event(words, n)
	default:
		r.tell(n, false, "%q is neither an event nor a comment: an event begins with its number, a comment with *", clip(t))
	}
}

// codeMode reads an FCM line. The one before the events is the record side's;
// later ones are of source reels, whose times are not needed.
func (r *edlReader) codeMode(rest string, n int) {
	mode := strings.ToUpper(strings.NewReplacer("-", "", " ", "", "\t", "").Replace(rest))
	if mode != "DROPFRAME" && mode != "NONDROPFRAME" {
		r.tell(n, false, "FCM %q is neither DROP FRAME nor NON-DROP FRAME", clip(strings.TrimSpace(rest)))
	} else if len(r.events) == 0 && r.fcm == "" {
		r.fcm, r.fcmLine = strings.TrimSuffix(mode, "FRAME"), n
	}
}

func (r *edlReader) event(words []string, n int) {
	r.last = nil
	e, err := parseEvent(words, n)
	if err != nil {
		r.tell(n, false, "%v", err)
		return
	}
	first, further := e.picture()
	switch {
	case first && e.transition == 'K':
		r.tell(n, false, "a key lies over the picture, which does not cut there")
	case first:
		r.events = append(r.events, e)
		r.last = &r.events[len(r.events)-1]
	case further:
		r.tell(n, false, "only the first picture channel is read, not %s", clip(e.tracks))
	}
}

// name reads a name, and tells when it had to be changed.
func (r *edlReader) name(raw string, n int) string {
	name := decodeName(strings.TrimSpace(raw))
	clean := cleanName(name)
	if clean != name {
		r.tell(n, true, "the name %q holds control characters or is longer than %d bytes: it was changed", clip(clean), MaxName)
	}
	return clean
}

func (r *edlReader) comment(t string, n int) {
	after := func(prefix string) (string, bool) {
		if len(t) >= len(prefix) && strings.EqualFold(t[:len(prefix)], prefix) {
			return t[len(prefix):], true
		}
		return "", false
	}
	if rest, ok := after(locComment); ok {
		r.marker(rest, n)
	}
	if r.last == nil {
		return
	}
	if rest, ok := after(fromComment); ok {
		r.last.from = r.name(rest, n)
		// in an event of two lines it names the shot of the first
		if k := len(r.events) - 2; r.last.soft() && k >= 0 && r.events[k].number == r.last.number && r.events[k].from == "" {
			r.events[k].from = r.last.from
		}
	}
	if rest, ok := after(toComment); ok {
		r.last.to = r.name(rest, n)
	}
	if rest, ok := after(ourComment); ok {
		k, err := parseCarried(rest)
		if err != nil {
			r.tell(n, false, "%v", err)
			return
		}
		r.last.carried = k
	}
}

func (r *edlReader) marker(rest string, n int) {
	code, words, _ := strings.Cut(strings.TrimSpace(rest), " ")
	words = strings.TrimSpace(words)
	if colour, more, _ := strings.Cut(words, " "); edlColours[colour] {
		words = more
	}
	if !isCode(code) {
		r.tell(n, false, "a marker is LOC: time code, colour, words; %q is not a time code", clip(code))
		return
	}
	frame, err := r.a.Parse(code, "timecode")
	if err != nil {
		r.tell(n, false, "%v", err)
		return
	}
	r.list.Markers = append(r.list.Markers, Marker{frame, r.name(words, n)})
}
