package job

import (
	"encoding/csv"
	"io"
	"strconv"

	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
)

// ClickLine is a click as tables and JSON print it.
type ClickLine struct {
	Bar      int    `json:"bar"`
	Beat     int    `json:"beat"`
	Part     int    `json:"part"`     // 0 on the beat, 1 and up after it
	Frame    int64  `json:"frame"`    // the frame that sounds then
	Sample   int64  `json:"sample"`   // exact, from the start of frame 0
	Timecode string `json:"timecode"` // of the frame
	Accent   bool   `json:"accent"`
	Kind     string `json:"kind"` // beat, part, count-in or free
}

func clickLines(s *score.Score, clicks []tempo.Click) []ClickLine {
	out := make([]ClickLine, 0, len(clicks))
	for _, c := range clicks {
		frame := s.Reference.Rate.FrameOf(c.Sample, s.SampleRate)
		kind := "beat"
		switch {
		case c.Free:
			kind = "free"
		case c.CountIn:
			kind = "count-in"
		case c.Part > 0:
			kind = "part"
		}
		out = append(out, ClickLine{c.Bar, c.Beat, c.Part, frame, c.Sample, s.Reference.Rate.Timecode(s.Reference.Start + frame), c.Accent, kind})
	}
	return out
}

// writeClickTable writes the schedule as CSV, one click a line.
func writeClickTable(w io.Writer, lines []ClickLine) error {
	c := csv.NewWriter(w)
	if err := c.Write([]string{"bar", "beat", "part", "frame", "sample", "timecode", "accent", "kind"}); err != nil {
		return err
	}
	for _, l := range lines {
		accent := "0"
		if l.Accent {
			accent = "1"
		}
		err := c.Write([]string{strconv.Itoa(l.Bar), strconv.Itoa(l.Beat), strconv.Itoa(l.Part), strconv.FormatInt(l.Frame, 10),
			strconv.FormatInt(l.Sample, 10), l.Timecode, accent, l.Kind})
		if err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}
