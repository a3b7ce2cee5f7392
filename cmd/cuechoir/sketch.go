package main

import (
	"context"
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/sketch"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

const sketchHelp = `Hum a line against the click, on da or na, and it becomes notes: each on a place
of the map's grid and on a key. What is off as a whole (flat or sharp, sinking,
early or late) is taken off first; scoops are no notes; a note that is repeated
needs a consonant before it. Without --scale the key is guessed and only leaned
on: a note plainly outside it stays.

It is only shown, unless --keep makes it the layer's part (cuechoir undo takes
it back) or --out writes it as a Standard MIDI File. What is unsure is told.`

// sketchFlags are the wishes of sketch.
type sketchFlags struct {
	o               job.SketchOptions
	at, scale, grid string
	hasAt, keyed    bool
}

func (a *app) sketchCmd() *cobra.Command {
	var sf sketchFlags
	c := &cobra.Command{
		Use:   "sketch [LAYER]",
		Short: "Write a hummed line down as a part",
		Long:  sketchHelp,
		Example: "  cuechoir sing tune; cuechoir sketch tune --keep\n  cuechoir sketch --input hum.m4a --at count-in --out tune.mid\n" +
			"  cuechoir sketch horn --input hum.wav --scale \"D minor\" --grid 1/8 --octave -1 --keep",
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if len(given) > 0 {
				sf.o.Layer = given[0]
			}
			sf.hasAt, sf.keyed = c.Flags().Changed("at"), c.Flags().Changed("scale")
			return a.sketch(c.Context(), &sf)
		},
	}
	f := c.Flags()
	f.StringVar(&sf.o.File, "input", "", "a recording in the place of the layer's take")
	decoderFlag(c, &sf.o.Engine)
	f.StringVar(&sf.at, "at", "0", "where the recording's first sample falls: a position, or count-in")
	f.StringVar(&sf.scale, "scale", "", "the key that is kept to, such as \"D minor\" or \"Bb major\"; chromatic leans on none (default: guessed)")
	f.StringVar(&sf.grid, "grid", "1/16", "the finest place: 1/4, 1/8, 1/16 or 1/32")
	f.BoolVar(&sf.o.Read.Triplets, "triplets", false, "thirds of a beat are places too")
	f.IntVar(&sf.o.Read.Octaves, "octave", 0, "write it so many octaves higher than it was hummed, -3 to 3")
	f.BoolVar(&sf.o.Keep, "keep", false, "make it the layer's part; a new layer is added")
	f.BoolVar(&sf.o.Replace, "replace", false, "with --keep: let the part that is there give way")
	f.StringVar(&sf.o.SMF, "out", "", "write it as a Standard MIDI File")
	return c
}

func (a *app) sketch(ctx context.Context, sf *sketchFlags) error {
	f, s, err := a.loadRecovered()
	if err != nil {
		return err
	}
	defer f.Close()
	if err := sf.read(s); err != nil {
		return err
	}
	res, err := job.Sketch(ctx, f, sf.o, a.progress.show)
	if err != nil {
		return err
	}
	if done, err := a.printJSON(sketchRowOf(s, sf, res)); done {
		return err
	}
	return a.printSketch(s, sf, res)
}

// read reads the words of the flags.
func (sf *sketchFlags) read(s *score.Score) error {
	if sf.hasAt && sf.o.File == "" {
		return fault.New(fault.Usage, "--at goes with --input: a take knows where it lies")
	}
	if sf.o.Replace && !sf.o.Keep {
		return fault.New(fault.Usage, "--replace goes with --keep")
	}
	if sf.keyed {
		scale, err := sketch.ParseScale(sf.scale)
		if err != nil {
			return err
		}
		sf.o.Read.Scale = &scale
	}
	finest, ok := map[string]timecode.Ratio{"1/4": timecode.Int(1), "1/8": timecode.R(1, 2), "1/16": timecode.R(1, 4), "1/32": timecode.R(1, 8)}[sf.grid]
	if !ok {
		return fault.New(fault.Usage, "%q is no grid", sf.grid).Mended("use 1/4, 1/8, 1/16 or 1/32")
	}
	sf.o.Read.Finest = finest
	var err error
	sf.o.At, err = fileStart(s, &singFlags{at: sf.at}, job.ClickOptions{})
	return err
}

// sketchNoteRow and sketchRow are what --json prints.
type sketchNoteRow struct {
	Note         string  `json:"note"` // start and length in quarters, pitch
	Bar          int     `json:"bar"`
	Beat         string  `json:"beat"`
	Key          uint8   `json:"key"`
	Name         string  `json:"name"`
	Timecode     string  `json:"timecode"` // of the onset as hummed
	Onset        int64   `json:"onset_sample"`
	Offset       int64   `json:"offset_sample"`
	Cents        float64 `json:"cents"`
	Milliseconds float64 `json:"milliseconds_late"`
	PitchSure    float64 `json:"pitch_sure"`
	PlaceSure    float64 `json:"place_sure"`
	Confidence   float64 `json:"confidence"`
	Doubt        string  `json:"doubt"`
}

type leftRow struct {
	Timecode string `json:"timecode"`
	Onset    int64  `json:"onset_sample"`
	Why      string `json:"why"`
}

