package job

import (
	"math"
	"sort"

	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// guide is a part as a plain tone to sing along with: equal temperament at
// A4 = 440 Hz, three partials, so that small loudspeakers carry low notes too.
// Each sample depends on its place alone, so it may be read from anywhere.
type guide struct {
	notes []guideNote // in order, never two at once
	gain  float64
	rate  float64
	edge  int64 // samples of fade in and out
}

type guideNote struct {
	from, to int64 // timeline samples
	hz       float64
}

// guidePartials are the amplitudes of the partials; their sum is the peak.
var guidePartials = [3]float64{0.7, 0.2, 0.1}

// guideEdgeSeconds is the fade of each note.
const guideEdgeSeconds = 0.015

// newGuide lays a layer's pitched notes on the timeline.
func newGuide(s *score.Score, layer string, gain float64) (guide, error) {
	l, err := Layer(s, layer)
	if err != nil {
		return guide{}, err
	}
	grid, err := Grid(s)
	if err != nil {
		return guide{}, err
	}
	g := guide{gain: gain, rate: float64(s.SampleRate), edge: int64(guideEdgeSeconds * float64(s.SampleRate))}
	for _, n := range l.Notes {
		if n.Unpitched {
			continue
		}
		g.notes = append(g.notes, guideNote{
			grid.SampleAt(n.Start, s.SampleRate), grid.SampleAt(n.End(), s.SampleRate), 440 * math.Exp2((float64(n.Key)-69)/12)})
	}
	if len(g.notes) == 0 {
		return guide{}, fault.New(fault.Missing, "layer %s has no pitched notes, so there is no guide of it", layer).
			Mended("give it a part: cuechoir layer add or layer set with --part FILE.mid")
	}
	return g, nil
}

// add adds the guide from timeline sample at on.
func (g *guide) add(dst []float32, at int64) {
	end := at + int64(len(dst))
	i := sort.Search(len(g.notes), func(i int) bool { return g.notes[i].to > at })
	for ; i < len(g.notes) && g.notes[i].from < end; i++ {
		n := g.notes[i]
		step := 2 * math.Pi * n.hz / g.rate
		for t := max(n.from, at); t < min(n.to, end); t++ {
			phase, x := step*float64(t-n.from), 0.0
			for k, a := range guidePartials {
				x += a * math.Sin(float64(k+1)*phase)
			}
			near := min(t-n.from, n.to-1-t)
			if near < g.edge {
				x *= float64(near) / float64(g.edge)
			}
			dst[t-at] += float32(g.gain * x)
		}
	}
}
