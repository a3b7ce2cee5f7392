package job

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"cuechoir/engine/check"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/timing"
	"cuechoir/internal/fault"
)

// How takes are weighed against each other over a phrase or bar. A note costs
// its distance from the part in multiples of what is tolerated; one that is not
// there, or another, costs as much as six such. A joint costs a little, so that
// takes do not change for nothing.
const (
	listenCents   = 25
	wrongCost     = 6
	notJudgedCost = 1
	brokenCost    = 12 // a gap or clipping in it
	jointCost     = 0.15
	ratingCost    = 0.02 // a star: between equals, the better rated
)

// Choice is which take is best over a phrase or bar, and why.
type Choice struct {
	Phrase
	Take  string
	Costs map[string]float64 // of each take that holds it: 0 is faultless
	Words string
}

// BestResult is the choices and the comp that follows from them.
type BestResult struct {
	Choices []Choice
	Comp    Comp
}

// BestComp puts together the takes with the best figures of check, by phrase, or
// by bar. It replaces the layer's comp. Errors: Missing (no part, no map, no
// take).
func BestComp(ctx context.Context, f *score.Folder, layer string, byBar bool, progress Progress) (res BestResult, err error) {
	res.Comp, err = editComp(f, "best takes of "+layer, layer, func(s *score.Score, l *score.Layer) error {
		_, targets, err := partOf(s, layer)
		if err != nil {
			return err
		}
		phrases := phrasesOf(s, targets)
		if byBar {
			if phrases, err = barPhrases(s, targets); err != nil {
				return err
			}
		}
		judged, err := judgeTakes(ctx, f, s, l, targets, progress)
		if err != nil {
			return err
		}
		res.Choices = choose(l, phrases, judged)
		return layChoices(f, s, l, res.Choices)
	})
	return res, err
}

// layChoices replaces a layer's comp.
func layChoices(f *score.Folder, s *score.Score, l *score.Layer, choices []Choice) error {
	if err := nameBase(f, l); err != nil {
		return err
	}
	l.Comp = nil
	var wishes []int64
	for _, c := range choices {
		if c.Take != "" {
			wishes = l.SetSpan(c.Take, c.From, c.To, milliseconds(s, fadeMilliseconds), 0)
		}
	}
	wishes = wishes[:0]
	for _, x := range l.Comp {
		wishes = append(wishes, x.From, x.To)
	}
	slices.Sort(wishes)
	return placeJoints(f, s, l, slices.Compact(wishes))
}

// judged is a take and what check says of each note.
type judged struct {
	take.Info
	notes  []check.NoteResult
	broken []int64 // samples of gaps and clipping
	rating int
}

func judgeTakes(ctx context.Context, f *score.Folder, s *score.Score, l *score.Layer, targets []check.Target, progress Progress) ([]judged, error) {
	infos, err := take.List(f.Dir, l.Name)
	if err != nil {
		return nil, err
	}
	var out []judged
	for i, t := range infos {
		progress.Show(int64(i), int64(len(infos)), "listening to take "+t.ID)
		if t.State == take.Recording {
			continue
		}
		samples, err := readTake(ctx, f, t, s.SampleRate)
		if err != nil {
			return nil, err
		}
		j := judged{Info: nudged(l, t), rating: l.MarkOf(t.ID).Rating}
		in := check.Input{Samples: samples, Start: j.Start, SampleRate: s.SampleRate, Rate: s.Reference.Rate, Targets: targets}
		for _, d := range t.Dropouts {
			in.Dropouts = append(in.Dropouts, check.Dropout{Sample: j.Start + d.Sample, Length: d.Length})
		}
		rep, err := check.Layer(in)
		if err != nil {
			return nil, fault.New(fault.KindOf(err), "checking take %s of %s", t.ID, l.Name).Because(err)
		}
		j.notes = rep.Notes
		for _, x := range rep.Findings {
			if x.Kind == check.Dropped || x.Kind == check.Clipping {
				j.broken = append(j.broken, x.Sample)
			}
		}
		out = append(out, j)
	}
	if len(out) == 0 {
		return nil, notSung(l.Name)
	}
	return out, nil
}

// figures are a take's over a phrase, as means of its notes.
type figures struct {
	cost           float64
	cents, late    float64 // of absolute values, over n and timed notes
	n, timed       int
	wrong, skipped int
	broken         int
	rating         int
}

