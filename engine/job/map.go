package job

import (
	"context"
	"errors"
	"fmt"

	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
)

// MapOptions say how the tempo map is sought.
type MapOptions struct {
	Tempo   tempo.Options // Rate and Frames are the score's own
	Choose  int           // which answer is stored, from 1; 0: the best
	Nearest bool          // store the nearest map when the wishes cannot all be met
}

// MapResult is what was found and which answer was stored.
type MapResult struct {
	Answers []tempo.Answer
	Stored  int      // index into Answers, -1 when none was
	Gone    []string // what the old map had by hand and the new one has not: holds, silent bars
}

// SolveMap finds tempo maps whose beats land on the score's hits, and stores
// one. Every map keeps the beats that are pinned in the stored one. When the
// wishes are impossible it reports the nearest maps with an error of kind
// NotMet, and stores one only if Nearest is set.
func SolveMap(ctx context.Context, f *score.Folder, o MapOptions) (MapResult, error) {
	res := MapResult{Stored: -1}
	var unmet error
	_, err := f.Edit("map solved", func(s *score.Score) error {
		o.Tempo.Rate, o.Tempo.Frames = s.Reference.Rate, s.Reference.Frames
		o.Tempo.Answers = max(o.Tempo.Answers, o.Choose)
		if s.Map != nil {
			o.Tempo.Pins = s.Map.Pins
		}
		var err error
		res.Answers, err = tempo.Solve(ctx, s.Hits, o.Tempo)
		if err != nil && (fault.KindOf(err) != fault.NotMet || !o.Nearest || len(res.Answers) == 0) {
			return err
		}
		unmet = err
		choice := max(o.Choose, 1)
		if choice > len(res.Answers) {
			return fault.New(fault.Usage, "there are %d answers, not %d", len(res.Answers), choice).Mended("choose 1 to %d", len(res.Answers))
		}
		m := res.Answers[choice-1].Map
		res.Gone = byHand(s.Map)
		s.Map = &m
		res.Stored = choice - 1
		return nil
	})
	if err != nil {
		res.Stored, res.Gone = -1, nil
	}
	return res, errors.Join(err, unmet)
}

// byHand names what a map has that no solve makes.
func byHand(m *tempo.Map) []string {
	holds, silent := 0, 0
	if m != nil {
		for _, s := range m.Sections {
			if s.Hold.Sign() > 0 {
				holds++
			}
			if s.Silent {
				silent++
			}
		}
	}
	var out []string
	if holds > 0 {
		out = append(out, count(holds, "held beat"))
	}
	if silent > 0 {
		out = append(out, count(silent, "silent passage"))
	}
	return out
}

func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// Landings tells how the stored map meets the hits.
func Landings(s *score.Score) ([]tempo.Landing, error) {
	if _, err := Grid(s); err != nil {
		return nil, err
	}
	return tempo.Landings(*s.Map, s.Hits, s.Reference.Rate)
}
