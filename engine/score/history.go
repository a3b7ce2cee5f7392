package score

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"cuechoir/internal/fault"
)

// The history of a score lies in its folder and lives across restarts:
//
//	history/steps.jsonl  the journal: which edit led to which text
//	history/HASH.toml    each text of score.toml, whole, named by its SHA-256
//
// It is bounded; the oldest steps go first. Undo and redo put back a former
// text, byte for byte; takes, bounces and the reference's sound are files and
// are never touched. An edit after an undo drops the steps that could have
// been redone.

// HistoryDir is the folder of the history inside a score's folder.
const HistoryDir = "history"

// Bounds of a history. A tenth goes at once when one is passed.
const (
	MaxSteps        = 500
	MaxHistoryBytes = 64 << 20
	compactBeyond   = 1 << 20 // bytes of journal
)

const journalName = HistoryDir + "/steps.jsonl"

// Step is one edit of the document.
type Step struct {
	Label   string    // what was done, such as "3 hits added"
	When    time.Time // UTC
	Outside bool      // the file was edited by hand, outside the program
	Undone  bool      // it was taken back and can be redone
}

// History is the steps in the order in which they were done; first those that
// stand, then those that were undone.
type History struct {
	Steps  []Step
	Undoes int // how many can be taken back
	Redoes int // how many can be done again
}

// History lists the steps. An edit made outside the program since the last
// one is among them. It takes no lock: when another program edits between the
// reading of the document and of the journal, it reads again.
func (f *Folder) History() (History, error) {
	_, j, err := f.readHistory()
	for tries := 0; err == nil && j.outside && tries < 3; tries++ {
		_, j, err = f.readHistory()
	}
	return j.history(), err
}

func (j journal) history() (h History) {
	for i, s := range j.states {
		if i > j.at && j.outside {
			break // what could be redone goes with the next edit
		}
		if i > 0 {
			h.Steps = append(h.Steps, Step{Label: s.label, When: s.when, Outside: s.outside, Undone: i > j.at})
		}
	}
	if j.outside {
		h.Steps = append(h.Steps, Step{Label: outsideLabel, Outside: true})
	}
	for _, s := range h.Steps {
		if s.Undone {
			h.Redoes++
		} else {
			h.Undoes++
		}
	}
	return h
}

// Edit takes the folder's lock, loads the document, lets change edit it,
// checks it and saves it at one stroke, with a step of the history that the
// label names in a plain phrase ("3 hits added"). When change or the check
// fails the document stays as it was; when nothing changed nothing is
// written. A second program that edits at the same moment gets a Conflict.
func (f *Folder) Edit(label string, change func(*Score) error) (*Score, error) {
	return f.EditAs(func(s *Score) (string, error) { return label, change(s) })
}

// EditAs is Edit with a label that is known only when the change is made.
func (f *Folder) EditAs(change func(*Score) (label string, err error)) (*Score, error) {
	unlock, err := lock(f.Path(lockName))
	if err != nil {
		return nil, err
	}
	defer unlock()
	text, j, err := f.readHistory()
	if err != nil {
		return nil, err
	}
	s, err := Decode(text, f.Path(FileName))
	if err != nil {
		return nil, err
	}
	before, err := Encode(s)
	if err != nil {
		return nil, fault.New(fault.Unexpected, "reading the score").Because(err)
	}
	label, err := change(s)
	if err != nil {
		return nil, err
	}
	after, err := encodeValid(s)
	if err != nil {
		return nil, err
	}
	if bytes.Equal(before, after) {
		return s, nil
	}
	e := event{Did: "edit", To: hashOf(after), Bytes: int64(len(after)), Label: labelText(label), When: now()}
	return s, f.commit(j, text, after, e)
}

// Undo takes back the last n edits and reports them, the last one first.
func (f *Folder) Undo(n int) (*Score, []Step, error) { return f.walk(n, "undo") }

// Redo does the next n undone edits again and reports them in their order.
func (f *Folder) Redo(n int) (*Score, []Step, error) { return f.walk(n, "redo") }

