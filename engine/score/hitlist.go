package score

import (
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/tempo"
)

var hitColumns = []string{"frame", "weight", "tolerance", "lands", "name", "bar", "beat", "timecode", "seconds"}

// DefaultWantTolerance is the tolerance, in frames, of a want-hit for which
// none is given: one frame at 24 a second is 42 ms, inside the window in
// which picture and sound are felt as one (EBU R 37, from memory: 40 ms early
// to 60 ms late).
const DefaultWantTolerance = 1

// ReadHits reads hits from a table: columns frame (or timecode, or seconds),
// weight (must or want; must when absent), tolerance in frames, lands (bar,
// beat, half; bar when absent), name, bar, beat. Lines with faults come back
// as problems; the hits are in order of frame, one a frame.
func ReadHits(r io.Reader, name string, a cutlist.Axis) ([]tempo.Hit, []cutlist.Problem, error) {
	rows, problems, err := cutlist.ReadTable(r, name, hitColumns)
	if err != nil {
		return nil, nil, err
	}
	var hits []tempo.Hit
	for _, row := range rows {
		h, err := hitOf(row.Fields, a)
		if err != nil {
			problems = append(problems, cutlist.Problem{Line: row.Line, What: err.Error()})
			continue
		}
		hits = append(hits, h)
	}
	sort.SliceStable(problems, func(i, j int) bool { return problems[i].Line < problems[j].Line })
	return MergeHits(nil, hits), problems, nil
}

func hitOf(fields map[string]string, a cutlist.Axis) (tempo.Hit, error) {
	frame, err := a.Position(fields)
	if err != nil {
		return tempo.Hit{}, err
	}
	h := tempo.Hit{Frame: frame, Must: true, Lands: tempo.LandsBar, Name: fields["name"]}
	switch w := strings.ToLower(fields["weight"]); w {
	case "", "must":
	case "want":
		h.Must, h.Tolerance = false, DefaultWantTolerance
	default:
		return h, fmt.Errorf("weight %q is not one of must, want", clip(w))
	}
	if l := fields["lands"]; l != "" {
		h.Lands = tempo.Lands(strings.ToLower(l))
		if err := h.Lands.Validate(); err != nil {
			return h, err
		}
	}
	if t := fields["tolerance"]; t != "" {
		if h.Tolerance, err = strconv.ParseInt(t, 10, 32); err != nil || h.Tolerance < 0 || h.Tolerance > maxTolerance {
			return h, fmt.Errorf("tolerance %q is not a number of frames from 0 to %d", clip(t), maxTolerance)
		}
	}
	for _, wish := range []struct {
		column string
		to     *int
	}{{"bar", &h.Bar}, {"beat", &h.Beat}} {
		if v := fields[wish.column]; v != "" {
			if *wish.to, err = strconv.Atoi(v); err != nil || *wish.to < 0 || *wish.to > maxBar {
				return h, fmt.Errorf("%s %q is not a number from 1", wish.column, clip(v))
			}
		}
	}
	return h, nil
}

// MergeHits adds hits to a list: in order of frame, one a frame, the added
// one winning.
func MergeHits(list, added []tempo.Hit) []tempo.Hit {
	byFrame := make(map[int64]tempo.Hit, len(list)+len(added))
	for _, h := range append(append([]tempo.Hit{}, list...), added...) {
		byFrame[h.Frame] = h
	}
	out := make([]tempo.Hit, 0, len(byFrame))
	for _, h := range byFrame {
		out = append(out, h)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Frame < out[j].Frame })
	return out
}
