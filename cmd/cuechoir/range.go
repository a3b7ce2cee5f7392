package main

import (
	"context"
	"fmt"
	"math"
	"time"

	"cuechoir/engine/compass"
	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/track"
	"cuechoir/internal/decoder"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// defaultSinger is whose range is meant when nobody is named.
const defaultSinger = "me"

// strainCaution stands wherever a range is measured or held against a part.
const strainCaution = "never press for a note: leave out what strains, rest often, and stop when it hurts or gets hoarse"

func (a *app) rangeCmd() *cobra.Command {
	c := &cobra.Command{
		Use:   "range",
		Short: "How low and high a singer sings with ease, and where parts leave it",
		Long: `A singer's comfortable range is measured from a siren, or told by hand, and kept
on this computer by name. Parts are held against it: what lies outside is told
with the octave that helps.`,
		Example: "  cuechoir range measure --sing\n  cuechoir range check\n  cuechoir range",
		Args:    args(cobra.NoArgs),
		RunE:    func(*cobra.Command, []string) error { return a.listRanges() },
	}
	list := &cobra.Command{Use: "list", Short: "List the singers and their ranges", Example: "  cuechoir range list --json", Args: args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error { return a.listRanges() }}
	c.AddCommand(a.rangeMeasureCmd(), a.rangeSetCmd(), a.rangeCheckCmd(), list, a.rangeRemoveCmd())
	return c
}

var rangeMeasureHelp = fmt.Sprintf(`Glide on oo, like a siren, from as low as is easy to as high as is easy and back
down, some five seconds each way, softly and in one breath if you can. --sing
records it here (nothing is played, nothing is kept); else name a recording.

A semitone counts when the pitch stays within %.0f cents of a straight glide and
the level within %.0f dB of the rest. The range found is drawn in by %d semitone
below and %d above: what a glide touches for a moment is not what can be sung
for a bar. A recording that is too short, too noisy or no siren is refused.

Warm up first, and do not press: %s.`, compass.SteadyCents, compass.SoftDB, compass.DrawInLow, compass.DrawInHigh, strainCaution)

func (a *app) rangeMeasureCmd() *cobra.Command {
	var df deviceFlags
	var engine decoder.Engine
	var name string
	var sing bool
	var duration int
	c := &cobra.Command{
		Use:     "measure [FILE]",
		Short:   "Measure a range from a siren",
		Long:    rangeMeasureHelp,
		Example: "  cuechoir range measure --sing\n  cuechoir range measure siren.wav --singer Ana",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if sing == (len(given) == 1) {
				return fault.New(fault.Usage, "it is not said what is measured").Mended("name a recording, or sing it here: --sing")
			}
			if err := compass.CheckName(name); err != nil {
				return err
			}
			var r compass.Reading
			var err error
			if sing {
				r, err = a.singRange(c.Context(), &df, duration)
			} else {
				r, err = job.MeasureRange(c.Context(), given[0], engine, a.progress.show)
			}
			if err != nil {
				return err
			}
			return a.keepRange(name, r)
		},
	}
	df.register(c)
	decoderFlag(c, &engine)
	f := c.Flags()
	f.BoolVar(&sing, "sing", false, "record the siren here")
	f.IntVar(&duration, "seconds", job.SirenSeconds, "how long is recorded")
	singerFlag(c, &name)
	return c
}

func singerFlag(c *cobra.Command, name *string) {
	c.Flags().StringVar(name, "singer", defaultSinger, "whose range")
}

func (a *app) singRange(ctx context.Context, df *deviceFlags, duration int) (compass.Reading, error) {
	dev, err := device.Open(df.options(score.DefaultSampleRate))
	if err != nil {
		return compass.Reading{}, err
	}
	defer dev.Close()
	a.note("glide low to high and back down, softly, within %d seconds; %s", duration, strainCaution)
	return job.SingRange(ctx, dev, df.channel-1, duration, func(st track.Status) {
		peak := "silent"
		if !math.IsInf(st.PeakDB, -1) {
			peak = fmt.Sprintf("%.0f dBFS", st.PeakDB)
		}
		a.progress.show(st.At, int64(duration*score.DefaultSampleRate), "in "+peak)
	})
}

