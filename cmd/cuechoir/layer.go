package main

import (
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) layerCmd() *cobra.Command {
	c := &cobra.Command{
		Use:     "layer",
		Aliases: []string{"layers"},
		Short:   "Add, change, list, remove the lines that are sung",
		Long:    "A layer is one line as sung: its part (the notes), its takes, its place in the mix.",
		Example: "  cuechoir layer add brass-1 --part score.mid --track 2 --group brass\n  cuechoir layer list",
		Args:    args(cobra.NoArgs),
		RunE:    func(*cobra.Command, []string) error { return a.listLayers() },
	}
	list := &cobra.Command{Use: "list", Short: "List the layers", Example: "  cuechoir layer list --json", Args: args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error { return a.listLayers() }}
	c.AddCommand(a.layerAddCmd(), a.layerSetCmd(), list, a.layerRemoveCmd())
	return c
}

// layerFlags are a layer's properties on the command line.
type layerFlags struct {
	partFile, line, group string
	track                 int
	gainDB, pan           float64
	mute                  bool
}

func (lf *layerFlags) register(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&lf.partFile, "part", "", "its notes, from a Standard MIDI File")
	f.IntVar(&lf.track, "track", 0, "which track of the file, from 1 (default: the only one with notes)")
	f.StringVar(&lf.line, "line", "", "of chords take the top or the bottom note")
	f.StringVar(&lf.group, "group", "", "the bus it shares, such as brass")
	f.Float64Var(&lf.gainDB, "gain", 0, "fader in dB, -120 to 24")
	f.Float64Var(&lf.pan, "pan", 0, "-1 left to 1 right")
	f.BoolVar(&lf.mute, "mute", false, "leave it out of the mix")
}

// apply sets what was given; notes says what was mended in the part.
func (lf *layerFlags) apply(c *cobra.Command, l *score.Layer) (notes []string, err error) {
	changed := c.Flags().Changed
	if changed("part") {
		var p part.Part
		if p, notes, err = job.ReadPart(lf.partFile, part.ReadOptions{Track: lf.track, Line: part.Line(lf.line)}); err != nil {
			return nil, err
		}
		l.Notes = p.Notes
	} else if changed("track") || changed("line") {
		return nil, fault.New(fault.Usage, "--track and --line go with --part")
	}
	if changed("group") {
		l.Group = lf.group
	}
	if changed("gain") {
		l.GainDB = lf.gainDB
	}
	if changed("pan") {
		l.Pan = lf.pan
	}
	if changed("mute") {
		l.Mute = lf.mute
	}
	return notes, nil
}

func (a *app) layerAddCmd() *cobra.Command {
	var lf layerFlags
	c := &cobra.Command{
		Use:   "add NAME",
		Short: "Add a layer",
		Long: `The part's ticks are musical time: tick 0 falls on bar 1 beat 1 of the map, and
the map's tempo counts, not the file's. A layer without a part can be sung too;
it is then checked against the nearest notes of the scale.`,
		Example: "  cuechoir layer add bass --part score.mid --track 3 --group choir --gain -3 --pan -0.2",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			return a.editLayer(c, given[0], "added", &lf, func(s *score.Score) (*score.Layer, error) {
				if s.Layer(given[0]) != nil {
					return nil, fault.New(fault.Conflict, "there is a layer %q already", given[0]).Mended("change it with: cuechoir layer set %s", given[0])
				}
				if err := score.CheckName(given[0]); err != nil {
					return nil, fault.New(fault.Usage, "").Because(err)
				}
				s.Layers = append(s.Layers, score.Layer{Name: given[0]})
				return &s.Layers[len(s.Layers)-1], nil
			})
		},
	}
	lf.register(c)
	return c
}

func (a *app) layerSetCmd() *cobra.Command {
	var lf layerFlags
	c := &cobra.Command{
		Use:     "set NAME",
		Short:   "Change a layer",
		Example: "  cuechoir layer set bass --gain -6\n  cuechoir layer set bass --mute=false",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			return a.editLayer(c, given[0], "changed", &lf, func(s *score.Score) (*score.Layer, error) { return job.Layer(s, given[0]) })
		},
	}
	lf.register(c)
	return c
}

