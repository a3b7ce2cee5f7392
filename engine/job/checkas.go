package job

import (
	"slices"
	"strings"

	"cuechoir/engine/check"
	"cuechoir/engine/part"
	"cuechoir/engine/tuning"
	"cuechoir/internal/fault"
)

// CheckOptions say what to check and against what; the zero value is every
// layer against its part, in equal temperament at 440 Hz.
type CheckOptions struct {
	Only    string  // a layer, or all
	A4Hz    float64 // 0: 440
	FreeA4  bool    // each layer's own
	Just    bool    // 5-limit over the tonic
	Tonics  []TonicAt
	Scale   *tuning.Scale // hold the notes against it, not against the part
	Between bool          // judge all layers even when one is named, to hold it against the others
}

// TonicAt is the tonic (0 = C) from a bar on.
type TonicAt struct {
	Bar, Class int
}

// CheckResult is what the check says. Between is of all layers that were judged,
// nil when that is one alone; Heard are those that it counts, by index. Fixes
// are what to do, the most gained first.
type CheckResult struct {
	Layers  []LayerReport
	Heard   []check.Heard
	Between *check.Harmony
	Fixes   []Fix
	Hits    []HitResult
	Good    int      // notes that are good enough ...
	Judged  int      // ... of so many
	Remarks []string // on the check as a whole

	only string
}

// Fix is a check.Fix with names, and the command that begins it.
type Fix struct {
	check.Fix
	LayerName string
	Hear      []string // layers to hear beside it
	Take      string
	Command   string
}

// setSystem reads what the notes should be from the options.
func (w *checker) setSystem() error {
	if w.o.FreeA4 && w.o.A4Hz != 0 {
		return fault.New(fault.Usage, "A4 is either given or free").Mended("leave one of the two away")
	}
	if len(w.o.Tonics) > 0 && !w.o.Just {
		return fault.New(fault.Usage, "a tonic is for just intonation alone").Mended("add --temperament just")
	}
	w.system.A4Hz = w.o.A4Hz
	if w.o.Just {
		if err := w.setTonics(); err != nil {
			return err
		}
	}
	return w.system.Validate()
}

func (w *checker) setTonics() error {
	if len(w.o.Tonics) == 0 {
		class, minor, ok := w.findTonic()
		if !ok {
			return fault.New(fault.Missing, "there is no part to find the tonic in").Mended("give it: --tonic D")
		}
		name := part.KeyName(uint8(60 + class))
		mode := "major"
		if minor {
			mode = "minor"
		}
		w.remark = "just intonation over " + name[:len(name)-1] + " (" + mode + " by the notes of all parts; --tonic gives another)"
		w.system.Tonics = []tuning.Tonic{{Class: class}}
		return nil
	}
	for i, t := range w.o.Tonics {
		at := tuning.Tonic{Class: t.Class}
		if i > 0 || t.Bar > 1 {
			x, err := barsOf(w.s, t.Bar, t.Bar)
			if err != nil {
				return err
			}
			at.From = x.From
		}
		w.system.Tonics = append(w.system.Tonics, at)
	}
	return nil
}

// findTonic is the tonic by the notes of all parts.
func (w *checker) findTonic() (class int, minor, ok bool) {
	var lengths [12]float64
	for _, l := range w.s.Layers {
		for _, n := range l.Notes {
			if !n.Unpitched {
				lengths[n.Key%12] += n.Length.Float()
				ok = true
			}
		}
	}
	class, minor = tuning.FindTonic(lengths)
	return class, minor, ok
}

// result holds the layers against each other and ranks what to do.
func (w *checker) result(reports []LayerReport, everyLayer bool) (CheckResult, error) {
	res := CheckResult{only: w.o.Only}
	if w.remark != "" {
		res.Remarks = append(res.Remarks, w.remark)
	}
	var sung []LayerReport
	for _, r := range reports {
		if r.Take != "" {
			sung = append(sung, r)
			res.Heard = append(res.Heard, check.Heard{Name: r.Layer, Targets: r.Targets, Report: r.Report})
		}
	}
	o := check.BetweenOptions{SampleRate: w.s.SampleRate, Rate: w.s.Reference.Rate, StartFrame: w.s.Reference.Start, System: w.system}
	var h check.Harmony
	if everyLayer && len(sung) > 1 && w.o.Scale == nil {
		var err error
		h, err = check.Between(w.sounding(res.Heard), o)
		switch {
		case err == nil:
			res.Between = &h
		case w.o.Between:
			return res, err
		default:
			res.Remarks = append(res.Remarks, "the layers are not held against each other: "+err.Error())
		}
	}
	for _, fix := range check.Rank(res.Heard, h, o) {
		if w.o.Only == "" || sung[fix.Layer].Layer == w.o.Only {
			res.Fixes = append(res.Fixes, w.named(fix, sung))
		}
	}
	heard := res.Heard
	for _, r := range reports {
		if w.o.Only == "" || r.Layer == w.o.Only {
			res.Layers = append(res.Layers, r)
		}
	}
	if w.o.Only != "" {
		heard = nil
		for _, x := range res.Heard {
			if x.Name == w.o.Only {
				heard = append(heard, x)
			}
		}
	}
	res.Good, res.Judged = check.Enough(heard)
	res.Hits = w.hits(heard)
	return res, nil
}

