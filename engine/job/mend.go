package job

import (
	"context"
	"math"
	"slices"
	"strings"

	"cuechoir/engine/check"
	"cuechoir/engine/pitch"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
)

// MendedNote is what the mends do to a note that was sung.
type MendedNote struct {
	Bar          int // 0 without a map
	Beat         string
	Name         string
	Sample       int64   // where it begins as sung, on the timeline
	Cents        float64 // how far it goes up
	Milliseconds float64 // how much later it begins
}

// MendReport is what a layer's mends do.
type MendReport struct {
	Layer string
	Mends []score.Mend
	Notes []MendedNote // those that change, in order
	Left  int          // notes that were heard too unsurely to be retuned
	Short int          // notes that could not move all the way
}

// What a mend takes for granted.
const (
	sureToRetune     = 0.3  // confidence
	hitReachMS       = 250  // a note belongs to a hit, or to a note of another layer, no further away
	octaveCents      = 1200 // another octave than the part's is a choice
	concertA         = 440  // Hz
	mostFollowLayers = 16
)

// listened is a layer's sound with its notes.
type listened struct {
	s       *score.Score
	layer   *score.Layer
	grid    *tempo.Grid // nil without a map
	x       []float32
	start   int64 // timeline sample of x[0]
	targets []check.Target
	report  check.Report
}

// listenTo checks a layer's sound, as sung.
func listenTo(ctx context.Context, f *score.Folder, s *score.Score, l *score.Layer, snd layerSound) (*listened, error) {
	h := &listened{s: s, layer: l, start: snd.comp.Start()}
	var err error
	if s.Map != nil {
		if h.grid, err = Grid(s); err != nil {
			return nil, err
		}
		h.targets = Targets(s, h.grid, Sounding(h.grid, l.Notes))
	}
	if h.x, err = snd.read(ctx, f, s.SampleRate); err != nil {
		return nil, err
	}
	in := check.Input{Samples: h.x, Start: h.start, SampleRate: s.SampleRate, Rate: s.Reference.Rate, Targets: h.targets, Dropouts: snd.dropouts()}
	in.Options.System.A4Hz = concertA // what the other layers and the guides are tuned to
	h.report, err = check.Layer(in)
	if err != nil {
		return nil, fault.New(fault.KindOf(err), "listening to layer %s", l.Name).Because(err)
	}
	return h, nil
}

// mendOf is the mend of a kind that counts at a timeline sample.
func mendOf(l *score.Layer, do string, at int64) (score.Mend, bool) {
	for _, m := range slices.Backward(l.Mends) {
		if m.Do == do && (m.All() || at >= m.From && at < m.By) {
			return m, m.Amount > 0
		}
	}
	return score.Mend{}, false
}

// does says whether a layer has mends of a kind.
func does(l *score.Layer, do string) bool {
	return slices.ContainsFunc(l.Mends, func(m score.Mend) bool { return m.Do == do })
}

// sungAt is where a note begins, on the timeline; false when it was not sung.
func (h *listened) sungAt(n check.NoteResult) (int64, bool) {
	if n.Verdict == check.VerdictMissing {
		return 0, false
	}
	if n.Target >= 0 && n.Target < len(h.targets) {
		return h.targets[n.Target].Start + h.samples(n.Milliseconds), true
	}
	return n.Onset, n.Sung
}

// written is where a note stands in the bars: by its part, or by its middle.
func (h *listened) written(n check.NoteResult) int64 {
	if n.Target >= 0 && n.Target < len(h.targets) {
		return h.targets[n.Target].Start
	}
	return n.Onset + (n.Offset-n.Onset)/2
}

func (h *listened) samples(ms float64) int64 {
	return int64(math.Round(ms * float64(h.s.SampleRate) / 1000))
}

