package main

import (
	"fmt"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// editCuts changes the cuts and prints them.
func (a *app) editCuts(change func(*score.Score) (label string, err error)) error {
	s, err := a.editAs(change)
	if err != nil {
		return err
	}
	return a.printCuts(s)
}

func (a *app) cutsAddCmd() *cobra.Command {
	var kind, end, name string
	c := &cobra.Command{
		Use:     "add POSITION...",
		Short:   "Add cuts, or put others in the place of those that stand there",
		Example: "  cuechoir cuts add 240\n  cuechoir cuts add 01:00:20:00 --kind dissolve --end 01:00:21:00",
		Args:    args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			return a.editCuts(func(s *score.Score) (string, error) {
				for _, p := range given {
					cut, err := cutAt(s, p, kind, end, name)
					if err != nil {
						return "", err
					}
					if err := s.AddCut(cut); err != nil {
						return "", err
					}
				}
				return score.CountLabel(len(given), "cut", "added or changed"), nil
			})
		},
	}
	c.Flags().StringVar(&kind, "kind", "cut", "cut, dissolve, wipe, fade-out or fade-in")
	c.Flags().StringVar(&end, "end", "", "the first frame that is whole again (for all but a hard cut)")
	c.Flags().StringVar(&name, "name", "", "a name for the shot that begins there")
	return c
}

func cutAt(s *score.Score, position, kind, end, name string) (cutlist.Cut, error) {
	frame, err := frameOf(s, position)
	if err != nil {
		return cutlist.Cut{}, err
	}
	cut := cutlist.Cut{Frame: frame, End: frame, Kind: cutlist.Kind(kind), Confidence: 1, Name: name}
	if end != "" {
		cut.End, err = endOf(s.Axis(), end)
	}
	return cut, err
}

func (a *app) cutsMoveCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "move FROM TO",
		Short: "Move a cut to another frame",
		Long: `A cut stays between its neighbours; a dissolve, wipe or fade keeps its length. A
hit on the cut goes with it.`,
		Example: "  cuechoir cuts move 240 242",
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, given []string) error {
			var to int64
			var hit bool
			err := a.editCuts(func(s *score.Score) (string, error) {
				from, err := frameOf(s, given[0])
				if err != nil {
					return "", err
				}
				if to, err = frameOf(s, given[1]); err != nil {
					return "", err
				}
				hit, err = s.MoveCut(from, to)
				hit = hit && err == nil
				return fmt.Sprintf("cut moved from %d to %d", from, to), err
			})
			if err == nil && hit {
				a.note("the hit on the cut went with it to frame %d; a map that was solved does not know it yet: cuechoir map", to)
			}
			return err
		},
	}
}

func (a *app) cutsSplitCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "split POSITION",
		Short:   "Make a hard cut inside a shot; the position is the new shot's first frame",
		Example: "  cuechoir cuts split 240",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			return a.editCuts(func(s *score.Score) (string, error) {
				frame, err := frameOf(s, given[0])
				if err != nil {
					return "", err
				}
				return fmt.Sprintf("shot split at %d", frame), s.SplitShot(frame)
			})
		},
	}
}

func (a *app) cutsJoinCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "join SHOT",
		Short: "Join a shot to the one before it",
		Long: `Whatever changes the picture between the two goes: a cut, a dissolve, or a
fade-out with its fade-in. The shot is named as s3, or by a position inside it.
Hits stay.`,
		Example: "  cuechoir cuts join s3\n  cuechoir cuts join 240",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			return a.editCuts(func(s *score.Score) (string, error) {
				x, err := s.Shot(given[0])
				if err != nil {
					return "", err
				}
				_, err = s.JoinShot(x)
				return fmt.Sprintf("shot %s joined to the one before it", x.Word()), err
			})
		},
	}
}

func (a *app) cutsRemoveCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "remove POSITION...",
		Short:   "Remove cuts; the hits on them stay",
		Example: "  cuechoir cuts remove 240",
		Args:    args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			return a.editCuts(func(s *score.Score) (string, error) {
				for _, p := range given {
					frame, err := frameOf(s, p)
					if err != nil {
						return "", err
					}
					if err := s.RemoveCut(frame); err != nil {
						return "", err
					}
				}
				return score.CountLabel(len(given), "cut", "removed"), nil
			})
		},
	}
}

func (a *app) cutsNameCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "name SHOT WORDS",
		Short:   "Name a shot: s3, or a position inside it; no words take the name away",
		Example: "  cuechoir cuts name s1 \"the harbour at night\"\n  cuechoir cuts name 240 \"the door\"",
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, given []string) error {
			return a.editCuts(func(s *score.Score) (string, error) {
				x, err := s.Shot(given[0])
				if err != nil {
					return "", err
				}
				return fmt.Sprintf("shot %s named %q", x.Word(), given[1]), s.NameShot(x, given[1])
			})
		},
	}
}

func (a *app) cutsKindCmd() *cobra.Command {
	var end string
	c := &cobra.Command{
		Use:     "kind POSITION KIND",
		Short:   "Make a cut one of another kind: cut, dissolve, wipe, fade-out, fade-in",
		Example: "  cuechoir cuts kind 240 dissolve --end 252\n  cuechoir cuts kind 240 cut",
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, given []string) error {
			return a.editCuts(func(s *score.Score) (string, error) { return changeCut(s, given[0], given[1], end) })
		},
	}
	c.Flags().StringVar(&end, "end", "", "the first frame that is whole again (default: as it is)")
	return c
}

func (a *app) cutsEndCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "end POSITION END",
		Short:   "Set where a dissolve, wipe or fade ends: the first frame that is whole again",
		Example: "  cuechoir cuts end 240 252",
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, given []string) error {
			return a.editCuts(func(s *score.Score) (string, error) { return changeCut(s, given[0], "", given[1]) })
		},
	}
}

// changeCut gives a cut a kind ("": as it is) and an end ("": as it is).
func changeCut(s *score.Score, position, kind, end string) (label string, err error) {
	frame, err := frameOf(s, position)
	if err != nil {
		return "", err
	}
	var until int64
	if end != "" {
		if until, err = endOf(s.Axis(), end); err != nil {
			return "", err
		}
		if until <= frame {
			return "", fault.New(fault.Usage, "frame %d is not after frame %d", until, frame).Mended("give the first frame that is whole again")
		}
	}
	if kind == "" {
		c, _ := s.Cut(frame)
		return fmt.Sprintf("end of the %s at %d set to %d", c.Kind, frame, until), s.ChangeCut(frame, c.Kind, until)
	}
	return fmt.Sprintf("cut at %d made a %s", frame, kind), s.ChangeCut(frame, cutlist.Kind(kind), until)
}
