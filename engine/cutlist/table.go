package cutlist

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"

	"cuechoir/internal/fault"
)

// Bounds of a table from a stranger.
const (
	MaxTableBytes = 8 << 20
	MaxTableRows  = 100_000
	maxFieldBytes = 2000
)

// Row is one line of a table: its number in the file (from 1) and its fields
// by column name, trimmed. Columns that the line lacks are absent.
type Row struct {
	Line   int
	Fields map[string]string
}

// Problem is a place in a file that could not be read as it stands; the rest
// is read all the same.
type Problem struct {
	Line  int    // from 1; 0 when the place is not a line
	What  string // what is wrong, in plain words
	Place string // where, when it is not a line: the path in an OpenTimelineIO file
	Kept  bool   // it was read, changed as What says; else it was passed over
}

// Where is the place as words: "line 3", or the path.
func (p Problem) Where() string {
	if p.Place != "" {
		return p.Place
	}
	return fmt.Sprintf("line %d", p.Line)
}

// Error is the problem as one line, without the file's name.
func (p Problem) Error() string { return p.Where() + ": " + p.What }

// ReadTable reads comma-, semicolon- or tab-separated text (RFC 4180 quoting)
// whose columns are the given ones. A first line that holds a known column
// name is a header and sets the order; without one the columns stand in the
// order given. Lines that start with # and empty lines are passed over.
// Lines with faults come back as problems, with their numbers.
func ReadTable(r io.Reader, name string, columns []string) ([]Row, []Problem, error) {
	return readTable(r, name, columns, columns)
}

// readTable knows the columns known; without a header they stand in the order
// given by plain.
func readTable(r io.Reader, name string, known, plain []string) ([]Row, []Problem, error) {
	text, err := readText(r, name, MaxTableBytes, true)
	if err != nil {
		return nil, nil, err
	}
	return readLines(text, name, known, plain)
}

func readLines(text, name string, known, plain []string) ([]Row, []Problem, error) {
	var rows []Row
	var problems []Problem
	order := plain
	comma := separatorOf(text)
	sc := bufio.NewScanner(strings.NewReader(text))
	sc.Buffer(make([]byte, 0, 4096), MaxTableBytes+1)
	first := true
	for n := 1; sc.Scan(); n++ {
		line := strings.TrimSuffix(sc.Text(), "\r")
		if t := strings.TrimSpace(line); t == "" || strings.HasPrefix(t, "#") {
			continue
		}
		if len(rows)+len(problems) >= MaxTableRows {
			return nil, nil, fault.New(fault.OverLimit, "more than %d rows", MaxTableRows).In(name, fmt.Sprintf("line %d", n)).
				Mended("split the table")
		}
		fields, err := splitLine(line, comma)
		if err != nil {
			problems = append(problems, Problem{Line: n, What: err.Error()})
			first = false
			continue
		}
		if first {
			first = false
			if named, ok := headerOrder(fields, known); ok {
				order = named
				continue
			}
		}
		row, err := rowOf(fields, order)
		if err != nil {
			problems = append(problems, Problem{Line: n, What: err.Error()})
			continue
		}
		row.Line = n
		rows = append(rows, row)
	}
	if err := sc.Err(); err != nil {
		return nil, nil, fault.New(fault.Malformed, "reading the table").In(name, "").Because(err)
	}
	return rows, problems, nil
}

// separatorOf guesses the separator from the first line that has one.
func separatorOf(text string) rune {
	for _, line := range strings.SplitN(text, "\n", 20) {
		if strings.HasPrefix(strings.TrimSpace(line), "#") {
			continue
		}
		for _, c := range []rune{'\t', ',', ';'} {
			// a lone ";" also stands in drop-frame time code, so it comes last
			if strings.ContainsRune(line, c) && !(c == ';' && strings.Count(line, ";") == 1 && strings.Count(line, ":") == 2) {
				return c
			}
		}
	}
	return ','
}

func splitLine(line string, comma rune) ([]string, error) {
	c := csv.NewReader(strings.NewReader(line))
	c.Comma, c.FieldsPerRecord, c.TrimLeadingSpace = comma, -1, comma != '\t'
	fields, err := c.Read()
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		return nil, fmt.Errorf("quotes do not match up: %w", pe.Err)
	}
	if err != nil {
		return nil, err
	}
	for i, f := range fields {
		if len(f) > maxFieldBytes {
			return nil, fmt.Errorf("field %d is longer than %d bytes", i+1, maxFieldBytes)
		}
		fields[i] = strings.TrimSpace(f)
	}
	return fields, nil
}

// headerOrder reports the columns that a header line names, with "" for those
// not known; false when none is known.
func headerOrder(fields, columns []string) ([]string, bool) {
	order := make([]string, len(fields))
	found := false
	for i, f := range fields {
		for _, c := range columns {
			if strings.EqualFold(f, c) {
				order[i], found = c, true
			}
		}
	}
	return order, found
}

func rowOf(fields, order []string) (Row, error) {
	row := Row{Fields: make(map[string]string, len(fields))}
	for i, f := range fields {
		switch {
		case i >= len(order):
			if f != "" {
				return Row{}, fmt.Errorf("field %d (%q) is one too many", i+1, clip(f))
			}
		case order[i] != "" && f != "":
			row.Fields[order[i]] = f
		}
	}
	return row, nil
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
