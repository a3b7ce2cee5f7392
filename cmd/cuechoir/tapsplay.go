package main

import (
	"bufio"
	"errors"
	"io"

	"cuechoir/engine/job"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) tapsPlayCmd() *cobra.Command {
	var df deviceFlags
	var span string
	var volumeDB float64
	c := &cobra.Command{
		Use:   "play [SPAN]",
		Short: "Tap along: the reference plays, Enter is a tap",
		Long: `Plays the reference's sound, all of it or a SPAN (a shot or FROM..TO, the second
left out). Press Enter on each beat; Ctrl-C ends it, and what was tapped is kept,
beside the taps that are there. A hand or an output that is always late does no
harm: that is taken off when the taps are mended.

Start with the volume low. Stop when it hurts.`,
		Example: "  cuechoir taps play\n  cuechoir taps play 01:00:10:00..01:00:30:00 --volume -12",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if len(given) > 0 {
				span = given[0]
			}
			if err := checkVolume(volumeDB); err != nil {
				return err
			}
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			if s.Reference.Sound == "" {
				return fault.New(fault.NotMet, "the reference has no sound to tap along with")
			}
			stretch, what, err := (&stretchFlags{span: span}).of(s)
			if err != nil {
				return err
			}
			dev, err := a.openOutput(&df, s.SampleRate)
			if err != nil {
				return err
			}
			defer dev.Close()
			a.note("Enter on each beat of %s; Ctrl-C ends it", what)
			o := job.PlayOptions{Stretch: stretch, NoClick: true, MonitorGainDB: volumeDB, Hear: job.Hear{Reference: true, ReferenceDB: job.HearDB}}
			taps, err := job.TapAlong(c.Context(), f, dev, o, enters(a.in), func(n int, at int64) {
				a.note("%d  %s", n, s.Reference.Rate.Timecode(s.Reference.Start+max(0, s.Reference.Rate.FrameOf(at, s.SampleRate))))
			})
			if err != nil {
				return err
			}
			return a.printTapped(taps)
		},
	}
	df.registerOutput(c)
	c.Flags().Float64Var(&volumeDB, "volume", -6, "in dB, at most 0; start low")
	return c
}

func (a *app) printTapped(taps []int64) error {
	if done, err := a.printJSON(tapsRow{Taps: append([]int64{}, taps...), Notes: []tapNoteRow{}}); done {
		return err
	}
	if len(taps) == 0 {
		a.say("nothing was tapped")
		return nil
	}
	a.say("%d taps added. %s", len(taps), tapsNext)
	return nil
}

// enters gives a stroke for each line that comes in, until there are no more.
func enters(in io.Reader) <-chan struct{} {
	out := make(chan struct{})
	go func() {
		defer close(out)
		r := bufio.NewReader(in)
		for {
			_, err := r.ReadSlice('\n')
			switch {
			case errors.Is(err, bufio.ErrBufferFull):
				continue // a long line is one stroke, at its end
			case err != nil:
				return
			}
			out <- struct{}{}
		}
	}()
	return out
}