type sketchRow struct {
	Layer               string          `json:"layer"`
	Take                string          `json:"take"`
	Scale               string          `json:"scale"`
	Guessed             bool            `json:"scale_guessed"`
	ScaleFit            float64         `json:"scale_correlation"`
	Rival               string          `json:"next_scale"`
	RivalFit            float64         `json:"next_scale_correlation"`
	TuneCents           float64         `json:"tune_cents"`
	DriftCentsPerMinute float64         `json:"drift_cents_per_minute"`
	LateMilliseconds    float64         `json:"milliseconds_late"`
	Unsure              int             `json:"unsure"`
	MaybeSemitone       int             `json:"maybe_semitones"` // by which all of it may be meant elsewhere
	TripletsFit         bool            `json:"triplets_fit_better"`
	Kept                bool            `json:"kept"`
	Replaced            int             `json:"replaced_notes"`
	File                string          `json:"file"`
	Notes               []sketchNoteRow `json:"notes"`
	Left                []leftRow       `json:"left_out"`
}

func sketchRowOf(s *score.Score, sf *sketchFlags, r job.SketchResult) sketchRow {
	row := sketchRow{Layer: sf.o.Layer, Take: r.Take, Scale: r.Scale.String(), Guessed: r.Guessed, TuneCents: r.TuneCents,
		DriftCentsPerMinute: r.DriftCentsPerMinute, LateMilliseconds: r.LateMilliseconds, Unsure: r.Unsure(), MaybeSemitone: r.MaybeSemitone, TripletsFit: r.TripletsFit,
		Kept: r.Kept, Replaced: r.Replaced, File: sf.o.SMF, Notes: []sketchNoteRow{}, Left: []leftRow{}}
	if r.Guessed {
		row.ScaleFit, row.Rival, row.RivalFit = r.ScaleFit, r.Rival.String(), r.RivalFit
	}
	for _, n := range r.Notes {
		row.Notes = append(row.Notes, sketchNoteRow{n.Note.String(), n.Bar, n.Beat, n.Key, part.KeyName(n.Key), timecodeOf(s, n.Onset), n.Onset, n.Offset,
			n.Cents, n.Milliseconds, n.PitchSure, n.PlaceSure, n.Confidence, n.Doubt})
	}
	for _, l := range r.Left {
		row.Left = append(row.Left, leftRow{timecodeOf(s, l.Onset), l.Onset, l.Why})
	}
	return row
}

// timecodeOf is the time code of the frame at a timeline sample.
func timecodeOf(s *score.Score, sample int64) string {
	return s.Reference.Rate.Timecode(s.Reference.Start + s.Reference.Rate.FrameOf(sample, s.SampleRate))
}

func (a *app) printSketch(s *score.Score, sf *sketchFlags, r job.SketchResult) error {
	t := report.Table{Head: []string{"where", "note", "quarters", "cents", "ms late", "sure", ""}, Right: []bool{false, false, true, true, true, true}}
	for _, n := range r.Notes {
		t.Rows = append(t.Rows, []string{fmt.Sprintf("%d.%s", n.Bar, n.Beat), part.KeyName(n.Key), n.Length.String(),
			fmt.Sprintf("%+.0f", n.Cents), fmt.Sprintf("%+.0f", n.Milliseconds), percent(n.Confidence), n.Doubt})
	}
	if err := a.table(t); err != nil {
		return err
	}
	a.say("\n%s", sketchWords(r))
	for _, l := range r.Left {
		a.note("left out at %s: %s", timecodeOf(s, l.Onset), l.Why)
	}
	if r.MaybeSemitone != 0 {
		a.note("it was hummed half-way between two tunings: the whole line may be meant a semitone %s; start from the pitch of an instrument or another layer",
			map[bool]string{true: "higher", false: "lower"}[r.MaybeSemitone > 0])
	}
	if r.TripletsFit {
		a.note("thirds of a beat would fit this line far better: try it with --triplets")
	}
	if n := r.Unsure(); n > 0 {
		a.note("%d of %d notes are unsure: look at them, or hum those again, slower", n, len(r.Notes))
	}
	switch {
	case r.Kept && r.Replaced > 0:
		a.say("It is the part of %s now, in the place of %d notes (cuechoir undo brings them back).", sf.o.Layer, r.Replaced)
	case r.Kept:
		a.say("It is the part of %s now.", sf.o.Layer)
	case sf.o.SMF == "":
		a.say("Nothing is kept yet: --keep makes it a layer's part, --out FILE.mid writes it.")
	}
	if r.Kept {
		a.warnOfRange(r.Score, sf.o.Layer)
	}
	if sf.o.SMF != "" {
		a.say("written to %s", sf.o.SMF)
	}
	return nil
}

// sketchWords say what was heard of the line as a whole.
func sketchWords(r job.SketchResult) string {
	key := r.Scale.String()
	if r.Guessed {
		key = fmt.Sprintf("heard as %s (or %s)", key, r.Rival)
	}
	tune := fmt.Sprintf("%+.0f cents", r.TuneCents)
	if r.DriftCentsPerMinute != 0 {
		tune += fmt.Sprintf(", drifting by %+.0f a minute", r.DriftCentsPerMinute)
	}
	return fmt.Sprintf("%d notes, %s; taken off: tuning of %s, %+.0f ms.", len(r.Notes), key, tune, r.LateMilliseconds)
}
