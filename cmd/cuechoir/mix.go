package main

import (
	"strconv"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

const mixHelp = `Each layer is a strip: trim, high-pass, equaliser of four bands, gate, de-ess,
compressor, saturation, fader, sends, pan. Strips of a group meet in it; it has
the same processors and a fader. Room and echo are shared by all who send to them.
The master lies over the sum; what bounce writes as stems lies before it.

A processor is set by what differs from the usual, each number with its unit:
    cuechoir mix set bass --compressor "threshold_db=-20 ratio=4"
and taken away by off. Without a setting a strip changes nothing. Pan is of
constant power: -3 dB in both channels at the middle.

Mix at a low level, and rest your ears.`

func (a *app) mixCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "mix",
		Short:   "Show and set the mix: strips, groups, sends, faders, master",
		Long:    mixHelp,
		Example: "  cuechoir mix\n  cuechoir mix set bass --high-pass hz=60 --compressor \"threshold_db=-20 ratio=4\"\n  cuechoir mix send alto room -12",
		Args:    args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			return a.printMix(s)
		},
	}
	c.AddCommand(a.mixSetCmd(), a.mixGroupCmd(), a.mixSendCmd(), a.mixAutomateCmd(), a.mixRoomCmd(), a.mixEchoCmd(), a.mixRideCmd(), a.mixMasterCmd())
	return c
}

// editMix opens the score, has change edit it, and prints the mix.
func (a *app) editMix(change func(f *score.Folder, s *score.Score) (*score.Score, error)) error {
	f, s, err := a.load()
	if err != nil {
		return err
	}
	defer f.Close()
	if s, err = change(f, s); err != nil {
		return err
	}
	return a.printMix(s)
}

// chainUses say what each processor is, beside its settings.
var chainUses = map[string]string{
	"trim": "level before all else: db", "high-pass": "takes away what is low: hz", "eq-low": "shelf: hz db q",
	"eq-low-mid": "bell: hz db q", "eq-high-mid": "bell: hz db q", "eq-high": "shelf: hz db q",
	"gate":       "lowers what is soft: threshold_db range_db attack_ms hold_ms release_ms",
	"de-ess":     "lowers hissing consonants: threshold_db hz range_db",
	"compressor": "lowers what is loud: threshold_db ratio knee_db attack_ms release_ms makeup_db",
	"saturation": "rounds peaks: drive_db",
}

// chainFlags registers a flag a processor and gives what was said as lines.
func chainFlags(c *cobra.Command) (lines func() []string) {
	names := mix.ChainNames()
	said := make([]string, len(names))
	for i, name := range names {
		c.Flags().StringVar(&said[i], name, "", chainUses[name]+"; or off")
	}
	return func() []string {
		var out []string
		for i, name := range names {
			if c.Flags().Changed(name) {
				out = append(out, name+" "+said[i])
			}
		}
		return out
	}
}

func nothingSaid(c *cobra.Command) error {
	return fault.New(fault.Usage, "nothing to change was named").Mended("see: %s --help", c.CommandPath())
}

func (a *app) mixSetCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "set LAYER",
		Short:   "Set the processors of a layer's strip",
		Long:    "A processor that is named is set as it is said; the others stay. Fader, pan and\ngroup are set by: cuechoir layer set.",
		Example: "  cuechoir mix set bass --high-pass hz=60 --eq-low \"hz=110 db=3\"\n  cuechoir mix set bass --compressor off",
		Args:    args(cobra.ExactArgs(1)),
	}
	lines := chainFlags(c)
	c.RunE = func(c *cobra.Command, given []string) error {
		if len(lines()) == 0 {
			return nothingSaid(c)
		}
		return a.editMix(func(f *score.Folder, _ *score.Score) (*score.Score, error) { return job.SetStrip(f, given[0], lines()) })
	}
	return c
}

func (a *app) mixGroupCmd() *cobra.Command {
	var w job.GroupWish
	var gain float64
	var mute bool
	c := &cobra.Command{
		Use:     "group NAME",
		Short:   "Set the processors and the fader of a group",
		Example: "  cuechoir mix group brass --gain -2 --compressor \"threshold_db=-18 ratio=2\"\n  cuechoir mix group brass --mute\n  cuechoir mix group brass --plain",
		Args:    args(cobra.ExactArgs(1)),
	}
	lines := chainFlags(c)
	c.Flags().Float64Var(&gain, "gain", 0, "fader in dB, -120 to 24")
	c.Flags().BoolVar(&mute, "mute", false, "leave the group out of the mix")
	c.Flags().BoolVar(&w.Plain, "plain", false, "first take away all that was set")
	c.RunE = func(c *cobra.Command, given []string) error {
		w.Lines = lines()
		if c.Flags().Changed("gain") {
			w.GainDB = &gain
		}
		if c.Flags().Changed("mute") {
			w.Mute = &mute
		}
		if len(w.Lines) == 0 && w.GainDB == nil && w.Mute == nil && !w.Plain {
			return nothingSaid(c)
		}
		return a.editMix(func(f *score.Folder, _ *score.Score) (*score.Score, error) { return job.SetGroup(f, given[0], w) })
	}
	return c
}

