package cutlist

import (
	"encoding/csv"
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"
)

// cutColumns are the columns of a table of cuts, in their order when there is
// no header; shotColumns those of the short form, in frames alone.
var (
	cutColumns  = []string{"frame", "kind", "end", "name", "timecode", "seconds", "confidence", "hand", "first", "last"}
	shotColumns = []string{"kind", "first", "last"}
)

// markerKind stands in the kind column of a row that is a marker, not a cut.
const markerKind = "marker"

// readRows reads a table whose columns, when it has no header, stand in the
// given order.
func readRows(r io.Reader, name string, columns []string, a Axis) (List, []Problem, error) {
	known := append(append([]string{}, columns...), cutColumns...)
	rows, problems, err := readTable(r, name, known, columns)
	if err != nil {
		return List{}, nil, err
	}
	var l List
	for _, row := range rows {
		var err error
		if strings.EqualFold(row.Fields["kind"], markerKind) {
			err = a.addMarker(&l, row)
		} else {
			err = a.addCut(&l, row)
		}
		if err != nil {
			problems = append(problems, Problem{Line: row.Line, What: err.Error()})
		}
	}
	sort.SliceStable(problems, func(i, j int) bool { return problems[i].Line < problems[j].Line })
	l.settle()
	return l, problems, nil
}

func (a Axis) addMarker(l *List, row Row) error {
	frame, err := a.Position(row.Fields)
	if err != nil {
		return err
	}
	name := decodeName(row.Fields["name"])
	if err := checkName(name); err != nil {
		return err
	}
	l.Markers = append(l.Markers, Marker{frame, name})
	return nil
}

func (a Axis) addCut(l *List, row Row) error {
	c, err := a.cutOf(row.Fields)
	if err == nil {
		err = c.Validate(a.Frames)
	}
	if err == nil {
		err = checkName(c.Name)
	}
	if err == nil {
		l.Cuts = append(l.Cuts, c)
	}
	return err
}

func (a Axis) cutOf(fields map[string]string) (Cut, error) {
	c := Cut{Kind: HardCut, Confidence: 1, Name: decodeName(fields["name"])}
	if k := fields["kind"]; k != "" {
		c.Kind = Kind(strings.ToLower(k))
	}
	var err error
	if v := fields["confidence"]; v != "" {
		if c.Confidence, err = strconv.ParseFloat(v, 64); err != nil {
			return c, fmt.Errorf("confidence %q is not a number from 0 to 1", clip(v))
		}
	}
	if v := fields["hand"]; v != "" {
		if c.Hand, err = yesOrNo(v); err != nil {
			return c, err
		}
	}
	if fields["first"] != "" || fields["last"] != "" {
		return a.shotForm(c, fields["first"], fields["last"])
	}
	if c.Frame, err = a.Position(fields); err != nil {
		return c, err
	}
	c.End = c.Frame
	if e := fields["end"]; e != "" {
		wide := a
		wide.Frames++ // an end is exclusive, so it may be the length
		if c.End, err = wide.Parse(e, "end"); err != nil {
			return c, err
		}
	}
	return c, nil
}

// shotForm sets where c stands from the first and the last frame: of a hard
// cut both are the first frame of the new shot; of another kind the first and
// the last mixed frame (inclusive).
func (a Axis) shotForm(c Cut, first, last string) (Cut, error) {
	var err error
	if c.Frame, err = strconv.ParseInt(first, 10, 48); err != nil {
		return c, fmt.Errorf("first %q is not a frame number", clip(first))
	}
	n, err := strconv.ParseInt(last, 10, 48)
	if err != nil {
		return c, fmt.Errorf("last %q is not a frame number", clip(last))
	}
	if c.Kind == HardCut {
		c.End = c.Frame
		if n != c.Frame {
			return c, fmt.Errorf("of a hard cut first and last are the same frame, not %d and %d", c.Frame, n)
		}
		return c, nil
	}
	c.End = n + 1
	if c.End < c.Frame {
		return c, fmt.Errorf("last frame %d comes before first frame %d", n, c.Frame)
	}
	return c, nil
}

func yesOrNo(v string) (bool, error) {
	switch strings.ToLower(v) {
	case "yes", "true", "1":
		return true, nil
	case "no", "false", "0":
		return false, nil
	}
	return false, fmt.Errorf("%q is neither yes nor no", clip(v))
}

func writeCSV(w io.Writer, l List, a Axis) error {
	rows := make([][]string, 0, len(l.Cuts)+len(l.Markers))
	for _, k := range l.Cuts {
		hand := ""
		if k.Hand {
			hand = "yes"
		}
		rows = append(rows, []string{frameWord(k.Frame), string(k.Kind), frameWord(k.End), encodeName(k.Name), a.timecode(k.Frame),
			strconv.FormatFloat(k.Confidence, 'g', -1, 64), hand})
	}
	for _, m := range l.Markers {
		rows = append(rows, []string{frameWord(m.Frame), markerKind, frameWord(m.Frame), encodeName(m.Name), a.timecode(m.Frame), "", ""})
	}
	return writeRows(w, []string{"frame", "kind", "end", "name", "timecode", "confidence", "hand"}, rows)
}

func writeShots(w io.Writer, l List) error {
	rows := make([][]string, 0, len(l.Cuts))
	for _, k := range l.Cuts {
		last := k.Frame
		if k.Kind != HardCut {
			last = k.End - 1
		}
		rows = append(rows, []string{string(k.Kind), frameWord(k.Frame), frameWord(last)})
	}
	return writeRows(w, shotColumns, rows)
}

func writeRows(w io.Writer, head []string, rows [][]string) error {
	c := csv.NewWriter(w)
	if err := c.Write(head); err != nil {
		return err
	}
	return c.WriteAll(rows)
}

func frameWord(n int64) string { return strconv.FormatInt(n, 10) }
