// Package fault is the closed set of ways in which work can fail, each with
// the exit code that a command answers with. An error names the file, the
// place in it and what to do next, in plain words.
package fault

import (
	"errors"
	"fmt"
	"strings"
)

// Kind says what sort of trouble it is. The zero Kind is Unexpected.
type Kind int

const (
	Unexpected  Kind = iota // a defect or an unforeseen system error
	Usage                   // the command's words or options are off
	Malformed               // a file breaks its own format
	Unsupported             // a file is well formed but of a form that is not read
	OverLimit               // a size or count beyond the bound
	Missing                 // a file, layer, take or tool is not there
	Device                  // a sound device failed, vanished or was refused
	DiskFull                // no room left to write
	Interrupted             // stopped by a person or a signal
	Conflict                // the score is in use, or the thing exists already
	NotMet                  // the work ran, and its result fails a wish (unreachable hits, say)
)

// exitCodes is the table behind ExitCode; documented in the README.
var exitCodes = map[Kind]int{
	Unexpected: 1, Usage: 2, Malformed: 3, Unsupported: 4, OverLimit: 5,
	Missing: 6, Device: 7, DiskFull: 8, Interrupted: 130, Conflict: 9, NotMet: 10,
}

var kindNames = map[Kind]string{
	Unexpected: "unexpected", Usage: "usage", Malformed: "malformed", Unsupported: "unsupported",
	OverLimit: "over-limit", Missing: "missing", Device: "device", DiskFull: "disk-full",
	Interrupted: "interrupted", Conflict: "conflict", NotMet: "not-met",
}

func (k Kind) String() string { return kindNames[k] }

// Error is a failure that a person can act on.
type Error struct {
	Kind  Kind
	File  string // the file's name as the person gave it, or ""
	Place string // where in it: "line 3", "byte 44", "[[hits]] 2", or ""
	What  string // what is wrong, plain words, no full stop
	Mend  string // what to do next, or ""
	Err   error  // the cause, or nil
}

// Error prints one line: file, place: what (cause): mend.
func (e *Error) Error() string {
	var b strings.Builder
	if e.File != "" {
		b.WriteString(e.File)
		if e.Place != "" {
			b.WriteString(", " + e.Place)
		}
		b.WriteString(": ")
	} else if e.Place != "" {
		b.WriteString(e.Place + ": ")
	}
	b.WriteString(e.What)
	if e.Err != nil {
		if e.What != "" {
			b.WriteString(": ")
		}
		b.WriteString(e.Err.Error())
	}
	if e.Mend != "" {
		b.WriteString(" — " + e.Mend)
	}
	return b.String()
}

func (e *Error) Unwrap() error { return e.Err }

// New makes an error of a kind with a formatted text.
func New(k Kind, format string, args ...any) *Error {
	return &Error{Kind: k, What: fmt.Sprintf(format, args...)}
}

// In returns a copy that names the file and the place in it.
func (e *Error) In(file, place string) *Error {
	c := *e
	c.File, c.Place = file, place
	return &c
}

// Mended returns a copy that says what to do next.
func (e *Error) Mended(format string, args ...any) *Error {
	c := *e
	c.Mend = fmt.Sprintf(format, args...)
	return &c
}

// Because returns a copy that wraps a cause.
func (e *Error) Because(err error) *Error {
	c := *e
	c.Err = err
	return &c
}

// KindOf finds the kind of the outermost Error in the chain; Unexpected when
// there is none.
func KindOf(err error) Kind {
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return Unexpected
}

// ExitCode is the process's exit code for an error: 0 for nil.
func ExitCode(err error) int {
	if err == nil {
		return 0
	}
	return exitCodes[KindOf(err)]
}
