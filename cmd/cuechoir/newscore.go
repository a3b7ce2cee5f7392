package main

import (
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) newCmd() *cobra.Command {
	var o job.NewOptions
	var rate string
	c := &cobra.Command{
		Use:   "new FOLDER --reference FILE",
		Short: "Make a score from a reference: its length, rate, sound and cuts",
		Long: `The reference is a video, or a sound file. The score takes its length and frame
rate, its sound (to reference/) and its cuts. A video is read by a native
ffmpeg when there is one, else by the decoder built in; the first time, that
one is prepared, which takes some seconds.`,
		Example: "  cuechoir new harbour --reference trailer.mp4\n  cuechoir new harbour --reference trailer.mov --start 01:00:00:00\n  cuechoir new song --reference guide.wav --rate 25",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if o.Reference == "" {
				return fault.New(fault.Usage, "no reference given").Mended("name one: cuechoir new %s --reference FILE", given[0])
			}
			if rate != "" {
				r, err := timecode.ParseRate(rate)
				if err != nil {
					return fault.New(fault.Usage, "--rate").Because(err)
				}
				o.Rate = &r
			}
			o.Progress = a.progress.show
			res, err := job.New(c.Context(), given[0], o)
			if err != nil {
				return err
			}
			return a.printNew(given[0], res)
		},
	}
	f := c.Flags()
	f.StringVar(&o.Reference, "reference", "", "the video or sound file that the music must fit")
	f.StringVar(&rate, "rate", "", "frames a second of a sound file (24, 23.976, 29.97df, 30000/1001, ...), or df counting for a video")
	f.StringVar(&o.Start, "start", "", "time code of the first frame (default: the file's own, else 00:00:00:00)")
	f.StringVar(&o.Title, "title", "", "the score's title (default: the folder's name)")
	f.IntVar(&o.SampleRate, "sample-rate", 0, "44100, 48000 or 96000 (default 48000)")
	decoderFlag(c, &o.Engine)
	return c
}

func (a *app) printNew(dir string, res job.NewResult) error {
	s := res.Score
	ref := s.Reference
	kinds := map[string]int{}
	for _, c := range s.Cuts {
		kinds[string(c.Kind)]++
	}
	done, err := a.printJSON(map[string]any{
		"folder": dir, "title": s.Title, "sample_rate": s.SampleRate, "rate": ref.Rate.String(), "frames": ref.Frames,
		"samples": s.Length(), "start": ref.Rate.Timecode(ref.Start), "sound": ref.Sound, "cuts": len(s.Cuts), "cut_kinds": kinds,
		"notes": append([]string{}, res.Notes...),
	})
	if done {
		return err
	}
	for _, n := range res.Notes {
		a.note("%s", n)
	}
	a.say("%s: %d frames at %s (%s to %s), %d samples at %d Hz", dir, ref.Frames, ref.Rate,
		ref.Rate.Timecode(ref.Start), ref.Rate.Timecode(ref.Start+ref.Frames), s.Length(), s.SampleRate)
	a.say("%s. Next: cuechoir --score %s hits add POSITION --must", cutWords(kinds, len(s.Cuts)), dir)
	return nil
}

func cutWords(kinds map[string]int, total int) string {
	if total == 0 {
		return "No cuts found"
	}
	out := fmt.Sprintf("%d cuts found", total)
	for _, k := range []string{"dissolve", "fade-out", "fade-in"} {
		if kinds[k] > 0 {
			out += fmt.Sprintf(", %d of them %s", kinds[k], k)
		}
	}
	return out
}