func (f *Folder) walk(n int, did string) (*Score, []Step, error) {
	unlock, err := lock(f.Path(lockName))
	if err != nil {
		return nil, nil, err
	}
	defer unlock()
	text, j, err := f.readHistory()
	if err != nil {
		return nil, nil, err
	}
	to, steps, err := j.target(n, did)
	if err != nil {
		return nil, nil, err
	}
	former, err := f.text(j.states[to])
	if err != nil {
		return nil, nil, err
	}
	s, err := Decode(former, f.Path(textName(j.states[to].hash)))
	if err != nil {
		return nil, nil, err
	}
	return s, steps, f.commit(j, text, former, event{Did: did, Steps: n, When: now()})
}

// target is the number of the text that n steps lead to, and the steps passed.
func (j journal) target(n int, did string) (to int, steps []Step, err error) {
	h, back := j.history(), did == "undo"
	there := h.Undoes
	if !back {
		there = h.Redoes
	}
	switch {
	case n < 1:
		return 0, nil, fault.New(fault.Usage, "%d steps cannot be taken", n).Mended("give a number from 1")
	case there == 0:
		return 0, nil, fault.New(fault.Missing, "there is nothing to %s", did).Mended("see the steps: cuechoir history")
	case n > there:
		return 0, nil, fault.New(fault.Missing, "only %d can be taken, not %d", there, n).Mended("see the steps: cuechoir history")
	}
	for i := range n {
		if back {
			steps = append(steps, h.Steps[h.Undoes-1-i])
		} else {
			steps = append(steps, h.Steps[h.Undoes+i])
		}
	}
	if !back {
		return j.at + n, steps, nil
	}
	if j.outside {
		n-- // the first step back leads to the text that was current
	}
	return j.at - n, steps, nil
}

// VerifyHistory reports what of the history is broken: its journal, or a text
// that is gone or was changed.
func (f *Folder) VerifyHistory() error {
	_, j, err := f.readHistory()
	if err != nil {
		return err
	}
	for _, s := range j.states {
		if _, err := f.text(s); err != nil {
			return err
		}
	}
	return nil
}

// readHistory reads the document's text and the journal settled against it.
func (f *Folder) readHistory() (text []byte, j journal, err error) {
	text, err = f.readText()
	if err != nil {
		return nil, j, err
	}
	data, err := f.readAll(journalName, maxJournalBytes)
	if errors.Is(err, fs.ErrNotExist) {
		return text, j, nil
	}
	if err != nil {
		kind := fault.KindOf(err)
		if kind == fault.Unexpected { // a link that leads out, a file where the folder should be
			kind = fault.Malformed
		}
		return nil, j, fault.New(kind, "the history cannot be read").In(f.Path(journalName), "").
			Because(err).Mended(journalMend, HistoryDir)
	}
	j, err = readJournal(data, hashOf(text), f.Path(journalName))
	return text, j, err
}

// text reads one text of the history and proves it by its hash.
func (f *Folder) text(s state) ([]byte, error) {
	name := textName(s.hash)
	data, err := f.readAll(name, MaxFileBytes)
	if err != nil {
		return nil, fault.New(fault.Missing, "the text of that step is not there any more; the score is as it was").In(f.Path(name), "").Because(err)
	}
	if hashOf(data) != s.hash {
		return nil, fault.New(fault.Malformed, "the text of that step was changed or damaged; the score is as it was").In(f.Path(name), "")
	}
	return data, nil
}

// labelText makes any phrase fit for a label: one clean line of bounded length.
func labelText(s string) string {
	s = strings.Map(func(c rune) rune {
		if unicode.IsControl(c) || unicode.Is(unicode.Bidi_Control, c) {
			return ' '
		}
		return c
	}, strings.ToValidUTF8(s, "?"))
	for len(s) > maxLabelLen {
		_, n := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-n]
	}
	return s
}

// CountLabel is a label that counts: "1 hit added", "3 hits added".
func CountLabel(n int, thing, done string) string {
	if n == 1 {
		return fmt.Sprintf("1 %s %s", thing, done)
	}
	return fmt.Sprintf("%d %ss %s", n, thing, done)
}