// singerRow is a singer as --json prints one.
type singerRow struct {
	Singer   string `json:"singer"`
	Low      string `json:"low"`
	High     string `json:"high"`
	LowKey   uint8  `json:"low_key"`
	HighKey  uint8  `json:"high_key"`
	Measured bool   `json:"measured"`
	When     string `json:"when"`
}

func singerRowOf(x compass.Singer) singerRow {
	return singerRow{x.Name, part.KeyName(x.Low), part.KeyName(x.High), x.Low, x.High, x.Measured, x.When.Format(time.RFC3339)}
}

// semitoneRow and sirenRow are a measured siren as --json prints it.
type semitoneRow struct {
	Name        string   `json:"name"`
	Seconds     float64  `json:"seconds"`
	SteadyCents *float64 `json:"steady_cents"`
	LevelDB     *float64 `json:"level_db"`
	Good        bool     `json:"good"`
}

type sirenRow struct {
	singerRow
	Lowest          string        `json:"lowest_reached"`
	Highest         string        `json:"highest_reached"`
	VoicedSeconds   float64       `json:"voiced_seconds"`
	SignalToNoiseDB *float64      `json:"signal_to_noise_db"`
	Semitones       []semitoneRow `json:"semitones"`
}

func (a *app) keepRange(name string, r compass.Reading) error {
	x, err := job.KeepRange(name, r.Range, true)
	if err != nil {
		return err
	}
	row := sirenRow{singerRow: singerRowOf(x), Lowest: part.KeyName(r.Lowest), Highest: part.KeyName(r.Highest), VoicedSeconds: r.VoicedSeconds, SignalToNoiseDB: orNull(r.SignalToNoiseDB)}
	for _, s := range r.Semitones {
		row.Semitones = append(row.Semitones, semitoneRow{part.KeyName(s.Key), s.Seconds, orNull(s.SteadyCents), orNull(s.LevelDB), s.Good})
	}
	if done, err := a.printJSON(row); done {
		return err
	}
	a.say("%s sings %s with ease; the siren reached %s to %s.", name, r.Range, row.Lowest, row.Highest)
	a.note("%s", strainCaution)
	return nil
}

func (a *app) rangeSetCmd() *cobra.Command {
	var name string
	c := &cobra.Command{
		Use:     "set LOW HIGH",
		Short:   "Tell a range by hand",
		Example: "  cuechoir range set A2 E4\n  cuechoir range set G3 D5 --singer Ana",
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, given []string) error {
			var keys [2]uint8
			for i, text := range given {
				k, err := part.ParseKey(text)
				if err != nil {
					return fault.New(fault.Usage, "").Because(err)
				}
				keys[i] = k
			}
			x, err := job.KeepRange(name, compass.Range{Low: keys[0], High: keys[1]}, false)
			if err != nil {
				return err
			}
			if done, err := a.printJSON(singerRowOf(x)); done {
				return err
			}
			a.say("%s sings %s.", x.Name, x.Range())
			return nil
		},
	}
	singerFlag(c, &name)
	return c
}

func (a *app) rangeRemoveCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "remove NAME",
		Short:   "Forget a singer's range",
		Example: "  cuechoir range remove Ana",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			if err := job.ForgetRange(given[0]); err != nil {
				return err
			}
			return a.listRanges()
		},
	}
}

func (a *app) listRanges() error {
	list, err := job.Ranges()
	if err != nil {
		return err
	}
	rows := []singerRow{}
	t := report.Table{Head: []string{"singer", "range", "", "since"}}
	for _, x := range list {
		rows = append(rows, singerRowOf(x))
		how := "told"
		if x.Measured {
			how = "measured"
		}
		t.Rows = append(t.Rows, []string{x.Name, x.Range().String(), how, x.When.Format(time.DateOnly)})
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	if len(rows) == 0 {
		a.say("No range is known yet. Measure one: cuechoir range measure --sing")
		return nil
	}
	return a.table(t)
}

func (a *app) rangeCheckCmd() *cobra.Command {
	var name string
	var strict bool
	c := &cobra.Command{
		Use:   "check [LAYER]",
		Short: "Say where parts leave a singer's range, and which octave helps",
		Long: `Holds the notes of one part, or of all, against a singer's comfortable range.
What lies outside is told bar by bar with the octave in which it can be sung;
and when a whole part fits in another octave, that, with the colours that bring
it back to where it is written.

Voices differ from day to day: ` + strainCaution + `.`,
		Example: "  cuechoir range check\n  cuechoir range check soprano --singer Ana --strict",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			only := ""
			if len(given) > 0 {
				only = given[0]
			}
			x, err := job.SingerOf(name)
			if err != nil {
				return err
			}
			f, err := a.folder()
			if err != nil {
				return err
			}
			defer f.Close()
			parts, err := job.CheckRange(f, only, x.Range())
			if err != nil {
				return err
			}
			if err := a.printRangeCheck(x, parts); err != nil {
				return err
			}
			return job.RangeVerdict(parts, strict)
		},
	}
	c.Flags().BoolVar(&strict, "strict", false, "exit with code 10 when any note lies outside")
	singerFlag(c, &name)
	return c
}