// goals are all notes that were sung, those that stay as they are by an amount
// of 0 (a neighbour's way must end where they begin), and how many should go to
// their pitch but were not heard well enough.
func (h *listened) goals() (goals []voice.Goal, of []int, left int) {
	for i, n := range h.report.Notes {
		if _, ok := h.sungAt(n); !ok || !n.Sung || n.Key == 0 || n.Offset <= n.Onset {
			continue
		}
		centre := 100*n.Key + n.Cents
		g := voice.Goal{Onset: n.Onset - h.start, Offset: n.Offset - h.start, Centre: centre, VibratoHz: n.VibratoHz, Target: centre}
		m, mend := mendOf(h.layer, score.Retune, h.written(n))
		extra := n.Verdict == check.VerdictExtra && len(h.targets) > 0
		switch {
		case !mend || extra:
		case n.Confidence < sureToRetune:
			left++
		default:
			g.Target = 100*n.Key + octaveCents*math.Round(n.Cents/octaveCents)
			g.Amount, g.Speed = m.Amount, m.SpeedMS/1000
		}
		goals, of = append(goals, g), append(of, i)
	}
	return goals, of, left
}

// entries are all notes and how much later each should begin.
func (h *listened) entries(places func(to string) ([]int64, error)) (entries []voice.Entry, of []int, err error) {
	for i, n := range h.report.Notes {
		at, ok := h.sungAt(n)
		if !ok {
			continue
		}
		e := voice.Entry{Onset: n.Onset - h.start, Offset: n.Offset - h.start}
		if !n.Sung || n.Offset <= n.Onset { // a drum has no pitch to end by
			e.Onset = at - h.start
			e.Offset = e.Onset + h.samples(hitReachMS/2)
		}
		if m, mend := mendOf(h.layer, score.Retime, h.written(n)); mend {
			to, ok, err := h.place(m.To, n, at, places)
			if err != nil {
				return nil, nil, err
			}
			if ok {
				e.By = int64(math.Round(m.Amount * float64(to-at)))
			}
		}
		entries, of = append(entries, e), append(of, i)
	}
	return entries, of, nil
}

// place is where a note should begin; false when there is nothing near.
func (h *listened) place(to string, n check.NoteResult, at int64, places func(string) ([]int64, error)) (int64, bool, error) {
	if to == score.ToGrid {
		if n.Target >= 0 && n.Target < len(h.targets) {
			return h.targets[n.Target].Start, true, nil
		}
		if h.grid == nil {
			return 0, false, noMapToRetime(h.layer.Name)
		}
		eighth := timecode.R(h.grid.QuarterAt(at, h.s.SampleRate).Mul(timecode.Int(2)).Round(), 2)
		return h.grid.SampleAt(eighth, h.s.SampleRate), true, nil
	}
	all, err := places(to)
	if err != nil {
		return 0, false, err
	}
	best, found := int64(0), false
	for _, p := range all {
		if d := max(p-at, at-p); d <= h.samples(hitReachMS) && (!found || d < max(best-at, at-best)) {
			best, found = p, true
		}
	}
	return best, found, nil
}

func noMapToRetime(layer string) error {
	return fault.New(fault.Missing, "layer %s cannot go to the grid: there is no tempo map", layer).Mended("solve it: cuechoir map")
}

// follower finds the places that retimed notes go to; trail are the layers on
// the way, so that none follows itself.
type follower struct {
	ctx   context.Context
	f     *score.Folder
	s     *score.Score
	trail []string
	known map[string][]int64
}

func (w *follower) places(to string) ([]int64, error) {
	if p, ok := w.known[to]; ok {
		return p, nil
	}
	var out []int64
	if to == score.ToHits {
		for _, h := range w.s.Hits {
			out = append(out, w.s.Reference.Rate.SampleOf(h.Frame, w.s.SampleRate))
		}
	} else {
		var err error
		if out, err = w.layer(to); err != nil {
			return nil, err
		}
	}
	w.known[to] = out
	return out, nil
}

