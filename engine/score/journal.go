package score

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"cuechoir/internal/fault"
)

// The journal of a score's edits: one line of JSON an event, written before
// the document changes (write-ahead logging, as in Mohan and others, "ARIES",
// ACM TODS 17(1), 1992, cut down to one writer and whole texts). A last event
// without its "done" either happened or not: the document's own hash tells.

const (
	journalVersion   = 1
	maxJournalBytes  = 4 << 20
	maxJournalLine   = 4 << 10
	maxLabelLen      = 200
	outsideLabel     = "edited by hand outside the program"
	journalMend      = "the score itself is whole; move the folder %q away, and a new history begins"
	hashLen          = 64 // SHA-256 in hexadecimal digits
	maxStepsAtOnce   = 1_000_000
	maxDocumentBytes = MaxFileBytes
)

// event is one line. The fields beyond did depend on it: begin, edit and
// outside lead to a text; undo and redo to one passed before.
type event struct {
	Did     string    `json:"did"` // begin, edit, outside, undo, redo, done
	Version int       `json:"version,omitempty"`
	To      string    `json:"to,omitempty"`
	Bytes   int64     `json:"bytes,omitempty"`
	Label   string    `json:"label,omitempty"`
	Steps   int       `json:"steps,omitempty"`
	When    time.Time `json:"when,omitzero"`
}

// state is a text that the document has or had, and what led to it.
type state struct {
	hash    string
	bytes   int64
	label   string
	when    time.Time
	outside bool
}

func (s state) event() event {
	e := event{Did: "edit", To: s.hash, Bytes: s.bytes, Label: s.label, When: s.when}
	if s.outside {
		e.Did, e.Label = "outside", ""
	}
	return e
}

// journal is the journal folded: the texts in order, and which is current.
// The zero journal has none.
type journal struct {
	states  []state
	at      int
	size    int64 // bytes of the file that count; what lies beyond is torn or did not happen
	outside bool  // the document is none of the texts: somebody edited it elsewhere
}

// readJournal folds a journal's text and settles it against the hash of the
// document as it is. A last line without its end was torn by a crash and did
// not happen.
func readJournal(data []byte, document, file string) (journal, error) {
	var f fold
	for n := 1; ; n++ {
		line, rest, whole := bytes.Cut(data, []byte("\n"))
		if !whole {
			break
		}
		data = rest
		e, err := parseEvent(line)
		if err == nil {
			err = f.take(e, int64(len(line))+1)
		}
		if err != nil {
			return journal{}, fault.New(fault.Malformed, "the history cannot be read").In(file, fmt.Sprintf("line %d", n)).
				Because(err).Mended(journalMend, HistoryDir)
		}
	}
	f.settle(document)
	return f.journal, nil
}

func parseEvent(line []byte) (e event, err error) {
	if len(line) > maxJournalLine {
		return e, fmt.Errorf("the line is longer than %d bytes", maxJournalLine)
	}
	dec := json.NewDecoder(bytes.NewReader(line))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&e); err != nil {
		return e, fmt.Errorf("this is no event: %w", err)
	}
	if dec.InputOffset() != int64(len(line)) {
		return e, fmt.Errorf("there is something behind the event")
	}
	switch e.Did {
	case "begin", "edit", "outside":
		if !isHash(e.To) || e.Bytes < 0 || e.Bytes > maxDocumentBytes {
			return e, fmt.Errorf("it names no text")
		}
		if err := checkText(e.Label, maxLabelLen); err != nil {
			return e, fmt.Errorf("label: %w", err)
		}
		if e.Did == "begin" && e.Version != journalVersion {
			return e, fmt.Errorf("version %d is not known here (this program reads version %d)", e.Version, journalVersion)
		}
	case "undo", "redo":
		if e.Steps < 1 || e.Steps > maxStepsAtOnce {
			return e, fmt.Errorf("%d steps cannot be", e.Steps)
		}
	case "done":
	default:
		return e, fmt.Errorf("%q is not known", clip(e.Did))
	}
	return e, nil
}