func (a *app) editLayer(c *cobra.Command, name, done string, lf *layerFlags, find func(*score.Score) (*score.Layer, error)) error {
	var notes []string
	s, err := a.edit("layer "+name+" "+done, func(s *score.Score) error {
		l, err := find(s)
		if err == nil {
			notes, err = lf.apply(c, l)
		}
		return err
	})
	if err != nil {
		return err
	}
	for _, n := range notes {
		a.note("%s", n)
	}
	if c.Flags().Changed("part") {
		a.warnOfRange(s, name)
	}
	return a.printLayers(s)
}

func (a *app) layerRemoveCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "remove NAME",
		Short:   "Remove a layer; its takes stay on disk",
		Example: "  cuechoir layer remove bass",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			s, err := a.edit("layer "+given[0]+" removed", func(s *score.Score) error {
				if _, err := job.Layer(s, given[0]); err != nil {
					return err
				}
				kept := s.Layers[:0:0]
				for _, l := range s.Layers {
					if l.Name != given[0] {
						kept = append(kept, l)
					}
				}
				s.Layers = kept
				return nil
			})
			if err != nil {
				return err
			}
			a.note("the takes of %s stay in takes/%s; add the layer again and they are back", given[0], given[0])
			return a.printLayers(s)
		},
	}
}

func (a *app) listLayers() error {
	f, s, err := a.load()
	if err != nil {
		return err
	}
	defer f.Close()
	return a.printLayers(s)
}

// layerRow is a layer as --json prints it.
type layerRow struct {
	Name   string   `json:"name"`
	Group  string   `json:"group,omitempty"`
	Notes  []string `json:"notes"`
	Use    string   `json:"take,omitempty"`
	GainDB float64  `json:"gain_db"`
	Pan    float64  `json:"pan"`
	Mute   bool     `json:"mute"`
	Mends  int      `json:"mends"`
	Colour string   `json:"colour"` // a colour's name, own or none
}

func (a *app) printLayers(s *score.Score) error {
	rows := []layerRow{}
	t := report.Table{Head: []string{"layer", "group", "notes", "range", "take", "gain dB", "pan", "", "heard"}, Right: []bool{false, false, true, false, false, true, true}}
	for _, l := range s.Layers {
		r := layerRow{l.Name, l.Group, []string{}, l.Use, l.GainDB, l.Pan, l.Mute, len(l.Mends), job.ColourName(l.Colour)}
		for _, n := range l.Notes {
			r.Notes = append(r.Notes, n.String())
		}
		rows = append(rows, r)
		take, mute := l.Use, ""
		if take == "" {
			take = "newest"
		}
		if l.Mute {
			mute = "muted"
		}
		t.Rows = append(t.Rows, []string{l.Name, l.Group, fmt.Sprint(len(l.Notes)), noteRange(l.Notes), take,
			fmt.Sprintf("%.1f", l.GainDB), fmt.Sprintf("%.2f", l.Pan), mute, heardAs(r)})
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	if len(rows) == 0 {
		a.say("No layers yet. Add one: cuechoir layer add NAME --part FILE.mid")
		return nil
	}
	return a.table(t)
}

// heardAs is what is done to a layer before it is heard.
func heardAs(r layerRow) string {
	switch {
	case r.Mends > 0 && r.Colour != "none":
		return "mended, " + r.Colour
	case r.Mends > 0:
		return "mended"
	case r.Colour != "none":
		return r.Colour
	}
	return "as sung"
}

// noteRange is the lowest and highest note of a part.
func noteRange(notes []part.Note) string {
	lo, hi := -1, -1
	for _, n := range notes {
		if n.Unpitched {
			continue
		}
		if k := int(n.Key); lo < 0 {
			lo, hi = k, k
		} else {
			lo, hi = min(lo, k), max(hi, k)
		}
	}
	switch {
	case len(notes) == 0:
		return "no part"
	case lo < 0:
		return "unpitched"
	case lo == hi:
		return part.KeyName(uint8(lo))
	}
	return part.KeyName(uint8(lo)) + " to " + part.KeyName(uint8(hi))
}
