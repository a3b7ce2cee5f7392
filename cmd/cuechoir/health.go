package main

import (
	"context"
	"fmt"

	"cuechoir/engine/check"
	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

const healthHelp = `Measures the sound of a take, whatever was sung: level, clipping, noise and hum
of the room, the click that leaks into the microphone, pops of air. It is told
after each take as well. The click is looked for as sing plays it with the same
flags; noise and hum are heard where nobody sings, for half a second at least.`

func (a *app) takesHealthCmd() *cobra.Command {
	var cf clickFlags
	volume := 0.0
	c := &cobra.Command{
		Use:     "health LAYER [TAKE]",
		Short:   "Measure a take's sound: clipping, level, hum, click, pops, noise",
		Long:    healthHelp,
		Example: "  cuechoir takes health bass\n  cuechoir takes health bass 002 --json",
		Args:    args(cobra.RangeArgs(1, 2)),
		RunE: func(c *cobra.Command, given []string) error {
			o, err := cf.options()
			if err != nil {
				return err
			}
			f, s, err := a.load()
			if err != nil {
				return err
			}
			defer f.Close()
			id := ""
			if len(given) == 2 {
				id = given[1]
			}
			h, err := job.ListenTo(c.Context(), f, given[0], id, o, volume)
			if err != nil {
				return err
			}
			return a.printHealth(s, h)
		},
	}
	cf.register(c)
	c.Flags().Float64Var(&volume, "volume", -6, "as it was sung with, in dB")
	return c
}

// printHealth prints all that was measured, and what is to be mended.
func (a *app) printHealth(s *score.Score, t job.TakeHealth) error {
	if done, err := a.printJSON(t); done {
		return err
	}
	h := t.Health
	a.say("take %s of %s: voice %s, peak %s, noise %s, hum %s, click %s, pops %d", t.Take, t.Layer, dbfs(h.VoiceDB), dbfs(h.PeakDB),
		dbfs(h.NoiseDB), dbfs(h.HumDB), dbfs(h.BleedDB), h.Pops)
	if !h.Paused {
		a.say("There is no pause of half a second, so noise and hum were not judged")
	}
	if len(h.Lines) == 0 {
		a.say("The sound is clean")
	}
	for _, l := range h.Lines {
		a.say("%s", healthLine(s, t, l))
	}
	return nil
}

func dbfs(db float64) string {
	if db <= check.Silent {
		return "none"
	}
	return fmt.Sprintf("%.1f dBFS", db)
}

// healthLine is a line with its place on the reference's clock.
func healthLine(s *score.Score, t job.TakeHealth, l check.HealthLine) string {
	if l.Sample < 0 {
		return l.Words
	}
	return s.Reference.Rate.Timecode(s.Reference.Start+s.Reference.Rate.FrameOf(t.Start+l.Sample, s.SampleRate)) + ": " + l.Words
}

// listenToTakes measures the takes that were just sung; what cannot be read
// again is told, and the take stays.
func (a *app) listenToTakes(ctx context.Context, f *score.Folder, takes []take.Info, clicks []tempo.Click, o job.SingOptions) []job.TakeHealth {
	out := []job.TakeHealth{}
	if o.NoClick {
		clicks = nil
	}
	for _, t := range takes {
		// A take that was stopped by hand is listened to as well.
		h, err := job.Listen(context.WithoutCancel(ctx), f, t, clicks, o.Click.Sound, o.MonitorGainDB)
		if err != nil {
			a.note("the take's sound was not measured: %v", fault.New(fault.KindOf(err), "take %s of %s", t.ID, t.Layer).Because(err))
			continue
		}
		out = append(out, h)
	}
	return out
}

// tellHealth is one note a fault.
func (a *app) tellHealth(s *score.Score, all []job.TakeHealth) {
	for _, t := range all {
		name := "take " + t.Take
		if t.Layer != all[0].Layer {
			name += " of " + t.Layer
		}
		for _, l := range t.Health.Lines {
			a.note("%s: %s", name, healthLine(s, t, l))
		}
	}
}