// splitLate parts positional words, which may begin with a dash, from flags
// behind them.
func splitLate(given []string) (words, flags []string) {
	for i, w := range given {
		if strings.HasPrefix(w, "--") {
			return given[:i], given[i:]
		}
	}
	return given, nil
}

func (a *app) mixSendCmd() *cobra.Command {
	var group bool
	c := &cobra.Command{
		Use:     "send LAYER room|echo DB|off",
		Short:   "Send a layer or a group to the room or the echo",
		Long:    "A layer's send is taken behind its fader and goes with its group's fader. With\n--group, before the name, a group is sent as a whole, behind its own processors\nand fader, beside what its layers send.",
		Example: "  cuechoir mix send alto room -12\n  cuechoir mix send --group brass room -9\n  cuechoir mix send alto echo off",
		Args:    args(cobra.MinimumNArgs(3)),
		RunE: func(c *cobra.Command, given []string) error {
			if err := a.lateFlags(c, given[3:]); err != nil {
				return err
			}
			var db *float64
			if given[2] != "off" {
				x, err := parseDB(given[2])
				if err != nil {
					return err
				}
				db = &x
			}
			return a.editMix(func(f *score.Folder, _ *score.Score) (*score.Score, error) {
				if group {
					return job.SetGroupSend(f, given[0], mix.Bus(given[1]), db)
				}
				return job.SetSend(f, given[0], mix.Bus(given[1]), db)
			})
		},
	}
	c.Flags().BoolVar(&group, "group", false, "the send of a group")
	c.Flags().SetInterspersed(false) // -12 is a level, not a flag
	return c
}

func parseDB(text string) (float64, error) {
	x, err := strconv.ParseFloat(strings.TrimSuffix(text, "dB"), 64)
	if err != nil || !(x >= mix.OffDB && x <= 24) {
		return 0, fault.New(fault.Usage, "%q is not a level in dB from %d to 24", text, mix.OffDB)
	}
	return x, nil
}

func (a *app) mixAutomateCmd() *cobra.Command {
	var w job.AutomateWish
	var remove, jump bool
	c := &cobra.Command{
		Use:   "automate LAYER PLACE DB ...",
		Short: "Have a fader move: so many dB at a beat, a frame or a sample",
		Long: `A place is a beat (12 or 12.3), a time code (01:00:10:00), a frame (frame:240),
seconds (10.5s) or a sample (sample:480480). There the fader is, to the sample, so
many dB above or below where it stands; from one to the next it moves in a straight
line of dB, without steps. With --jump it waits and moves in the last 20 ms before
the place (--glide: in another time). What --json prints of a fader that was ridden
comes back to the letter by --replace and sample: places.`,
		Example: "  cuechoir mix automate alto 12 0 14 -6 16.3 0\n  cuechoir mix automate alto 20 -120 --jump\n  cuechoir mix automate --group brass 8 -3\n  cuechoir mix automate --replace alto sample:0 0 sample:48000 -4.5\n  cuechoir mix automate alto --clear",
		Args:    args(cobra.MinimumNArgs(1)),
	}
	f := c.Flags()
	f.BoolVar(&w.Group, "group", false, "the fader of a group")
	f.BoolVar(&jump, "jump", false, "wait, then move just before the beat")
	f.Float64Var(&w.GlideMilliseconds, "glide", 0, "wait, then move in so many ms before the beat")
	f.BoolVar(&w.Replace, "replace", false, "in the place of all moves that are there")
	f.BoolVar(&remove, "clear", false, "the fader stands still again")
	f.SetInterspersed(false) // -6 is a level, not a flag
	c.RunE = func(c *cobra.Command, given []string) error {
		words, flags := splitLate(given[1:])
		if err := a.lateFlags(c, flags); err != nil {
			return err
		}
		if jump && w.GlideMilliseconds == 0 {
			w.GlideMilliseconds = job.DefaultGlideMilliseconds
		}
		w.Name = given[0]
		if remove == (len(words) > 0) || len(words)%2 != 0 {
			return fault.New(fault.Usage, "say places and levels in turn, or --clear").Mended("see: %s --help", c.CommandPath())
		}
		return a.editMix(func(f *score.Folder, s *score.Score) (*score.Score, error) {
			for i := 0; i < len(words); i += 2 {
				m, err := faderMove(s, words[i], words[i+1])
				if err != nil {
					return nil, err
				}
				w.Moves = append(w.Moves, m)
			}
			return job.Automate(f, w)
		})
	}
	return c
}

// faderMove reads a place and a level.
func faderMove(s *score.Score, place, level string) (m job.FaderMove, err error) {
	if m.DB, err = parseDB(level); err != nil {
		return m, err
	}
	if number, ok := strings.CutPrefix(place, "sample:"); ok {
		at, err := strconv.ParseInt(number, 10, 64)
		if err != nil {
			return m, fault.New(fault.Usage, "%q is not a sample", place).Mended("give its number, such as sample:480480")
		}
		m.Sample = &at
		return m, nil
	}
	position, framed := strings.CutPrefix(place, "frame:")
	if framed || strings.ContainsAny(place, ":;s") {
		frame, err := frameOf(s, position)
		if err != nil {
			return m, err
		}
		at := s.Reference.Rate.SampleOf(frame, s.SampleRate)
		m.Sample = &at
		return m, nil
	}
	m.Bar, m.Beat, err = barBeat(place)
	return m, err
}
