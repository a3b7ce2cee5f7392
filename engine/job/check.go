package job

import (
	"context"
	"fmt"
	"slices"

	"cuechoir/engine/check"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/engine/tuning"
	"cuechoir/internal/fault"
)

// LayerReport is what the check says of one layer.
type LayerReport struct {
	Layer   string
	Take    string // the take that was judged, of a comp all that sound ("001+003"); "" when there is none
	Targets []check.Target
	Report  check.Report
	Notes   []string // what the maker should know of the take
	// Memory holds the layer's drift against that of what may have been heard,
	// the other layers and the reference; only when the layer drifts.
	Memory []Memory

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
	res, err := CheckAs(ctx, f, CheckOptions{Only: only}, progress)
	return res.Layers, err
}

// CheckAs judges layers as the options say, and ranks what to do over all of
// them. Errors: Missing (nothing sung, no such layer, no map), Usage (options
// that cannot be).
func CheckAs(ctx context.Context, f *score.Folder, o CheckOptions, progress Progress) (CheckResult, error) {
	var res CheckResult
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	w := checker{f: f, s: s, o: o, progress: progress}
	if s.Map != nil {
		if w.grid, err = Grid(s); err != nil {
			return res, err
		}
	}
	name := o.Only
	if o.Between {
		if name = ""; o.Only != "" {
			if _, err := chosen(s, o.Only); err != nil {
				return res, err
			}
		}
	}
	layers, err := chosen(s, name)
	if err != nil {
		return res, err
	}
	if err := w.setSystem(); err != nil {
		return res, err
	}
	reports, err := w.all(ctx, layers)
	if err != nil {
		return res, err
	}
	if sung := countSung(reports); sung == 0 {
		return res, fault.New(fault.Missing, "nothing is sung yet").Mended("sing a layer: cuechoir sing LAYER")
	}
	if err := w.remember(ctx, reports); err != nil {
		return res, err
	}
	return w.result(reports, name == "")
}

func countSung(reports []LayerReport) (n int) {
	for _, r := range reports {
		if r.Take != "" {
			n++
		}
	}
	return n
}

// checker is the work of a check.
type checker struct {
	f        *score.Folder
	s        *score.Score
	grid     *tempo.Grid
	o        CheckOptions
	system   tuning.System
	remark   string // how the system came about
	progress Progress
}

func (w *checker) all(ctx context.Context, layers []score.Layer) ([]LayerReport, error) {
	reports := make([]LayerReport, len(layers))
	names := make([]string, len(layers))
	for i, l := range layers {
		names[i] = l.Name
	}
	err := sideBySide(names, w.progress, "listening to", func(i int) (err error) {
		if err = ctx.Err(); err == nil {
			reports[i], err = w.layer(ctx, &layers[i])
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return reports, nil
}

func (w *checker) layer(ctx context.Context, l *score.Layer) (LayerReport, error) {
	res := LayerReport{Layer: l.Name}
	toPart := len(l.Notes) > 0 && w.o.Scale == nil
	if toPart && w.grid == nil {
		return res, fault.New(fault.Missing, "the score has no tempo map, so it is not known where the notes of %s fall", l.Name).
			Mended("solve it: cuechoir map")
	}
	snd, ok, err := soundOf(w.f, l)
	if err != nil || !ok {
		return res, err
	}
	res.Take, res.comp = snd.name(), snd.comp
	samples, err := snd.read(ctx, w.f, w.s.SampleRate)
	if err != nil {
		return res, err
	}
	in := check.Input{Samples: samples, Start: snd.comp.Start(), SampleRate: w.s.SampleRate, Rate: w.s.Reference.Rate, Dropouts: snd.dropouts(),
		Options: check.Options{System: w.system, FreeA4: w.o.FreeA4}}
	switch {
	case toPart:
		res.Targets = Targets(w.s, w.grid, Sounding(w.grid, l.Notes))
	case w.o.Scale != nil:
		in.Options.Scale = *w.o.Scale
		res.Notes = append(res.Notes, "each note is held against the nearest of the scale, its time is not judged")
	default:
		res.Notes = append(res.Notes, "no part: each note is held against the nearest of the scale, its time is not judged")
	}
	in.Targets = res.Targets
	res.Notes = append(res.Notes, snd.remarks(w.s)...)
	if res.Report, err = check.Layer(in); err != nil {
		return res, fault.New(fault.KindOf(err), "checking layer %s", l.Name).Because(err)
	}
	if w.o.FreeA4 {
		res.Notes = append(res.Notes, fmt.Sprintf("its A4 is %.1f Hz", res.Report.A4Hz))
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
