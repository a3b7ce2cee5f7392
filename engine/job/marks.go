package job

import (
	"fmt"
	"slices"
	"strings"

	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// RateTake keeps how good a take is, 1 to score.MaxRating, or 0: not rated.
func RateTake(f *score.Folder, layer, id string, rating int) (score.Mark, error) {
	if rating < 0 || rating > score.MaxRating {
		return score.Mark{}, fault.New(fault.Usage, "a rating of %d is outside 0 to %d", rating, score.MaxRating).
			Mended("%d is best, 0 takes the rating back", score.MaxRating)
	}
	label := fmt.Sprintf("take %s of %s rated %d", id, layer, rating)
	return editMark(f, label, layer, id, func(_ *score.Score, m *score.Mark) error { m.Rating = rating; return nil })
}

// NoteTake keeps words on a take; "" takes them back.
func NoteTake(f *score.Folder, layer, id, words string) (score.Mark, error) {
	return editMark(f, fmt.Sprintf("words on take %s of %s", id, layer), layer, id,
		func(_ *score.Score, m *score.Mark) error { m.Note = words; return nil })
}

// NudgeTake moves a take, wherever it is used, by a distance that ParseNudge
// reads; "0" puts it back where it was sung.
func NudgeTake(f *score.Folder, layer, id, by string) (score.Mark, error) {
	return editMark(f, fmt.Sprintf("take %s of %s nudged by %s", id, layer, by), layer, id, func(s *score.Score, m *score.Mark) error {
		n, err := ParseNudge(by, s.Reference.Rate, s.SampleRate)
		if err != nil {
			return err
		}
		if n == 0 {
			m.Nudge = 0
			return nil
		}
		if m.Nudge += n; m.Nudge < -score.MaxNudge || m.Nudge > score.MaxNudge {
			return fault.New(fault.OverLimit, "a nudge of %d samples is out of range", m.Nudge)
		}
		return nil
	})
}

// ParseNudge reads a distance on the timeline as whole samples, later when
// positive: "+480" (samples), "-12ms" or "+2f" (frames of the rate), fractions
// as decimals, "0" alone without a sign. Errors: Usage.
func ParseNudge(text string, rate timecode.Rate, sampleRate int) (int64, error) {
	text = strings.TrimSpace(text)
	if text == "0" {
		return 0, nil
	}
	number, unit := text, timecode.Int(1)
	if n, ok := strings.CutSuffix(text, "ms"); ok {
		number, unit = n, timecode.R(int64(sampleRate), 1000)
	} else if n, ok := strings.CutSuffix(text, "f"); ok {
		number, unit = n, rate.SamplePos(timecode.Int(1), sampleRate)
	}
	x, err := timecode.ParseRatio(number)
	signed := strings.HasPrefix(text, "+") || strings.HasPrefix(text, "-")
	if err != nil || !signed || strings.Contains(number, "/") {
		return 0, fault.New(fault.Usage, "%q is no nudge", text).
			Mended("use +2f (frames later), -12ms (earlier) or +480 (samples); 0 puts the take back")
	}
	if limit := timecode.Int(score.MaxNudge); x.Cmp(limit) > 0 || x.Cmp(timecode.Int(-score.MaxNudge)) < 0 {
		return 0, fault.New(fault.OverLimit, "a nudge of %s is out of range", text)
	}
	exact := x.Mul(unit)
	if n := exact.Round(); n != 0 {
		return n, nil
	}
	return 0, fault.New(fault.Usage, "a nudge of %s is less than half a sample", text).Mended("0 puts the take back")
}

// editMark changes what is said of a take that is there.
func editMark(f *score.Folder, label, layer, id string, change func(*score.Score, *score.Mark) error) (m score.Mark, err error) {
	_, err = f.Edit(label, func(s *score.Score) error {
		l, err := Layer(s, layer)
		if err != nil {
			return err
		}
		if _, err := takeNamed(f, l, id); err != nil {
			return err
		}
		m = l.MarkOf(id)
		if err := change(s, &m); err != nil {
			return err
		}
		l.SetMark(m)
		return nil
	})
	return m, err
}

// takeNamed is a take of a layer that has ended, as it lies on the timeline.
func takeNamed(f *score.Folder, l *score.Layer, id string) (take.Info, error) {
	infos, err := take.List(f.Dir, l.Name)
	i := slices.IndexFunc(infos, func(t take.Info) bool { return t.ID == id && t.State != take.Recording })
	if i < 0 {
		if err != nil {
			return take.Info{}, err
		}
		return take.Info{}, fault.New(fault.Missing, "layer %s has no take %s", l.Name, id).Mended("list them: cuechoir takes %s", l.Name)
	}
	return nudged(l, infos[i]), nil
}
