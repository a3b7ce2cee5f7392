package cutlist

import (
	"fmt"
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
// clock, which may pass midnight) or "10.01"/"10.01s" (rounded to the nearest
// frame start). A column "seconds" reads whole numbers as seconds too.
func (a Axis) Parse(v, column string) (int64, error) {
	v = strings.TrimSpace(v)
	var frame int64
	switch {
	case strings.ContainsAny(v, ":;"):
		tc, err := a.Rate.ParseTimecode(v)
		if err != nil {
			return 0, err
		}
		if frame = a.onClock(tc); frame >= a.Frames {
			return 0, fmt.Errorf("time code %s is outside the reference, which runs from %s to %s", v, a.timecode(0), a.timecode(a.Frames-1))
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

// onClock is how many frames after the reference's start a time code next
// stands: 0 to a day less a frame.
func (a Axis) onClock(tc int64) int64 {
	day := a.Rate.DayFrames()
	return ((tc-a.Start)%day + day) % day
}

func (a Axis) timecode(frame int64) string { return a.Rate.Timecode(a.Start + frame) }
