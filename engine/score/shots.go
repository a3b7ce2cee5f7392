package score

import (
	"fmt"
	"strconv"
	"strings"

	"cuechoir/engine/cutlist"
	"cuechoir/internal/fault"
)

// Shot is a stretch between changes of picture. A dissolve or wipe belongs to
// the shot that comes; a fade-out ends its shot where it has fallen, and what
// follows until the next change is dark (or white).
type Shot struct {
	Number      int          // from 1; 0 for a dark stretch
	First, Last int64        // frames, both inside it
	Begins      cutlist.Kind // how it begins; "" where no cut does
	Name        string
	cut         int // its place in Score.Cuts; -1 where no cut begins it
}

// Word is how a person names the shot: "s3"; "" for a dark stretch.
func (s Shot) Word() string {
	if s.Number == 0 {
		return ""
	}
	return fmt.Sprintf("s%d", s.Number)
}

// Shots are the shots of the reference and the dark stretches between them,
// in order, without a gap.
func (s *Score) Shots() []Shot {
	out := []Shot{{First: 0, Number: 1, cut: -1}}
	for i, c := range s.Cuts {
		at, next := c.Frame, Shot{Number: 1, Begins: c.Kind, Name: c.Name, cut: i}
		if c.Kind == cutlist.FadeOut {
			at, next = c.End, Shot{cut: i}
		}
		switch last := len(out) - 1; {
		case at >= s.Reference.Frames || at < out[last].First:
			continue
		case at == out[last].First:
			out[last] = next
		default:
			out = append(out, next)
		}
		out[len(out)-1].First = at
	}
	number := 0
	for i := range out {
		out[i].Last = s.Reference.Frames - 1
		if i+1 < len(out) {
			out[i].Last = out[i+1].First - 1
		}
		if out[i].Number > 0 {
			number++
			out[i].Number = number
		}
	}
	if out[0].Number > 0 && s.FirstShot != "" {
		out[0].Name = s.FirstShot
	}
	return out
}

// Shot finds a shot by its word ("s3") or by a position inside it: a frame, a
// time code or seconds.
func (s *Score) Shot(word string) (Shot, error) {
	shots := s.Shots()
	if n, ok := shotNumber(word); ok {
		most := 0
		for _, x := range shots {
			if x.Number == n && n > 0 {
				return x, nil
			}
			most = max(most, x.Number)
		}
		return Shot{}, fault.New(fault.Missing, "there is no shot %s: the shots are s1 to s%d", word, most).Mended("list them: cuechoir cuts")
	}
	frame, err := s.Axis().Parse(word, "")
	if err != nil {
		return Shot{}, fault.New(fault.Usage, "").Because(err).Mended("name a shot (s3) or a position inside it")
	}
	for _, x := range shots {
		if frame <= x.Last {
			if x.Number == 0 {
				return Shot{}, fault.New(fault.Usage, "frame %d lies in the dark between two shots", frame).Mended("name a shot: cuechoir cuts lists them")
			}
			return x, nil
		}
	}
	return Shot{}, fault.New(fault.Missing, "there is no shot at frame %d", frame)
}

// shotNumber reads "s3".
func shotNumber(word string) (int, bool) {
	digits, ok := strings.CutPrefix(strings.ToLower(word), "s")
	n, err := strconv.Atoi(digits)
	return n, ok && err == nil && n >= 0
}
