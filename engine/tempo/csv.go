package tempo

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"

	"cuechoir/internal/fault"
)

// BarColumns are the columns of WriteBars. frame is the exact position, a
// whole number or n/d; sample is it rounded once; timecode is that of the
// frame that is on screen then.
var BarColumns = []string{"bar", "metre", "frame", "sample", "timecode", "bpm"}

// WriteBars writes the bars of a grid as a table, one a line after a header.
// startFrame is the time code of frame 0 as a frame count from 00:00:00:00.
func (g *Grid) WriteBars(w io.Writer, sampleRate int, startFrame int64) error {
	c := csv.NewWriter(w)
	if err := c.Write(BarColumns); err != nil {
		return fault.New(fault.Unexpected, "writing the table of bars").Because(err)
	}
	for _, b := range g.Bars(sampleRate) {
		row := []string{strconv.Itoa(b.Number), b.Metre.String(), b.Frame.String(), strconv.FormatInt(b.Sample, 10),
			g.rate.Timecode(startFrame + b.Frame.Floor()), fmt.Sprintf("%.4f", b.BPM)}
		if err := c.Write(row); err != nil {
			return fault.New(fault.Unexpected, "writing the table of bars").Because(err)
		}
	}
	c.Flush()
	return c.Error()
}
