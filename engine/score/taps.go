package score

import (
	"fmt"
	"io"
	"slices"
	"sort"
	"strconv"
	"strings"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// MaxTaps bounds the taps of a document.
const MaxTaps = 20_000

// fileTaps is the form of the taps in score.toml: samples from the start of
// frame 0.
type fileTaps struct {
	Samples []int64 `toml:"samples,multiline"`
}

func (s *Score) validateTaps() error {
	if len(s.Taps) > MaxTaps {
		return fmt.Errorf("[taps]: %d taps are more than %d", len(s.Taps), MaxTaps)
	}
	for i, t := range s.Taps {
		switch {
		case t < 0 || t >= s.Length():
			return fmt.Errorf("[taps]: a tap at sample %d is outside the reference, which has %d samples", t, s.Length())
		case i > 0 && t <= s.Taps[i-1]:
			return fmt.Errorf("[taps]: sample %d does not come after %d", t, s.Taps[i-1])
		}
	}
	return nil
}

var tapColumns = []string{"frame", "timecode", "seconds", "sample"}

// ReadTaps reads taps from a table: a column of seconds, kept to the sample,
// or of frames, time codes or samples. Without a header line, what has a point
// or an s is seconds, as in cutlist.Axis. They come back as samples of the
// score's rate, in order, one a sample; lines with faults come back as
// problems.
func ReadTaps(r io.Reader, name string, s *Score) ([]int64, []cutlist.Problem, error) {
	rows, problems, err := cutlist.ReadTable(r, name, tapColumns)
	if err != nil {
		return nil, nil, err
	}
	var taps []int64
	for _, row := range rows {
		t, err := s.tapOf(row.Fields)
		if err == nil && (t < 0 || t >= s.Length()) {
			err = fmt.Errorf("sample %d is outside the reference, which has %d samples", t, s.Length())
		}
		if err != nil {
			problems = append(problems, cutlist.Problem{Line: row.Line, What: err.Error()})
			continue
		}
		taps = append(taps, t)
	}
	sort.SliceStable(problems, func(i, j int) bool { return problems[i].Line < problems[j].Line })
	slices.Sort(taps)
	return slices.Compact(taps), problems, nil
}

// maxTapSeconds is beyond every reference: a day.
const maxTapSeconds = 86_400

func (s *Score) tapOf(fields map[string]string) (int64, error) {
	if v := fields["sample"]; v != "" {
		t, err := strconv.ParseInt(v, 10, 64)
		if err != nil {
			return 0, fmt.Errorf("%q is not a sample", clip(v))
		}
		return t, nil
	}
	v, seconds := fields["frame"], false
	if v == "" {
		v = fields["timecode"]
	}
	if v == "" {
		v, seconds = fields["seconds"], true
	}
	if seconds || strings.ContainsAny(v, ".sS") && !strings.ContainsAny(v, ":;") {
		sec, err := timecode.ParseRatio(strings.TrimRight(v, "sS"))
		if err != nil || sec.Cmp(timecode.Int(maxTapSeconds)) > 0 || sec.Sign() < 0 {
			return 0, fmt.Errorf("%q is not a time in seconds", clip(v))
		}
		x := sec.Rat()
		return timecode.RoundRat(x.Mul(x, timecode.Int(int64(s.SampleRate)).Rat())), nil
	}
	frame, err := s.Axis().Position(fields)
	if err != nil {
		return 0, err
	}
	return s.Reference.Rate.SampleOf(frame, s.SampleRate), nil
}
