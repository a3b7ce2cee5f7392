package walk

import (
	"context"
	"fmt"
	"math"

	"cuechoir/engine/check"
	"cuechoir/engine/job"
	example "cuechoir/projects-example"
)

// What a reading of a fault may differ from the fault as planted.
const (
	centsApart  = 15 // of a flat, sharp or wrong note: the singer's own bias and wander lie in it
	minuteApart = 8  // cents a minute of a drift
	framesApart = 1  // of an entry
	placeApart  = 4800 / 2
)

// check listens to all layers and holds the findings to the planted faults.
func (w *walker) check(ctx context.Context) error {
	res, err := job.CheckAs(ctx, w.f, job.CheckOptions{}, w.o.Progress)
	if err != nil {
		return err
	}
	reports := res.Layers
	w.reports = reports
	faults := example.Faults()
	found := make([]string, len(faults))
	var alarms []string
	for _, r := range reports {
		for _, f := range r.Report.Findings {
			if i := match(faults, r, f); i >= 0 {
				if found[i] == "" {
					found[i] = f.Words
				}
				continue
			}
			alarms = append(alarms, r.Layer+": "+f.Words)
		}
	}
	if res.Between != nil { // no fault is planted that shows only between layers
		for _, f := range res.Between.Findings {
			alarms = append(alarms, res.Heard[f.Layer].Name+": "+f.Words)
		}
	}
	w.res.FaultsPlanted, w.res.FalseAlarms = len(faults), len(alarms)
	for i, f := range faults {
		if found[i] != "" {
			w.res.FaultsFound++
			w.step("", "planted: %-34s found: %s", faultWords(f), found[i])
		} else {
			w.step("", "planted: %-34s NOT FOUND", faultWords(f))
		}
	}
	for _, a := range alarms {
		w.step("", "false alarm: %s", a)
	}
	w.step("check", "%d of %d planted faults found, %d clean notes accused", w.res.FaultsFound, w.res.FaultsPlanted, w.res.FalseAlarms)
	if len(res.Fixes) > 0 {
		f := res.Fixes[0]
		w.step("", "re-sing first, for %.0f %% of all that is off: %s, %s", 100*f.Gain, f.LayerName, f.Words)
		w.step("", "%s", f.Command)
	}
	w.clock("check")
	return nil
}

// match is the index of the planted fault that a finding tells of, or -1.
func match(faults []example.Fault, r job.LayerReport, f check.Finding) int {
	for i, p := range faults {
		if Slug(p.Layer) == r.Layer && string(p.Kind) == string(f.Kind) && agrees(p, r, f) {
			return i
		}
	}
	return -1
}

func agrees(p example.Fault, r job.LayerReport, f check.Finding) bool {
	note := f.Note == p.Note
	switch p.Kind {
	case example.Drift:
		return math.Abs(f.CentsPerMinute-p.Cents) <= minuteApart
	case example.Flat, example.Sharp:
		return note && math.Abs(f.Cents-p.Cents) <= centsApart
	case example.Wrong:
		return note && math.Abs(f.Cents-p.Cents) <= 2*centsApart
	case example.Late, example.Early:
		return note && math.Abs(f.Frames-float64(p.Frames)) <= framesApart
	case example.Missing:
		return note
	case example.Dropout, example.Clipping:
		first, last := r.Targets[p.Note], r.Targets[p.Last]
		return f.Sample >= first.Start-placeApart && f.Sample < last.End+placeApart
	}
	return false
}

func faultWords(p example.Fault) string {
	where := fmt.Sprintf("%s bar %d", Slug(p.Layer), p.Bar)
	switch p.Kind {
	case example.Drift:
		return fmt.Sprintf("%s %+.0f cents a minute", Slug(p.Layer), p.Cents)
	case example.Flat, example.Sharp, example.Wrong:
		return fmt.Sprintf("%s %s %+.0f cents", where, p.Kind, p.Cents)
	case example.Late, example.Early:
		return fmt.Sprintf("%s %+d frames", where, p.Frames)
	case example.Dropout:
		return fmt.Sprintf("%s %d ms of silence", where, p.Milliseconds)
	case example.Clipping:
		return fmt.Sprintf("%s %.0f dB over", where, p.DB)
	}
	return where + " " + string(p.Kind)
}