// over weighs a take over a phrase; ok is false when it does not hold all its notes.
func (j judged) over(p Phrase) (g figures, ok bool) {
	from, to := j.Wanted()
	if from > p.NotesFrom || to < p.NotesTo {
		return g, false
	}
	sum := 0.0
	for _, n := range j.notes {
		if n.Target < p.First || n.Target > p.Last {
			continue
		}
		sum += g.add(n)
	}
	for _, at := range j.broken {
		if at >= p.From && at < p.To {
			g.broken++
		}
	}
	if g.n > 0 {
		g.cents /= float64(g.n)
	}
	if g.timed > 0 {
		g.late /= float64(g.timed)
	}
	g.rating = j.rating
	g.cost = sum/float64(p.Last-p.First+1) + float64(g.broken)*brokenCost - ratingCost*float64(j.rating)
	return g, true
}

// add takes one note in and says what it costs.
func (g *figures) add(n check.NoteResult) float64 {
	switch n.Verdict {
	case check.VerdictMissing, check.VerdictWrong, check.VerdictOctave:
		g.wrong++
		return wrongCost
	case check.VerdictNotJudged:
		g.skipped++
		return notJudgedCost
	}
	tolerated := timing.DefaultTolerance.LateMilliseconds
	if n.Milliseconds < 0 {
		tolerated = timing.DefaultTolerance.EarlyMilliseconds
	}
	g.n++
	g.timed++
	g.cents += math.Abs(n.Cents)
	g.late += math.Abs(n.Milliseconds)
	return min(math.Abs(n.Cents)/listenCents+math.Abs(n.Milliseconds)/tolerated, wrongCost)
}

// choose finds the cheapest row of takes, a joint counting too: dynamic
// programming over phrases and takes.
func choose(l *score.Layer, phrases []Phrase, takes []judged) []Choice {
	n := len(takes)
	rows := make([][]figures, len(phrases))
	best := make([]float64, n) // cheapest row that ends with each take
	from := make([][]int, len(phrases))
	for i, p := range phrases {
		rows[i], from[i] = make([]figures, n), make([]int, n)
		cheapest := 0
		for k := range best {
			if best[k] < best[cheapest] {
				cheapest = k
			}
		}
		next := make([]float64, n)
		for k, j := range takes {
			g, ok := j.over(p)
			if !ok {
				g.cost = math.Inf(1)
			}
			rows[i][k], from[i][k], next[k] = g, k, best[k]
			if i > 0 && best[cheapest]+jointCost < best[k] {
				from[i][k], next[k] = cheapest, best[cheapest]+jointCost
			}
			if ok {
				next[k] += g.cost
			} else {
				next[k] += wrongCost * wrongCost // never, where another holds the phrase
			}
		}
		best = next
	}
	at := 0
	for k := range best {
		if best[k] < best[at] || best[k] == best[at] && takes[k].ID == l.Use {
			at = k
		}
	}
	out := make([]Choice, len(phrases))
	for i := len(phrases) - 1; i >= 0; i-- {
		out[i] = choiceOf(phrases[i], takes, rows[i], at)
		at = from[i][at]
	}
	return out
}

// choiceOf tells one choice and its reason.
func choiceOf(p Phrase, takes []judged, row []figures, at int) Choice {
	c := Choice{Phrase: p, Costs: map[string]float64{}}
	second := -1
	for k, g := range row {
		if math.IsInf(g.cost, 1) {
			continue
		}
		c.Costs[takes[k].ID] = g.cost
		if k != at && (second < 0 || g.cost < row[second].cost) {
			second = k
		}
	}
	if _, held := c.Costs[takes[at].ID]; !held {
		c.Words = p.Name + ": no take holds all of it, so it stays as it is"
		return c
	}
	from, to := takes[at].Wanted()
	c.Take, c.From, c.To = takes[at].ID, max(p.From, from), min(p.To, to)
	c.Words = fmt.Sprintf("%s: take %s (%s)", p.Name, c.Take, row[at].words())
	switch {
	case second < 0:
		c.Words += ", the only one that holds it"
	case row[second].cost < row[at].cost:
		c.Words += fmt.Sprintf("; take %s (%s) is hardly better, not worth a joint", takes[second].ID, row[second].words())
	default:
		c.Words += fmt.Sprintf(" rather than %s (%s)", takes[second].ID, row[second].words())
	}
	return c
}

// words are the figures in plain words.
func (g figures) words() string {
	var out []string
	if g.n > 0 {
		out = append(out, fmt.Sprintf("%.0f cents and %.0f ms off", g.cents, g.late))
	}
	for _, x := range []struct {
		n    int
		what string
	}{{g.wrong, "wrong or missing"}, {g.skipped, "not judged"}, {g.broken, "gaps or clipping"}} {
		if x.n > 0 {
			out = append(out, fmt.Sprintf("%d %s", x.n, x.what))
		}
	}
	if g.rating > 0 {
		out = append(out, fmt.Sprintf("rated %d", g.rating))
	}
	return strings.Join(out, ", ")
}
