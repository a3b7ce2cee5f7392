package check

import (
	"cmp"
	"math"
	"slices"
)

// fixWhole makes fixes of what is true of a layer as a whole.
func (r *ranking) fixWhole(k int) {
	l := r.layers[k]
	for _, f := range l.Report.Findings {
		if !f.ofLayer() {
			continue
		}
		fix := Fix{Layer: k, Whole: f.Kind != Drift, Sample: f.Sample, Frame: f.Frame, Severity: f.Severity, Findings: []Finding{f}}
		notes := map[int]bool{}
		if f.Kind == Drift {
			fix.FromBar, fix.ToBar = f.Bar, f.Bar
		}
		for _, n := range l.Report.Notes {
			if f.Kind == Drift && n.Onset < f.Sample {
				continue // before it is too far off
			}
			fix.Gain += max(0, r.wholeGain(k, f.Kind, n))
			fix.End = max(fix.End, n.Offset)
			notes[n.Target] = true
			if n.Target >= 0 && f.Kind == Drift {
				fix.take(l.Targets[n.Target])
			}
		}
		if f.Kind != AllEarly && f.Kind != AllLate {
			fix.Gain += r.chordGain(k, notes)
		}
		r.fixes = append(r.fixes, fix)
	}
}

// ofLayer: the finding is about the layer as a whole.
func (f Finding) ofLayer() bool {
	switch f.Kind {
	case TunedLow, TunedHigh, AllEarly, AllLate, NoSound, Drift:
		return true
	}
	return false
}

// wholeGain is what one note gains when its layer is mended as a whole.
func (r *ranking) wholeGain(k int, kind Kind, n NoteResult) float64 {
	w, ms := r.weight(r.lengthOf(k, n)), heardMilliseconds(n)
	now := r.costOf(n, n.Cents, ms) * w
	switch kind {
	case NoSound:
		return now
	case AllEarly, AllLate:
		return now - r.costOf(n, n.Cents, ms-n.Milliseconds+n.RelativeMilliseconds)*w
	}
	return now - r.costOf(n, n.DetrendedCents, ms)*w
}

// take widens a fix's bars by a note's.
func (f *Fix) take(t Target) {
	if t.Bar == 0 {
		return
	}
	if f.FromBar == 0 || t.Bar < f.FromBar {
		f.FromBar = t.Bar
	}
	f.ToBar = max(f.ToBar, t.Bar)
}

// fixNotes gathers what is off at places of a layer, and beside other layers,
// into punches.
func (r *ranking) fixNotes(k int) {
	l := r.layers[k]
	type place struct {
		Finding
		with []int
	}
	var places []place
	for _, f := range l.Report.Findings {
		if !f.ofLayer() {
			places = append(places, place{f, nil})
		}
	}
	for _, f := range r.h.Findings {
		if f.Layer == k {
			places = append(places, place{f.Finding, f.With})
		}
	}
	slices.SortStableFunc(places, func(a, b place) int { return cmp.Compare(a.Sample, b.Sample) })
	open := -1 // of r.fixes
	for _, p := range places {
		apart := open < 0
		if !apart {
			f := r.fixes[open]
			apart = p.Bar == 0 || p.Bar > f.ToBar+mergeBars || p.Bar-f.FromBar >= mostBars
		}
		if apart {
			open = len(r.fixes)
			r.fixes = append(r.fixes, Fix{Layer: k, FromBar: p.Bar, ToBar: p.Bar, Sample: p.Sample, End: p.Sample, Frame: p.Frame})
		}
		f := &r.fixes[open]
		f.Findings = append(f.Findings, p.Finding)
		f.FromBar, f.ToBar = min(f.FromBar, p.Bar), max(f.ToBar, p.Bar)
		f.Severity, f.End = max(f.Severity, p.Severity), max(f.End, r.endOf(k, p.Finding))
		for _, w := range p.with {
			if !slices.Contains(f.With, w) {
				f.With = append(f.With, w)
			}
		}
	}
	for i := range r.fixes {
		if f := &r.fixes[i]; f.Layer == k && !f.Findings[0].ofLayer() {
			r.weighPunch(f)
		}
	}
}

// endOf is where what a finding tells of ends.
func (r *ranking) endOf(k int, f Finding) int64 {
	if f.Note >= 0 {
		return r.layers[k].Targets[f.Note].End
	}
	return f.Sample + int64(math.Max(f.Milliseconds, 250)/1000*float64(r.o.SampleRate))
}

// weighPunch is what the whole gains when a punch's notes are as good as the
// layer's usual one.
func (r *ranking) weighPunch(f *Fix) {
	l := r.layers[f.Layer]
	notes := map[int]bool{}
	for _, x := range f.Findings {
		f.Gain += ownCost(x.Kind)
		if x.Note >= 0 {
			notes[x.Note] = true
		}
	}
	for _, n := range l.Report.Notes {
		w := r.weight(r.lengthOf(f.Layer, n))
		in := notes[n.Target]
		if n.Target < 0 { // without a part, by place
			in = n.Onset >= f.Sample-1 && n.Onset < f.End
		}
		if in {
			f.Gain += max(0, r.besideCost(f.Layer, n)-r.typical[f.Layer]*w)
		}
	}
	f.Gain += r.chordGain(f.Layer, notes)
	if f.FromBar == 0 {
		return
	}
	if bar, ok := r.breathBar(*f); ok {
		f.FromBar = min(f.FromBar, bar)
	}
}