// layer are the places at which another layer's notes begin, as it is heard.
func (w *follower) layer(name string) ([]int64, error) {
	if slices.Contains(w.trail, name) || len(w.trail) >= mostFollowLayers {
		return nil, fault.New(fault.Usage, "layers follow each other in a circle: %s, %s", strings.Join(w.trail, ", "), name).
			Mended("take one out: cuechoir mend %s clear", name)
	}
	l, err := Layer(w.s, name)
	if err != nil {
		return nil, err
	}
	snd, ok, err := soundOf(w.f, l)
	if err != nil {
		return nil, err
	}
	if !ok {
		return nil, fault.New(fault.Missing, "layer %s is not sung yet, so none can follow it", name).Mended("sing it: cuechoir sing %s", name)
	}
	h, err := listenTo(w.ctx, w.f, w.s, l, snd)
	if err != nil {
		return nil, err
	}
	next := &follower{ctx: w.ctx, f: w.f, s: w.s, trail: append(slices.Clone(w.trail), name), known: map[string][]int64{}}
	entries, of, err := h.entries(next.places)
	if err != nil {
		return nil, err
	}
	var out []int64
	for k, i := range of {
		at, _ := h.sungAt(h.report.Notes[i])
		out = append(out, at+entries[k].By)
	}
	return out, nil
}

// mend is a layer's sound with its mends made, as long as it was.
func mend(ctx context.Context, f *score.Folder, s *score.Score, l *score.Layer, snd layerSound) ([]float32, MendReport, error) {
	rep := MendReport{Layer: l.Name, Mends: l.Mends}
	h, err := listenTo(ctx, f, s, l, snd)
	if err != nil {
		return nil, rep, err
	}
	frames := make([]pitch.Frame, len(h.report.Pitch))
	for i, p := range h.report.Pitch {
		frames[i] = p
		frames[i].Sample -= h.start
	}
	sung := voice.ListenTo(h.x, s.SampleRate, frames)
	w := &follower{ctx: ctx, f: f, s: s, trail: []string{l.Name}, known: map[string][]int64{}}
	var e voice.Edits
	var goals []voice.Goal
	var tuned []int
	if does(l, score.Retune) {
		goals, tuned, rep.Left = h.goals()
		e.Cents = sung.Retuned(goals)
	}
	var moved []int
	var entries []voice.Entry
	if does(l, score.Retime) {
		if entries, moved, err = h.entries(w.places); err != nil {
			return nil, rep, err
		}
		e.Moves, rep.Short = sung.Retimed(entries)
	}
	h.tell(&rep, goals, tuned, entries, moved)
	out, err := sung.Render(e)
	if err != nil {
		return nil, rep, fault.New(fault.KindOf(err), "mending layer %s", l.Name).Because(err)
	}
	return out, rep, nil
}

// tell lists the notes that change.
func (h *listened) tell(rep *MendReport, goals []voice.Goal, tuned []int, entries []voice.Entry, moved []int) {
	changes := map[int]*MendedNote{}
	of := func(i int) *MendedNote {
		if changes[i] == nil {
			n := h.report.Notes[i]
			at, _ := h.sungAt(n)
			changes[i] = &MendedNote{Sample: at, Name: pitchName(n.Key)}
			if h.grid != nil {
				changes[i].Bar, changes[i].Beat = h.grid.BarBeat(h.grid.QuarterAt(at, h.s.SampleRate))
			}
			if n.Target >= 0 && n.Target < len(h.targets) {
				t := h.targets[n.Target]
				changes[i].Bar, changes[i].Beat, changes[i].Name = t.Bar, t.Beat, t.Name
			}
		}
		return changes[i]
	}
	for k, i := range tuned {
		if g := goals[k]; g.Amount > 0 && g.Target != g.Centre {
			of(i).Cents = g.Amount * (g.Target - g.Centre)
		}
	}
	for k, i := range moved {
		if by := entries[k].By; by != 0 {
			of(i).Milliseconds = 1000 * float64(by) / float64(h.s.SampleRate)
		}
	}
	for i := range h.report.Notes {
		if c := changes[i]; c != nil {
			rep.Notes = append(rep.Notes, *c)
		}
	}
}
