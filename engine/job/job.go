// Package job is the walk through the work, one function a step: a score's
// folder and a wish go in, a value comes out. Commands and screens call it
// and hold no logic of their own. Data flows one way: reference -> cuts ->
// hits -> map -> click -> take -> check -> mix -> stem.
package job

import (
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
)

// Progress hears how far long work is; total 0 when that is not known. It may
// be called from any goroutine, one call at a time.
type Progress func(done, total int64, what string)

// Show tells it, when anybody listens.
func (p Progress) Show(done, total int64, what string) {
	if p != nil {
		p(done, total, what)
	}
}

// Layer finds a layer or says which there are.
func Layer(s *score.Score, name string) (*score.Layer, error) {
	if l := s.Layer(name); l != nil {
		return l, nil
	}
	if len(s.Layers) == 0 {
		return nil, fault.New(fault.Missing, "there is no layer %q: the score has none yet", name).
			Mended("add one: cuechoir layer add %s --part FILE.mid", name)
	}
	return nil, fault.New(fault.Missing, "there is no layer %q", name).Mended("the layers are: %s", layerNames(s))
}

// chosen are the layers that a wish names: one, or all when it is "".
func chosen(s *score.Score, only string) ([]score.Layer, error) {
	if only == "" {
		return s.Layers, nil
	}
	l, err := Layer(s, only)
	if err != nil {
		return nil, err
	}
	return []score.Layer{*l}, nil
}

func layerNames(s *score.Score) string {
	out := ""
	for i, l := range s.Layers {
		if i > 0 {
			out += ", "
		}
		out += l.Name
	}
	return out
}

// Grid is the score's map as exact positions.
func Grid(s *score.Score) (*tempo.Grid, error) {
	if s.Map == nil {
		return nil, fault.New(fault.Missing, "the score has no tempo map yet").Mended("solve it: cuechoir map")
	}
	return tempo.NewGrid(*s.Map, s.Reference.Rate, s.Reference.Frames)
}