func isHash(s string) bool {
	if len(s) != hashLen {
		return false
	}
	for _, c := range s {
		if !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f') {
			return false
		}
	}
	return true
}

// fold takes events one by one and can take the last one back.
type fold struct {
	journal
	pending bool    // the last event has no done yet
	before  int     // at before it
	added   bool    // it added a text ...
	gave    []state // ... in the place of these
	length  int64   // bytes of its line
}

func (f *fold) take(e event, line int64) error {
	if begins := len(f.states) == 0; begins != (e.Did == "begin") {
		return fmt.Errorf("%q cannot stand here", e.Did)
	}
	f.size += line
	if e.Did == "done" {
		f.pending = false
		f.length = 0
		return nil
	}
	f.pending, f.before, f.added, f.gave, f.length = e.Did != "begin", f.at, false, nil, line
	switch e.Did {
	case "undo":
		f.at -= e.Steps
	case "redo":
		f.at += e.Steps
	default:
		f.add(e)
	}
	if f.at < 0 || f.at >= len(f.states) {
		return fmt.Errorf("%s of %d steps goes beyond the texts there are", e.Did, e.Steps)
	}
	return nil
}

// add puts a text behind the current one; those that could be redone go.
func (f *fold) add(e event) {
	keep := min(f.at+1, len(f.states))
	f.gave = slices.Clone(f.states[keep:])
	s := state{hash: e.To, bytes: e.Bytes, label: e.Label, when: e.When}
	if e.Did == "outside" {
		s.outside, s.label = true, outsideLabel
	}
	f.states = append(f.states[:keep], s)
	f.at, f.added = keep, true
}

// settle finds out from the document's hash whether the last event happened.
// When it is neither what it was before nor after, the event is taken as
// happened: that loses no text.
func (f *fold) settle(document string) {
	if len(f.states) == 0 {
		return
	}
	if f.pending && document != f.states[f.at].hash && document == f.states[f.before].hash {
		if f.added {
			f.states = append(f.states[:f.at], f.gave...)
		}
		f.at = f.before
		f.size -= f.length
	}
	f.outside = document != f.states[f.at].hash
}

// lines is the text of events.
func lines(events ...event) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b) // ends each with a newline
	enc.SetEscapeHTML(false)
	for _, e := range events {
		if err := enc.Encode(e); err != nil {
			return nil, err
		}
	}
	return b.Bytes(), nil
}

// events is the shortest journal that folds to j.
func (j journal) events() []event {
	var out []event
	for i, s := range j.states {
		e := s.event()
		if i == 0 {
			e.Did, e.Version = "begin", journalVersion
		}
		out = append(out, e, event{Did: "done"})
	}
	if back := len(j.states) - 1 - j.at; back > 0 {
		out = append(out, event{Did: "undo", Steps: back}, event{Did: "done"})
	}
	return out
}

// prune drops the oldest texts beyond the bounds, a tenth more than it must so
// that it need not be done at each edit; the current one and the one before
// it stay. It reports whether any went.
func (j *journal) prune(steps int, size int64) bool {
	if len(j.states)-1 <= steps && j.bytes() <= size {
		return false
	}
	steps, size = steps-steps/10, size-size/10
	drop := max(0, len(j.states)-1-steps)
	for drop = min(drop, max(0, j.at-1)); drop < j.at-1 && (&journal{states: j.states[drop:]}).bytes() > size; {
		drop++
	}
	j.states = slices.Clone(j.states[drop:])
	j.at -= drop
	return drop > 0
}

// bytes is what the texts hold, each counted once.
func (j *journal) bytes() (sum int64) {
	seen := map[string]bool{}
	for _, s := range j.states {
		if !seen[s.hash] {
			seen[s.hash] = true
			sum += s.bytes
		}
	}
	return sum
}
