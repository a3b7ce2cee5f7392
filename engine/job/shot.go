package job

import (
	"fmt"
	"strconv"
	"strings"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// Shot is a stretch of the reference.
type Shot struct {
	Name     string // "shot 3", the cut's name, or "frames 240 to 480"
	From, To int64  // frames; To is left out
}

// FindShot reads what a person calls a stretch of the reference: a shot by its
// number as cuts lists it ("3" or "s3"), or by its name, or two positions,
// FROM..TO, the second left out. A shot lasts until the next is whole: what
// dissolves belongs to both.
func FindShot(s *score.Score, what string) (Shot, error) {
	what = strings.TrimSpace(what)
	shots := s.Shots()
	var named []int
	most := 0
	for i, x := range shots {
		if x.Name != "" && strings.EqualFold(x.Name, what) {
			named = append(named, i)
		}
		most = max(most, x.Number)
	}
	switch {
	case len(named) > 1:
		return Shot{}, fault.New(fault.Usage, "%d shots are called %q", len(named), what).Mended("name the shot by its number: %s", numbers(shots, named))
	case len(named) == 1:
		return shotAt(s, shots, named[0], shots[named[0]].Name), nil
	}
	if from, to, ok := strings.Cut(what, ".."); ok {
		return span(s, from, to)
	}
	n, err := strconv.Atoi(strings.TrimPrefix(strings.ToLower(what), "s"))
	if err != nil {
		return Shot{}, fault.New(fault.Usage, "%q is neither a shot's number, a shot's name, nor a span FROM..TO", what).
			Mended("see the shots: cuechoir cuts")
	}
	for i, x := range shots {
		if x.Number == n && n > 0 {
			return shotAt(s, shots, i, fmt.Sprintf("shot %d", n)), nil
		}
	}
	return Shot{}, fault.New(fault.Usage, "there is no shot %d: the reference has 1 to %d", n, most).Mended("see the shots: cuechoir cuts")
}

// numbers lists shots by their places among all.
func numbers(shots []score.Shot, at []int) string {
	var out []string
	for _, i := range at {
		out = append(out, strconv.Itoa(shots[i].Number))
	}
	return strings.Join(out, ", ")
}

// shotAt is the shot at a place among all, with what dissolves at its end.
func shotAt(s *score.Score, shots []score.Shot, i int, name string) Shot {
	shot := Shot{Name: name, From: shots[i].First, To: shots[i].Last + 1}
	for _, c := range s.Cuts {
		if c.Frame == shot.To && c.Kind != cutlist.FadeIn {
			shot.To = c.End
		}
	}
	return shot
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
