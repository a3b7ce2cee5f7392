package cutlist

import (
	"bytes"
	"fmt"
	"io"
	"path"
	"regexp"
	"sort"
	"strings"
	"unicode/utf8"

	"cuechoir/internal/fault"
)

// Format is a form in which lists of cuts are handed over.
type Format string

const (
	// FormatCSV is a table: frame (or timecode, or seconds), kind, end, name,
	// confidence, hand; a row of the kind "marker" is a marker. Lists of cuts
	// and markers are read back as they were; a title has no place in it.
	FormatCSV Format = "csv"
	// FormatShots is a table kind, first, last in frames: of a hard cut both
	// are the first frame of the new shot, else the first and the last mixed
	// frame (inclusive). Names, markers and confidences have no place in it.
	FormatShots Format = "shots"
	// FormatEDL is a CMX 3600 edit decision list (SMPTE ST 258, from memory).
	FormatEDL Format = "edl"
	// FormatOTIO is an OpenTimelineIO file (the project's «File Format
	// Specification» and «Serialized Data» pages).
	FormatOTIO Format = "otio"
)

// Formats are all of them.
var Formats = []Format{FormatCSV, FormatShots, FormatEDL, FormatOTIO}

// Marker is a named place that is no change of picture.
type Marker struct {
	Frame int64 // from the reference's first frame, 0
	Name  string
}

// List is what a file of cuts holds.
type List struct {
	Title   string
	Cuts    []Cut    // in order of frame, one a frame
	Markers []Marker // in order of frame
}

// Bounds of a list from a stranger.
const (
	MaxListBytes = 16 << 20
	MaxCuts      = 100_000
	maxProblems  = 10_000
)

// FormatOf says which form a file is in: by the extension of its name (.edl,
// .otio, .csv, .tsv), else by its first bytes. A table is in the form that
// its first line shows. An error of kind fault.Unsupported says which forms
// there are.
func FormatOf(name string, head []byte) (Format, error) {
	text := strings.TrimPrefix(string(head), "\ufeff")
	switch strings.ToLower(path.Ext(name)) {
	case ".edl":
		return FormatEDL, nil
	case ".otio":
		return FormatOTIO, nil
	case ".csv", ".tsv":
		return tableForm(text), nil
	}
	switch {
	case strings.HasPrefix(strings.TrimSpace(text), "{") && strings.Contains(text, "OTIO_SCHEMA"):
		return FormatOTIO, nil
	case looksLikeEDL(text):
		return FormatEDL, nil
	case strings.TrimSpace(text) != "" && textual(head):
		return tableForm(text), nil
	}
	return "", fault.New(fault.Unsupported, "this is no list of cuts that can be read").In(name, "").
		Mended("hand over a CMX 3600 edit decision list (.edl), an OpenTimelineIO file (.otio) or a table (.csv)")
}

var edlLine = regexp.MustCompile(`(?mi)^\s*(TITLE:|FCM:|\d{1,6}\s+\S.*\s(\d\d[:;.]){2}\d\d[:;.]\d{2,3}\s)`)

func looksLikeEDL(text string) bool { return edlLine.MatchString(text) }

// textual allows a multi-byte character to be cut off at the end.
func textual(head []byte) bool {
	for n := 0; n < utf8.UTFMax && n <= len(head); n++ {
		if utf8.Valid(head[:len(head)-n]) {
			return !bytes.ContainsRune(head, 0)
		}
	}
	return false
}

// tableForm tells the short form by its header, or by a kind that stands first.
func tableForm(text string) Format {
	comma := separatorOf(text)
	for _, line := range strings.Split(text, "\n") {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		first, _, _ := strings.Cut(line, string(comma))
		first = strings.ToLower(strings.Trim(strings.TrimSpace(first), `"`))
		if first == "kind" && strings.Contains(strings.ToLower(line), "first") || Kind(first).known() {
			return FormatShots
		}
		break
	}
	return FormatCSV
}

// Read reads a list of cuts on the ruler a. What cannot be read comes back as
// problems with its place, and the rest is read; the cuts are valid on a, in
// order, one a frame. The error, of kind Malformed, OverLimit or Unsupported,
// is for a file of which nothing can be read.
func Read(r io.Reader, name string, f Format, a Axis) (List, []Problem, error) {
	switch f {
	case FormatCSV:
		return readRows(r, name, cutColumns, a)
	case FormatShots:
		return readRows(r, name, shotColumns, a)
	case FormatEDL:
		return readEDL(r, name, a)
	case FormatOTIO:
		return readOTIO(r, name, a)
	}
	return List{}, nil, fault.New(fault.Unsupported, "the form %q is not read", f).In(name, "")
}

// Write writes a list in a form. A list that could not be read back as it is
// (cuts out of order or outside the reference, a name with a line break) is
// refused with an error of kind fault.Malformed before anything is written.
func Write(w io.Writer, f Format, l List, a Axis) error {
	if err := l.check(a); err != nil {
		return fault.New(fault.Malformed, "the cuts cannot be written").Because(err)
	}
	switch f {
	case FormatCSV:
		return writeCSV(w, l, a)
	case FormatShots:
		return writeShots(w, l)
	case FormatEDL:
		return writeEDL(w, l, a)
	case FormatOTIO:
		return writeOTIO(w, l, a)
	}
	return fault.New(fault.Unsupported, "the form %q is not written", f)
}

// settle puts what was read in order.
func (l *List) settle() {
	if l.Cuts != nil {
		l.Cuts = Merge(nil, l.Cuts)
	}
	sort.SliceStable(l.Markers, func(i, j int) bool { return l.Markers[i].Frame < l.Markers[j].Frame })
}

func (l List) check(a Axis) error {
	if err := a.Rate.Validate(); err != nil {
		return err
	}
	if len(l.Cuts) > MaxCuts || len(l.Markers) > MaxCuts {
		return fmt.Errorf("more than %d cuts or markers", MaxCuts)
	}
	if err := checkName(l.Title); err != nil {
		return fmt.Errorf("title: %w", err)
	}
	for i, c := range l.Cuts {
		if i > 0 && c.Frame <= l.Cuts[i-1].Frame {
			return fmt.Errorf("cut %d: frame %d does not come after %d", i+1, c.Frame, l.Cuts[i-1].Frame)
		}
		if err := c.Validate(a.Frames); err != nil {
			return fmt.Errorf("cut %d: %w", i+1, err)
		}
		if err := checkName(c.Name); err != nil {
			return fmt.Errorf("cut %d: %w", i+1, err)
		}
	}
	for i, m := range l.Markers {
		if i > 0 && m.Frame < l.Markers[i-1].Frame || m.Frame < 0 || m.Frame >= a.Frames {
			return fmt.Errorf("marker %d: frame %d is out of order or outside the reference (0 to %d)", i+1, m.Frame, a.Frames-1)
		}
		if err := checkName(m.Name); err != nil {
			return fmt.Errorf("marker %d: %w", i+1, err)
		}
	}
	return nil
}