// warnOfRange tells when a layer's part leaves the range of who sings here, if
// that is known. It never stands in the way.
func (a *app) warnOfRange(s *score.Score, layer string) {
	x, err := job.SingerOf(defaultSinger)
	if err != nil {
		if fault.KindOf(err) != fault.Missing {
			a.note("%v", err)
		}
		return
	}
	if n := job.OutsideRange(s.Layer(layer), x.Range()); n > 0 {
		a.note("%d of %d notes lie outside your range, %s: see cuechoir range check %s", n, len(s.Layer(layer).Notes), x.Range(), layer)
	}
}

// leaveRow and partRangeRow are what --json prints.
type leaveRow struct {
	Bar       int    `json:"bar"`
	First     int    `json:"first_note"` // of the part, from 0
	Last      int    `json:"last_note"`
	Farthest  string `json:"farthest"`
	Semitones int    `json:"semitones_above"` // below: negative
	Octaves   int    `json:"octaves"`         // by which to sing it; 0: none helps
	Words     string `json:"words"`
}

type partRangeRow struct {
	Layer   string     `json:"layer"`
	Singer  singerRow  `json:"singer"`
	Notes   int        `json:"notes"`
	Outside int        `json:"outside"`
	Low     string     `json:"low"`
	High    string     `json:"high"`
	Whole   int        `json:"whole_octaves"` // under which all of it fits ...
	Fits    bool       `json:"whole_fits"`    // ... when there is one
	Leaves  []leaveRow `json:"leaves"`
	Colours []reachRow `json:"colours"` // under which all of it can be sung
}

type reachRow struct {
	Colour  string `json:"colour,omitempty"` // none: the line alone does it
	Line    string `json:"line"`
	Octaves int    `json:"octaves"` // by which to sing it
}

func (a *app) printRangeCheck(x compass.Singer, parts []job.PartRange) error {
	rows := []partRangeRow{}
	t := report.Table{Head: []string{"layer", "part", "notes", "outside"}, Right: []bool{false, false, true, true}}
	outside := 0
	for _, p := range parts {
		row := partRangeRow{p.Layer, singerRowOf(x), p.Notes, p.Outside, part.KeyName(p.Low), part.KeyName(p.High), p.Whole, p.Fits, []leaveRow{}, []reachRow{}}
		for _, l := range p.Leaves {
			row.Leaves = append(row.Leaves, leaveRow{l.Bar, l.First, l.Last, part.KeyName(l.Key), l.Semitones, l.Octaves, l.Words()})
		}
		for _, r := range p.Reach {
			row.Colours = append(row.Colours, reachRow(r))
		}
		rows = append(rows, row)
		t.Rows = append(t.Rows, []string{p.Layer, compass.Range{Low: p.Low, High: p.High}.String(), fmt.Sprint(p.Notes), fmt.Sprint(p.Outside)})
		outside += p.Outside
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	a.say("%s sings %s.", x.Name, x.Range())
	if err := a.table(t); err != nil {
		return err
	}
	for _, p := range parts {
		if w := p.Words(); w != "" {
			a.say("%s: %s", p.Layer, w)
		}
		if w := p.ColourWords(); w != "" {
			a.say("  %s", w)
		}
		for _, l := range p.Leaves {
			a.say("%s, %s", p.Layer, l.Words())
		}
	}
	if outside == 0 {
		a.say("All notes lie within the range.")
		return nil
	}
	a.note("%s", strainCaution)
	return nil
}
