package job

import (
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
)

// slowestDrawn, in beats a minute: what is slower is a held beat, at which the
// curve of the tempo breaks.
const slowestDrawn = 15

// MapPicture gathers the map alone for report.SVG: cuts, hits with their
// errors, bars and the tempo's curve. Missing when there is no map yet.
func MapPicture(s *score.Score) (report.Picture, error) {
	if s.Map == nil {
		return report.Picture{}, fault.New(fault.Missing, "there is no map to draw yet").Mended("solve one: cuechoir map")
	}
	p := report.Picture{Title: s.Title, Rate: s.Reference.Rate, Frames: s.Reference.Frames, Start: s.Reference.Start, SampleRate: s.SampleRate, Cuts: s.Cuts}
	if err := pictureMap(&p, s); err != nil {
		return p, err
	}
	grid, err := Grid(s)
	if err != nil {
		return p, err
	}
	p.Tempo = tempoCurve(grid, s.SampleRate)
	return p, nil
}

// tempoCurve is the tempo of each beat, as steps: 60 x fps over the frames
// that the beat lasts.
func tempoCurve(grid *tempo.Grid, sampleRate int) []report.TempoPoint {
	var curve []report.TempoPoint
	beats := grid.Beats(sampleRate)
	for i, b := range beats[:max(0, len(beats)-1)] {
		frames := beats[i+1].Frame.Sub(b.Frame).Float()
		bpm := 60 * grid.Rate().Float() / frames
		if !(bpm >= slowestDrawn) {
			bpm = 0
		}
		curve = append(curve, report.TempoPoint{Sample: b.Sample, BPM: bpm}, report.TempoPoint{Sample: beats[i+1].Sample, BPM: bpm})
	}
	return curve
}
