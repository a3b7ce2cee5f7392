package main

import (
	"context"
	"os"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
	"cuechoir/tui"

	"github.com/spf13/cobra"
)

// openOrHelp is cuechoir without a command: help, or a score's folder to open.
func (a *app) openOrHelp(c *cobra.Command, given []string) error {
	if len(given) == 0 {
		return c.Help()
	}
	if st, err := os.Stat(given[0]); err != nil || !st.IsDir() || len(given) > 1 {
		e := fault.New(fault.Usage, "%q is no command, and no folder to open", given[0]).Mended("see: cuechoir --help")
		if near := c.SuggestionsFor(given[0]); len(near) > 0 {
			e = e.Mended("did you mean %s?", strings.Join(near, " or "))
		}
		return e
	}
	a.dir = given[0]
	return a.open(c.Context())
}

func (a *app) openCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "open [FOLDER]",
		Short:   "Look at a score on the screen: picture, bars, voices, what to mend",
		Long:    "Shows the whole score in the terminal. Keys are listed by ?. Nothing is changed.\nThe same without the word: cuechoir FOLDER.",
		Example: "  cuechoir open harbour\n  NO_COLOR=1 cuechoir harbour",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if len(given) > 0 {
				a.dir = given[0]
			}
			return a.open(c.Context())
		},
	}
}

func (a *app) open(ctx context.Context) error {
	f, err := a.folder()
	if err != nil {
		return err
	}
	defer f.Close()
	if err := a.recover(f); err != nil {
		return err
	}
	screen, err := tui.NewScreen()
	if err != nil {
		return err
	}
	progress := job.Progress(a.progress.show) // until the screen is taken
	return tui.Run(ctx, screen, func() (tui.Model, error) {
		m, err := screenModel(ctx, f, progress)
		a.progress.clear()
		progress = nil
		return m, err
	})
}

// screenModel is the score as the screen takes it.
func screenModel(ctx context.Context, f *score.Folder, progress job.Progress) (tui.Model, error) {
	s, err := f.Load()
	if err != nil {
		return tui.Model{}, err
	}
	ref := s.Reference
	m := tui.Model{Title: s.Title, Rate: ref.Rate, Frames: ref.Frames, Start: ref.Start, SampleRate: s.SampleRate}
	for _, c := range s.Cuts {
		m.Cuts = append(m.Cuts, tui.Cut{Frame: c.Frame, End: c.End, Kind: string(c.Kind)})
	}
	if err := screenMap(&m, s); err != nil {
		return m, err
	}
	reports, err := job.Check(ctx, f, "", progress)
	if err != nil && fault.KindOf(err) != fault.Missing { // nothing sung yet is a screen too
		return m, err
	}
	byLayer := map[string]job.LayerReport{}
	for _, r := range reports {
		byLayer[r.Layer] = r
	}
	for _, l := range s.Layers {
		layer, err := screenLayer(s, l, byLayer[l.Name])
		if err != nil {
			return m, err
		}
		m.Layers = append(m.Layers, layer)
	}
	return m, nil
}

func screenMap(m *tui.Model, s *score.Score) error {
	if s.Map == nil {
		for _, h := range s.Hits {
			m.Hits = append(m.Hits, tui.Hit{Frame: h.Frame, Must: h.Must, Name: h.Name})
		}
		return nil
	}
	grid, err := job.Grid(s)
	if err != nil {
		return err
	}
	for _, l := range grid.Landings(s.Hits) {
		h := s.Hits[l.Hit]
		m.Hits = append(m.Hits, tui.Hit{Frame: h.Frame, Must: h.Must, Name: h.Name, Place: l.Place.String(), Error: l.ErrorFrames, Caught: l.Caught})
	}
	for _, b := range grid.Bars(s.SampleRate) {
		m.Bars = append(m.Bars, tui.Bar{Number: b.Number, Sample: b.Sample, BPM: b.BPM, Metre: b.Metre.String()})
	}
	for _, b := range grid.Beats(s.SampleRate) {
		at := b.Bar - m.Bars[0].Number
		m.Bars[at].Beats = append(m.Bars[at].Beats, b.Sample)
	}
	return nil
}

func screenLayer(s *score.Score, l score.Layer, r job.LayerReport) (tui.Layer, error) {
	out := tui.Layer{Name: l.Name, Group: l.Group, Take: r.Take, Sung: r.Take != "", Muted: l.Mute}
	if s.Map != nil {
		grid, err := job.Grid(s)
		if err != nil {
			return out, err
		}
		notes := job.Sounding(grid, l.Notes)
		for i, t := range job.Targets(s, grid, notes) {
			n := notes[i]
			out.Notes = append(out.Notes, tui.Note{Start: t.Start, End: t.End, Key: n.Key, Unpitched: n.Unpitched, Name: n.Lyric})
		}
	}
	for _, f := range r.Report.Findings {
		out.Findings = append(out.Findings, tui.Finding{Sample: f.Sample, Kind: string(f.Kind), Words: f.Words, Severity: f.Severity})
	}
	return out, nil
}
