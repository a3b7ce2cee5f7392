package job

import (
	"context"
	"runtime"
	"slices"
	"sync"

	"cuechoir/engine/check"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
)

// LayerReport is what the check says of one layer.
type LayerReport struct {
	Layer   string
	Take    string // the take that was judged, of a comp all that sound ("001+003"); "" when there is none
	Targets []check.Target
	Report  check.Report
	Notes   []string // what the maker should know of the take

	comp *take.Comp
}

// TakeAt is the take that sounds at a timeline sample, "" when none does.
func (r LayerReport) TakeAt(sample int64) string {
	if r.comp == nil {
		return ""
	}
	return r.comp.TakeAt(sample)
}

// Check judges layers against their parts: the named one, or all that have a
// take. Layers are judged side by side; the order is the score's.
func Check(ctx context.Context, f *score.Folder, only string, progress Progress) ([]LayerReport, error) {
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	var grid *tempo.Grid
	if s.Map != nil {
		if grid, err = Grid(s); err != nil {
			return nil, err
		}
	}
	layers, err := chosen(s, only)
	if err != nil {
		return nil, err
	}
	reports, err := checkAll(ctx, f, s, grid, layers, progress)
	if err != nil {
		return nil, err
	}
	if sung := countSung(reports); sung == 0 {
		return nil, fault.New(fault.Missing, "nothing is sung yet").Mended("sing a layer: cuechoir sing LAYER")
	}
	return reports, nil
}

func countSung(reports []LayerReport) (n int) {
	for _, r := range reports {
		if r.Take != "" {
			n++
		}
	}
	return n
}

func checkAll(ctx context.Context, f *score.Folder, s *score.Score, grid *tempo.Grid, layers []score.Layer, progress Progress) ([]LayerReport, error) {
	reports := make([]LayerReport, len(layers))
	errs := make([]error, len(layers))
	gate := make(chan struct{}, runtime.GOMAXPROCS(0))
	var wg sync.WaitGroup
	var mu sync.Mutex
	done := int64(0)
	for i := range layers {
		wg.Add(1)
		gate <- struct{}{}
		go func() {
			defer func() { <-gate; wg.Done() }()
			if errs[i] = ctx.Err(); errs[i] == nil {
				reports[i], errs[i] = checkLayer(ctx, f, s, grid, &layers[i])
			}
			mu.Lock()
			defer mu.Unlock()
			done++
			progress.Show(done, int64(len(layers)), "listening to "+layers[i].Name)
		}()
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return reports, nil
}

func checkLayer(ctx context.Context, f *score.Folder, s *score.Score, grid *tempo.Grid, l *score.Layer) (LayerReport, error) {
	res := LayerReport{Layer: l.Name}
	if len(l.Notes) > 0 && grid == nil {
		return res, fault.New(fault.Missing, "the score has no tempo map, so it is not known where the notes of %s fall", l.Name).
			Mended("solve it: cuechoir map")
	}
	snd, ok, err := soundOf(f, l)
	if err != nil || !ok {
		return res, err
	}
	res.Take, res.comp = snd.name(), snd.comp
	samples, err := snd.read(ctx, f, s.SampleRate)
	if err != nil {
		return res, err
	}
	if len(l.Notes) > 0 {
		res.Targets = Targets(s, grid, Sounding(grid, l.Notes))
	} else {
		res.Notes = append(res.Notes, "no part: each note is held against the nearest of the scale, its time is not judged")
	}
	res.Notes = append(res.Notes, snd.remarks(s)...)
	in := check.Input{Samples: samples, Start: snd.comp.Start(), SampleRate: s.SampleRate, Rate: s.Reference.Rate, Targets: res.Targets, Dropouts: snd.dropouts()}
	if res.Report, err = check.Layer(in); err != nil {
		return res, fault.New(fault.KindOf(err), "checking layer %s", l.Name).Because(err)
	}
	if len(l.Comp) > 0 {
		res.nameTakes()
	}
	return res, nil
}

// nameTakes says in each finding at one place which take of the comp it is in.
func (r *LayerReport) nameTakes() {
	for i := range r.Report.Findings {
		f := &r.Report.Findings[i]
		if id := r.TakeAt(f.Sample); id != "" && !ofLayer(f.Kind) {
			f.Words += " (take " + id + ")"
		}
	}
}

// ofLayer reports a finding on a layer as a whole.
func ofLayer(k check.Kind) bool {
	switch k {
	case check.Drift, check.TunedLow, check.TunedHigh, check.AllEarly, check.AllLate, check.NoSound:
		return true
	}
	return false
}

// Sounding are the notes of a part that do not begin in a silent bar, where it
// rests.
func Sounding(grid *tempo.Grid, notes []part.Note) []part.Note {
	return slices.DeleteFunc(slices.Clone(notes), func(n part.Note) bool { return grid.Silent(n.Start) })
}

// Targets are a part's notes on the score's timeline.
func Targets(s *score.Score, grid *tempo.Grid, notes []part.Note) []check.Target {
	out := make([]check.Target, len(notes))
	for i, n := range notes {
		bar, beat := grid.BarBeat(n.Start)
		name := n.Lyric
		if !n.Unpitched {
			name = part.KeyName(n.Key)
		}
		out[i] = check.Target{
			Start: grid.SampleAt(n.Start, s.SampleRate), End: grid.SampleAt(n.Start.Add(n.Length), s.SampleRate),
			Key: float64(n.Key), Unpitched: n.Unpitched, Bar: bar, Beat: beat, Name: name,
		}
	}
	return out
}

// Verdict is nil, or with strict a NotMet error when any layer has findings.
func Verdict(reports []LayerReport, strict bool) error {
	n := 0
	for _, r := range reports {
		n += len(r.Report.Findings)
	}
	if !strict || n == 0 {
		return nil
	}
	return fault.New(fault.NotMet, "%d findings to mend", n)
}
