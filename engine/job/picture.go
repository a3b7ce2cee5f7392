package job

import (
	"fmt"
	"math"

	"cuechoir/engine/report"
	"cuechoir/engine/score"
)

// Picture gathers a score, and what the check and the bounce said of it, for
// report.SVG. bounced may be nil.
func Picture(s *score.Score, reports []LayerReport, bounced *BounceResult) (report.Picture, error) {
	p := report.Picture{Title: s.Title, Rate: s.Reference.Rate, Frames: s.Reference.Frames, Start: s.Reference.Start, SampleRate: s.SampleRate, Cuts: s.Cuts}
	if s.Map != nil {
		if err := pictureMap(&p, s); err != nil {
			return p, err
		}
	}
	byLayer := map[string]LayerReport{}
	for _, r := range reports {
		byLayer[r.Layer] = r
	}
	for _, l := range s.Layers {
		p.Layers = append(p.Layers, pictureLayer(l, byLayer[l.Name]))
	}
	p.Foot = append(p.Foot, fmt.Sprintf("%d frames at %s, %d samples at %d Hz", s.Reference.Frames, s.Reference.Rate, s.Length(), s.SampleRate))
	if bounced != nil {
		m := bounced.Mix.Loudness
		p.Foot = append(p.Foot, fmt.Sprintf("stem: %d samples, %.1f LUFS integrated, %.1f dBTP true peak", bounced.Samples, m.IntegratedLUFS, m.TruePeakDBTP))
	}
	return p, nil
}

func pictureMap(p *report.Picture, s *score.Score) error {
	grid, err := Grid(s)
	if err != nil {
		return err
	}
	p.Bars = barsFor(s, grid)
	for _, l := range grid.Landings(s.Hits) {
		h := s.Hits[l.Hit]
		p.Hits = append(p.Hits, report.Hit{Frame: h.Frame, Must: h.Must, Name: h.Name, Place: l.Place.String(),
			ErrorFrames: l.ErrorFrames.Float(), Caught: l.Caught})
	}
	return nil
}

func pictureLayer(l score.Layer, r LayerReport) report.Layer {
	out := report.Layer{Name: l.Name, Group: l.Group, Unpitched: len(l.Notes) > 0}
	for _, n := range l.Notes {
		out.Unpitched = out.Unpitched && n.Unpitched
	}
	for _, t := range r.Targets {
		out.Targets = append(out.Targets, report.Target{Start: t.Start, End: t.End, Key: t.Key})
	}
	for _, n := range r.Report.Notes {
		if !n.Sung {
			continue
		}
		key := n.Key
		if n.Target >= 0 {
			key = r.Targets[n.Target].Key
		}
		cents := n.Cents
		if math.IsNaN(cents) || math.IsInf(cents, 0) {
			cents = 0
		}
		out.Sung = append(out.Sung, report.Sung{Start: n.Onset, End: max(n.Offset, n.Onset+1), Cents: cents, Key: key, Verdict: n.Verdict})
	}
	for _, f := range r.Report.Findings {
		out.Findings = append(out.Findings, report.Finding{Sample: f.Sample, Kind: string(f.Kind), Words: f.Words})
	}
	return out
}
