package job

import (
	"fmt"
	"strconv"
	"strings"

	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// Shot is a stretch of the reference.
type Shot struct {
	Name     string // "shot 3", the cut's name, or "frames 240 to 480"
	From, To int64  // frames; To is left out
}

// FindShot reads what a person calls a stretch of the reference: the number of
// a shot (1 begins at frame 0, n+1 at the n-th cut), the name of the cut that
// a shot begins with, or two positions, FROM..TO, the second left out. A shot
// ends where the next cut is whole: what dissolves belongs to both.
func FindShot(s *score.Score, what string) (Shot, error) {
	what = strings.TrimSpace(what)
	var named []int
	for i, c := range s.Cuts {
		if c.Name != "" && strings.EqualFold(c.Name, what) {
			named = append(named, i+1)
		}
	}
	switch {
	case len(named) > 1:
		return Shot{}, fault.New(fault.Usage, "%d cuts are called %q", len(named), what).Mended("name the shot by its number: %s", numbers(named))
	case len(named) == 1:
		return shotAt(s, named[0], s.Cuts[named[0]-1].Name)
	}
	if from, to, ok := strings.Cut(what, ".."); ok {
		return span(s, from, to)
	}
	n, err := strconv.Atoi(what)
	if err != nil {
		return Shot{}, fault.New(fault.Usage, "%q is neither a shot's number, a cut's name, nor a span FROM..TO", what).
			Mended("see the cuts: cuechoir cuts")
	}
	if n < 1 || n > len(s.Cuts)+1 {
		return Shot{}, fault.New(fault.Usage, "there is no shot %d: the reference has 1 to %d", n, len(s.Cuts)+1).Mended("see the cuts: cuechoir cuts")
	}
	return shotAt(s, n-1, fmt.Sprintf("shot %d", n))
}

// numbers lists the shots that begin with cuts.
func numbers(cuts []int) string {
	var out []string
	for _, c := range cuts {
		out = append(out, strconv.Itoa(c+1))
	}
	return strings.Join(out, ", ")
}

// shotAt is the shot after a number of cuts.
func shotAt(s *score.Score, cuts int, name string) (Shot, error) {
	shot := Shot{Name: name, To: s.Reference.Frames}
	if cuts > 0 {
		shot.From = s.Cuts[cuts-1].Frame
	}
	if cuts < len(s.Cuts) {
		shot.To = s.Cuts[cuts].End
	}
	if shot.To <= shot.From {
		return Shot{}, fault.New(fault.Usage, "%s is empty: a cut stands at frame %d", name, shot.From).Mended("take the next one")
	}
	return shot, nil
}

// span reads FROM..TO.
func span(s *score.Score, from, to string) (Shot, error) {
	a := s.Axis()
	first, err := a.Parse(from, "")
	if err != nil {
		return Shot{}, fault.New(fault.Usage, "the span's beginning").Because(err)
	}
	a.Frames++ // the end is left out, so it may be the length
	last, err := a.Parse(to, "")
	if err != nil {
		return Shot{}, fault.New(fault.Usage, "the span's end").Because(err)
	}
	if last <= first {
		return Shot{}, fault.New(fault.Usage, "frames %d to %d are no span", first, last).Mended("the end lies after the beginning")
	}
	return Shot{Name: fmt.Sprintf("frames %d to %d", first, last), From: first, To: last}, nil
}