// sounding leaves out what muted layers sang: it is in no chord.
func (w *checker) sounding(heard []check.Heard) []check.Heard {
	out := slices.Clone(heard)
	for i := range out {
		if l := w.s.Layer(out[i].Name); l != nil && l.Mute {
			out[i].Report = check.Report{}
		}
	}
	return out
}

// Chords are those between the layers, or with a layer named those that it
// sings in; nil when fewer than two are sung.
func (r CheckResult) Chords() []check.ChordResult {
	if r.Between == nil {
		return nil
	}
	if r.only == "" {
		return r.Between.Chords
	}
	var out []check.ChordResult
	for _, c := range r.Between.Chords {
		if slices.ContainsFunc(c.Members, func(m tuning.Member) bool { return r.Heard[m.Layer].Name == r.only }) {
			out = append(out, c)
		}
	}
	return out
}

// Verdict is nil, or with strict a NotMet error when anything is to be mended.
func (r CheckResult) Verdict(strict bool) error {
	n := 0
	for _, f := range r.Fixes {
		n += len(f.Findings)
	}
	if !strict || n == 0 {
		return nil
	}
	return fault.New(fault.NotMet, "%d findings to mend", n)
}

// named gives a fix its names and its command.
func (w *checker) named(fix check.Fix, sung []LayerReport) Fix {
	out := Fix{Fix: fix, LayerName: sung[fix.Layer].Layer, Take: sung[fix.Layer].Take}
	if out.FromBar > 0 && w.grid != nil { // the last note may end bars later
		out.ToBar = max(out.ToBar, w.barAt(min(fix.End, w.s.Length())-1))
	}
	for _, k := range fix.With {
		out.Hear = append(out.Hear, sung[k].Layer)
	}
	if l := w.s.Layer(out.LayerName); l != nil && len(l.Comp) > 0 && !ofLayer(fix.Findings[0].Kind) {
		out.nameTakes(sung[fix.Layer])
	}
	out.Command = w.command(out)
	return out
}

// nameTakes says which takes of a comp a fix is in.
func (f *Fix) nameTakes(r LayerReport) {
	var ids []string
	for _, x := range f.Findings {
		if id := r.TakeAt(x.Sample); id != "" && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	if len(ids) == 0 {
		return
	}
	f.Take = strings.Join(ids, "+")
	told := " (take " + ids[0] + ")"
	if len(ids) > 1 {
		told = " (takes " + strings.Join(ids, ", ") + ")"
	}
	if !strings.HasSuffix(f.Words, told) {
		f.Words += told
	}
}

// barAt is the number of the bar at a sample.
func (w *checker) barAt(sample int64) int {
	bars := w.grid.Bars(w.s.SampleRate)
	at := bars[0].Number
	for _, b := range bars {
		if b.Sample <= sample {
			at = b.Number
		}
	}
	return at
}

// command is what begins a fix.
func (w *checker) command(f Fix) string {
	sing := "cuechoir sing " + f.LayerName
	switch f.Findings[0].Kind {
	case check.AllEarly, check.AllLate:
		if oneTake(f.Take) {
			return nudgeCommand(f.LayerName, f.Take, -f.Findings[0].Milliseconds)
		}
		return "cuechoir latency"
	case check.NoSound:
		return sing
	case check.TunedLow, check.TunedHigh:
		return sing + w.guide(f)
	case check.Drift:
		return sing + w.bars(f) + w.guide(f)
	}
	sing += w.bars(f)
	for _, name := range f.Hear {
		sing += " --hear " + name
	}
	return sing
}
