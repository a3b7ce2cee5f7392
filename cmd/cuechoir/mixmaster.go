package main

import (
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/score"

	"github.com/spf13/cobra"
)

func (a *app) mixRoomCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "room SETTING...|off",
		Short: "Set the room that layers send to",
		Long: `Settings: seconds (how long it rings, 0.2 to 12, usually 1.8), high_ratio (the
same for high sounds, as a share), pre_delay_ms, size (0.5 to 2), return_db. With
off all is as usual; a room is silent while nobody sends to it.`,
		Example: "  cuechoir mix room seconds=2.5 pre_delay_ms=20\n  cuechoir mix room off",
		Args:    args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			line := strings.Join(given, " ")
			return a.editMix(func(f *score.Folder, _ *score.Score) (*score.Score, error) {
				return job.SetMaster(f, job.MasterWish{Room: &line})
			})
		},
	}
}

func (a *app) mixEchoCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "echo SETTING...|off",
		Short:   "Set the echo that layers send to",
		Long:    "Settings: ms (1 to 4000, usually 350), feedback_db (each echo against the one\nbefore, usually -9), low_pass_hz, return_db. With off all is as usual.",
		Example: "  cuechoir mix echo ms=420 feedback_db=-12\n  cuechoir mix echo off",
		Args:    args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			line := strings.Join(given, " ")
			return a.editMix(func(f *score.Folder, _ *score.Score) (*score.Score, error) {
				return job.SetMaster(f, job.MasterWish{Echo: &line})
			})
		},
	}
}

func (a *app) mixMasterCmd() *cobra.Command {
	var limit bool
	var colour []string
	c := &cobra.Command{
		Use:   "master",
		Short: "Set what lies over the whole sum",
		Long: `The processors of a strip, in stereo. With --limit peaks above the true-peak
ceiling are lowered by themselves when the stem is bounced; without it the whole
mix is lowered. With --colour the whole mix goes through a colour before its
loudness is set: old-optical, or lines of your own, or none.`,
		Example: "  cuechoir mix master --compressor \"threshold_db=-16 ratio=1.5 attack_ms=30\"\n  cuechoir mix master --limit\n  cuechoir mix master --colour old-optical\n  cuechoir mix master --colour \"optical 35 % seed 2\"",
		Args:    args(cobra.NoArgs),
	}
	lines := chainFlags(c)
	c.Flags().BoolVar(&limit, "limit", false, "lower peaks by themselves")
	c.Flags().StringArrayVar(&colour, "colour", nil, "a colour by its name, or a line of one; more than once for more lines; none takes it off")
	c.RunE = func(c *cobra.Command, _ []string) error {
		w := job.MasterWish{Lines: lines()}
		if c.Flags().Changed("limit") {
			w.Limit = &limit
		}
		if c.Flags().Changed("colour") {
			lines, err := colourLines(colour)
			if err != nil {
				return err
			}
			w.Colour = &lines
		}
		if len(w.Lines) == 0 && w.Limit == nil && w.Colour == nil {
			return nothingSaid(c)
		}
		return a.editMix(func(f *score.Folder, _ *score.Score) (*score.Score, error) { return job.SetMaster(f, w) })
	}
	return c
}

func (a *app) mixRideCmd() *cobra.Command {
	var w job.RideWish
	var bars []string
	var off bool
	c := &cobra.Command{
		Use:   "ride LAYER [SETTING...]",
		Short: "Have the music duck under a layer that speaks",
		Long: `All but the layer and its group is lowered while the layer speaks: where it is
heard, or in bars that you name. Settings: depth_db (usually 9), threshold_db
(-40), attack_ms (60), hold_ms (350), release_ms (500).`,
		Example: "  cuechoir mix ride speaker depth_db=12\n  cuechoir mix ride speaker --bars 3-4 --bars 9\n  cuechoir mix ride --off",
		Args:    args(cobra.ArbitraryArgs),
	}
	c.Flags().StringArrayVar(&bars, "bars", nil, "bars in which it speaks, such as 3-4; more than once for more")
	c.Flags().BoolVar(&w.Detect, "detect", false, "forget the bars and listen for it")
	c.Flags().BoolVar(&off, "off", false, "no ride any more")
	c.RunE = func(c *cobra.Command, given []string) error {
		if off != (len(given) == 0) {
			return nothingSaid(c)
		}
		if !off {
			w.Voice, w.Settings = given[0], strings.Join(given[1:], " ")
		}
		return a.editMix(func(f *score.Folder, s *score.Score) (*score.Score, error) {
			for _, b := range bars {
				x, _, err := (&stretchFlags{bars: b}).of(s)
				if err != nil {
					return nil, err
				}
				w.Marks = append(w.Marks, x)
			}
			return job.SetRide(f, w)
		})
	}
	return c
}
