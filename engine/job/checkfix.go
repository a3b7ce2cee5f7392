package job

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"cuechoir/engine/tuning"
)

// oneTake: the name is of one take, not of several that sound.
func oneTake(name string) bool { return name != "" && !strings.Contains(name, "+") }

func nudgeCommand(layer, take string, ms float64) string {
	return fmt.Sprintf("cuechoir takes nudge %s %s %+.0fms", layer, take, ms)
}

// guide asks for the layer's part in the ear, when it has one.
func (w *checker) guide(f Fix) string {
	if l := w.s.Layer(f.LayerName); l == nil || len(l.Notes) == 0 {
		return ""
	}
	return " --guide " + f.LayerName
}

// bars is the punch of a fix: its bars, or a span of time codes where there
// are none.
func (w *checker) bars(f Fix) string {
	switch {
	case f.FromBar > 0 && f.FromBar == f.ToBar:
		return fmt.Sprintf(" --bars %d", f.FromBar)
	case f.FromBar > 0:
		return fmt.Sprintf(" --bars %d-%d", f.FromBar, f.ToBar)
	case f.End <= f.Sample:
		return ""
	}
	room := int64(w.s.SampleRate) / 2
	return fmt.Sprintf(" --span %s..%s", timecodeAt(w.s, max(0, f.Sample-room)), timecodeAt(w.s, min(w.s.Length()-1, f.End+room)))
}

// Memory is a layer's drift beside that of something heard. Kept says what it
// shows.
type Memory struct {
	Of string // "the other layers" or "the reference"
	tuning.Memory
	Kept tuning.Kept
}

// remember asks of each layer that drifts whether what it heard drifts too.
func (w *checker) remember(ctx context.Context, reports []LayerReport) error {
	var reference []tuning.Point
	read := false
	for i := range reports {
		r := &reports[i]
		if !r.Report.Drift.Significant {
			continue
		}
		if !read {
			var err error
			if reference, err = w.referenceTuning(ctx); err != nil {
				return err
			}
			read = true
		}
		r.remember("the other layers", otherPoints(reports, i))
		r.remember("the reference", reference)
	}
	return nil
}

func (r *LayerReport) remember(of string, heard []tuning.Point) {
	m, kept := tuning.Remember(r.Report.Drift.Points, heard)
	if kept == tuning.Unheard {
		return
	}
	r.Memory = append(r.Memory, Memory{of, m, kept})
	switch kept {
	case tuning.Followed:
		r.Notes = append(r.Notes, fmt.Sprintf("it drifts with %s (%+.0f cents a minute): the tonic was kept", of, m.Heard.CentsPerMinute))
	case tuning.Left:
		r.Notes = append(r.Notes, fmt.Sprintf("it drifts %.0f cents a minute away from %s (%+.0f cents a minute by themselves)", math.Abs(m.Beside.CentsPerMinute), of, m.Heard.CentsPerMinute))
	}
}

// otherPoints are the deviations of all layers but one, in order of time.
func otherPoints(reports []LayerReport, but int) []tuning.Point {
	var out []tuning.Point
	for i, r := range reports {
		if i != but {
			out = append(out, r.Report.Drift.Points...)
		}
	}
	slices.SortStableFunc(out, func(a, b tuning.Point) int { return cmp.Compare(a.Minutes, b.Minutes) })
	return out
}

// referenceTuning follows the tuning of the reference's sound; nothing when it
// has none.
func (w *checker) referenceTuning(ctx context.Context) ([]tuning.Point, error) {
	if w.s.Reference.Sound == "" {
		return nil, nil
	}
	r, file, err := openReference(w.f, w.s)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	follower, err := tuning.NewFollower(0, w.s.SampleRate)
	if err != nil {
		return nil, err
	}
	src, block := &monoSource{r: r}, make([]float32, 1<<15)
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		n, err := src.Read(block)
		follower.Add(block[:n])
		if err == io.EOF || n == 0 && err == nil {
			return follower.Points(), nil
		}
		if err != nil {
			return nil, err
		}
	}
}
