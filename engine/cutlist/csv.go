package cutlist

import (
	"encoding/csv"
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"

	"cuechoir/engine/timecode"
)

// Axis is the reference's ruler: what a frame number, a time code or seconds
// in a list mean.
type Axis struct {
	Rate   timecode.Rate
	Start  int64 // the time code of frame 0, as a frame count from 00:00:00:00
	Frames int64 // length; positions go from 0 to Frames-1
}

// PositionColumns are the ways in which a table says where something is.
var PositionColumns = []string{"frame", "timecode", "seconds"}

// Position reads where a row is: its frame, timecode or seconds column. A
// column "frame" (also what stands first in a table without a header) may
// hold a frame number, a time code, or seconds written with a point or an s.
func (a Axis) Position(fields map[string]string) (int64, error) {
	for _, col := range PositionColumns {
		if v := fields[col]; v != "" {
			return a.Parse(v, col)
		}
	}
	return 0, fmt.Errorf("no position: give a frame, a timecode or seconds")
}

// Parse reads one position: "240", "01:00:10:00" (on the reference's own
// clock) or "10.01"/"10.01s" (rounded to the nearest frame start). A column
// "seconds" reads whole numbers as seconds too.
func (a Axis) Parse(v, column string) (int64, error) {
	v = strings.TrimSpace(v)
	var frame int64
	switch {
	case strings.ContainsAny(v, ":;"):
		tc, err := a.Rate.ParseTimecode(v)
		if err != nil {
			return 0, err
		}
		if frame = tc - a.Start; frame < 0 || frame >= a.Frames {
			return 0, fmt.Errorf("time code %s is outside the reference, which runs from %s to %s", v,
				a.Rate.Timecode(a.Start), a.Rate.Timecode(a.Start+a.Frames-1))
		}
		return frame, nil
	case column == "seconds" || strings.ContainsAny(v, ".sS"):
		sec, err := timecode.ParseRatio(strings.TrimRight(v, "sS"))
		if err != nil || sec.Cmp(timecode.Int(1e6)) > 0 || sec.Cmp(timecode.Int(-1e6)) < 0 {
			return 0, fmt.Errorf("%q is not a time in seconds", clip(v))
		}
		x := sec.Rat()
		x.Mul(x, timecode.R(a.Rate.Num, a.Rate.Den).Rat())
		frame = timecode.RoundRat(x)
	default:
		n, err := strconv.ParseInt(v, 10, 48)
		if err != nil {
			return 0, fmt.Errorf("%q is neither a frame number, a time code HH:MM:SS:FF nor seconds", clip(v))
		}
		frame = n
	}
	if frame < 0 || frame >= a.Frames {
		return 0, fmt.Errorf("frame %d is outside the reference (0 to %d)", frame, a.Frames-1)
	}
	return frame, nil
}

var cutColumns = []string{"frame", "kind", "end", "name", "timecode", "seconds"}

// ReadCSV reads cuts: columns frame (or timecode, or seconds), kind, end,
// name; kind is a hard cut when absent. Lines with faults come back as
// problems; the cuts are in order of frame, one a frame.
func ReadCSV(r io.Reader, name string, a Axis) ([]Cut, []Problem, error) {
	rows, problems, err := ReadTable(r, name, cutColumns)
	if err != nil {
		return nil, nil, err
	}
	var cuts []Cut
	for _, row := range rows {
		c, err := a.cutOf(row)
		if err != nil {
			problems = append(problems, Problem{row.Line, err.Error()})
			continue
		}
		cuts = append(cuts, c)
	}
	sort.SliceStable(problems, func(i, j int) bool { return problems[i].Line < problems[j].Line })
	return Merge(nil, cuts), problems, nil
}

func (a Axis) cutOf(row Row) (Cut, error) {
	frame, err := a.Position(row.Fields)
	if err != nil {
		return Cut{}, err
	}
	c := Cut{Frame: frame, End: frame, Kind: HardCut, Confidence: 1, Name: row.Fields["name"]}
	if k := row.Fields["kind"]; k != "" {
		c.Kind = Kind(strings.ToLower(k))
	}
	if e := row.Fields["end"]; e != "" {
		wide := a
		wide.Frames++ // an end is exclusive, so it may be the length
		if c.End, err = wide.Parse(e, "end"); err != nil {
			return Cut{}, err
		}
	}
	return c, c.Validate(a.Frames)
}

// WriteCSV writes cuts so that ReadCSV reads the same.
func WriteCSV(w io.Writer, cuts []Cut, a Axis) error {
	c := csv.NewWriter(w)
	if err := c.Write([]string{"frame", "kind", "end", "name", "timecode"}); err != nil {
		return err
	}
	for _, k := range cuts {
		err := c.Write([]string{strconv.FormatInt(k.Frame, 10), string(k.Kind), strconv.FormatInt(k.End, 10), k.Name,
			a.Rate.Timecode(a.Start + k.Frame)})
		if err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// Merge adds cuts to a list: in order of frame, one a frame, the added one
// winning.
func Merge(list, added []Cut) []Cut {
	byFrame := make(map[int64]Cut, len(list)+len(added))
	for _, c := range list {
		byFrame[c.Frame] = c
	}
	for _, c := range added {
		byFrame[c.Frame] = c
	}
	out := make([]Cut, 0, len(byFrame))
	for _, c := range byFrame {
		out = append(out, c)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Frame < out[j].Frame })
	return out
}
