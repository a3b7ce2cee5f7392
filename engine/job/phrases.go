package job

import (
	"fmt"

	"cuechoir/engine/check"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// A phrase ends where the part rests for a quarter of a second: long enough for
// a breath (common practice).
const phraseRestMilliseconds = 250

// Phrase is a run of notes between rests. From and To (left out) are in the
// middle of the rests, in timeline samples.
type Phrase struct {
	Number             int // from 1
	From, To           int64
	NotesFrom, NotesTo int64  // where its first note begins and its last ends
	Bar, End           int    // bars of its first and last note
	Name               string // "phrase 2"
	First              int    // of its notes, as an index into the targets ...
	Last               int    // ... and the last
}

// Phrases are those of a layer's part. Errors: Missing (no part, no map).
func Phrases(s *score.Score, layer string) ([]Phrase, error) {
	_, targets, err := partOf(s, layer)
	if err != nil {
		return nil, err
	}
	return phrasesOf(s, targets), nil
}

// partOf is a layer and its part on the timeline.
func partOf(s *score.Score, layer string) (*score.Layer, []check.Target, error) {
	l, err := Layer(s, layer)
	if err != nil {
		return nil, nil, err
	}
	grid, err := Grid(s)
	if err != nil {
		return nil, nil, err
	}
	targets := Targets(s, grid, Sounding(grid, l.Notes))
	if len(targets) == 0 {
		return nil, nil, fault.New(fault.Missing, "layer %s has no part, so there is nothing to hold its takes against", layer).
			Mended("give it one: cuechoir layer set %s --part FILE.mid; or choose by ear: cuechoir comp set %s BARS TAKE", layer, layer)
	}
	return l, targets, nil
}

func phrasesOf(s *score.Score, targets []check.Target) []Phrase {
	rest := milliseconds(s, phraseRestMilliseconds)
	var out []Phrase
	from := max(targets[0].Start-rest, min(targets[0].Start, 0))
	for i, first := 0, 0; i < len(targets); i++ {
		to := max(targets[i].End, min(targets[i].End+2*rest, s.Length())) // what rings on
		if i+1 < len(targets) {
			if targets[i+1].Start-targets[i].End < rest {
				continue
			}
			to = targets[i].End + (targets[i+1].Start-targets[i].End)/2
		}
		n := len(out) + 1
		out = append(out, Phrase{n, from, to, targets[first].Start, targets[i].End, targets[first].Bar, targets[i].Bar, fmt.Sprintf("phrase %d", n), first, i})
		from, first = to, i+1
	}
	return out
}

// barPhrases are the bars in which notes begin, as phrases: one whose last note
// is held over the bar line ends where that note does, so that no joint falls
// into a note.
func barPhrases(s *score.Score, targets []check.Target) ([]Phrase, error) {
	grid, err := Grid(s)
	if err != nil {
		return nil, err
	}
	var out []Phrase
	for i := 0; i < len(targets); {
		first, bar := i, targets[i].Bar
		for i < len(targets) && targets[i].Bar == bar {
			i++
		}
		from, to := grid.BarSample(bar, s.SampleRate), max(grid.BarSample(bar+1, s.SampleRate), targets[i-1].End)
		if n := len(out); n > 0 && from < out[n-1].To {
			from = out[n-1].To
		}
		if from < to {
			out = append(out, Phrase{len(out) + 1, from, to, targets[first].Start, targets[i-1].End, bar, bar, fmt.Sprintf("bar %d", bar), first, i - 1})
		}
	}
	return out, nil
}

// PhraseStretch is the stretch of phrases, to the end of the last.
func PhraseStretch(s *score.Score, layer string, from, to int) (lo, hi int64, err error) {
	phrases, err := Phrases(s, layer)
	if err != nil {
		return 0, 0, err
	}
	if from < 1 || to < from || to > len(phrases) {
		return 0, 0, fault.New(fault.Usage, "phrases %d to %d are not all in the part, which has %d", from, to, len(phrases)).
			Mended("list them: cuechoir comp phrase %s", layer)
	}
	return phrases[from-1].From, phrases[to-1].To, nil
}
