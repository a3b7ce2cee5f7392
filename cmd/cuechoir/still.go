package main

import (
	"bytes"
	"io"
	"os"

	"cuechoir/engine/job"
	"cuechoir/engine/raster"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// The box of a still when no width is given: a terminal of 80 by 24, with a
// line left for what comes after.
const (
	stillColumns = 80
	stillRows    = 23
)

func (a *app) stillCmd() *cobra.Command {
	var width int
	var out string
	var o job.StillsOptions
	c := &cobra.Command{
		Use:   "still POSITION",
		Short: "Show a frame of the reference, small and grey",
		Long: `Draws the frame in the terminal: in half blocks where it has greys, else (in a
file or pipe, or with NO_COLOR set) in characters, more ink being brighter,
with its contrast raised.
The stills of all frames are made with the score. When they are not there, or
are of another file, they are made anew from the reference's video, which is
looked for in the score's folder and beside it.`,
		Example: "  cuechoir still 240\n  cuechoir still 01:00:10:00 --width 120\n  cuechoir still 10.5s --out door.png\n  cuechoir still 0 --reference ~/films/trailer.mp4",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if c.Flags().Changed("width") && width < 1 {
				return fault.New(fault.Usage, "--width %d", width).Mended("give the columns, 1 or more")
			}
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			frame, err := s.Axis().Parse(given[0], "")
			if err != nil {
				return fault.New(fault.Usage, "").Because(err)
			}
			o.Progress = a.progress.show
			stills, err := job.Stills(c.Context(), f, o)
			if err != nil {
				return err
			}
			defer stills.Close()
			if stills.Note != "" {
				a.note("the stills were made anew: %s", stills.Note)
			}
			if out == "" && !a.json {
				return a.drawStill(stills, frame, width)
			}
			p, err := stills.Picture(frame, width)
			if err != nil {
				return err
			}
			return a.giveStill(s, frame, p, out)
		},
	}
	f := c.Flags()
	f.IntVar(&width, "width", 0, "columns of the terminal, or points of the PNG (default: what fits 80 by 24, or the still's own size)")
	f.StringVar(&out, "out", "", "write a PNG to this new file")
	f.StringVar(&o.Video, "reference", "", "the video that the score was made from, when its stills must be made anew")
	decoderFlag(c, &o.Engine)
	return c
}

// drawStill draws in the terminal.
func (a *app) drawStill(stills *job.StillsFile, frame int64, width int) error {
	columns, rows := stillColumns, stillRows
	if width > 0 {
		columns, rows = width, 0
	}
	text, err := stills.Draw(frame, columns, rows, a.depth())
	if err != nil {
		return err
	}
	a.progress.clear()
	_, err = io.WriteString(a.out, text)
	return err
}

// depth is how many greys the standard output shows.
func (a *app) depth() raster.Depth {
	if !isTerminal(a.out) {
		return raster.Plain
	}
	return raster.DepthOf(os.Getenv)
}

// giveStill writes a PNG, or prints the still as JSON.
func (a *app) giveStill(s *score.Score, frame int64, p job.StillPicture, path string) error {
	ref := s.Reference
	data := map[string]any{
		"frame": frame, "timecode": ref.Rate.Timecode(ref.Start + frame), "sample": ref.Rate.SampleOf(frame, s.SampleRate),
		"width": p.W, "height": p.H,
	}
	if path == "" {
		data["pixels"] = p.Pix // as base64: rows from the top, a byte a point
	} else {
		var b bytes.Buffer
		if err := raster.PNG(&b, p.Pix, p.W, p.H); err != nil {
			return err
		}
		if err := writeNew(path, b.String()); err != nil {
			return err
		}
		data["path"] = path
	}
	if done, err := a.printJSON(data); done {
		return err
	}
	a.say("%s: frame %d, %d by %d points", path, frame, p.W, p.H)
	return nil
}
