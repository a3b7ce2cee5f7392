// Package walk does the whole job on the example, step by step, with the
// program's own engine: the trailer is decoded, its cuts found, the map
// solved, every layer sung by the synthetic singer through the take engine,
// checked, mixed and bounced. It says what it found beside what is true.
package walk

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
	example "cuechoir/projects-example"
)

// Options say where and how.
type Options struct {
	Folder   string         // of the new score
	Engine   decoder.Engine // of the video; zero: the native one when it is there, else the embedded
	Say      func(format string, args ...any)
	Progress job.Progress
}

// Result is how well the walk went; every count has its truth beside it.
type Result struct {
	Folder        string             `json:"folder"`
	Frames        int64              `json:"frames"`
	CutsFound     int                `json:"cuts_found_exactly"`
	CutsTrue      int                `json:"cuts_true"`
	CutsFalse     int                `json:"cuts_false"`
	HitsCaught    int                `json:"hits_caught"`
	Hits          int                `json:"hits"`
	RoundTrip     int64              `json:"round_trip_samples"`
	Layers        int                `json:"layers"`
	FaultsFound   int                `json:"planted_faults_found"`
	FaultsPlanted int                `json:"planted_faults"`
	FalseAlarms   int                `json:"false_alarms"`
	StemSamples   int64              `json:"stem_samples"`
	WantSamples   int64              `json:"stem_samples_wanted"`
	Files         map[string]string  `json:"files"`
	Seconds       map[string]float64 `json:"seconds"`
}

// walker is the walk under way.
type walker struct {
	o   Options
	f   *score.Folder
	res Result
	at  time.Time

	reports []job.LayerReport
}

// Run does it all. A step that fails ends the walk; a result that is not what
// it should be is an error of kind NotMet at the end.
func Run(ctx context.Context, o Options) (Result, error) {
	w := &walker{o: o, at: time.Now(), res: Result{Folder: o.Folder, Files: map[string]string{}, Seconds: map[string]float64{}}}
	o.Say("%s: an invented trailer, scored by one (synthetic) voice.\n", example.Title)
	if err := w.reference(ctx); err != nil {
		return w.res, err
	}
	defer w.f.Close()
	for _, step := range []func(context.Context) error{w.hits, w.click, w.layers, w.sing, w.check, w.colour, w.colours, w.files} {
		if err := step(ctx); err != nil {
			return w.res, err
		}
	}
	return w.res, w.verdict()
}

// step prints a heading and books the time of the step before.
func (w *walker) step(name, format string, args ...any) {
	w.o.Say("%-7s %s", name, fmt.Sprintf(format, args...))
}

func (w *walker) clock(name string) {
	w.res.Seconds[name] = time.Since(w.at).Seconds()
	w.at = time.Now()
}

// reference makes the score from the trailer and holds its cuts to the truth.
func (w *walker) reference(ctx context.Context) error {
	dir, err := os.MkdirTemp("", "cuechoir-demo-")
	if err != nil {
		return fault.New(fault.Unexpected, "no room for the trailer").Because(err)
	}
	defer os.RemoveAll(dir)
	film := filepath.Join(dir, "trailer.mp4")
	if err := os.WriteFile(film, example.Trailer(), 0o644); err != nil {
		return fault.New(fault.DiskFull, "no room for the trailer").Because(err)
	}
	made, err := job.New(ctx, w.o.Folder, job.NewOptions{Reference: film, Title: example.Title, Engine: w.o.Engine, Progress: w.o.Progress})
	if err != nil {
		return err
	}
	if w.f, err = score.Open(w.o.Folder); err != nil {
		return err
	}
	ref := made.Score.Reference
	w.res.Frames, w.res.WantSamples = ref.Frames, made.Score.Length()
	w.step("new", "%d frames at %s from %s, with sound: %d samples at %d Hz", ref.Frames, ref.Rate, ref.Rate.Timecode(ref.Start),
		made.Score.Length(), made.Score.SampleRate)
	w.compareCuts(made.Score)
	w.clock("new")
	return w.keep("trailer", score.ReferenceDir+"/trailer.mp4", example.Trailer())
}

// softEdge is how far, in frames, an end of a dissolve or fade may be read
// from the truth; a hard cut must be exact.
const softEdge = 3

func (w *walker) compareCuts(s *score.Score) {
	used := make([]bool, len(s.Cuts))
	var missed []string
	for _, t := range example.Truth() {
		w.res.CutsTrue++
		found := false
		for i, c := range s.Cuts {
			hard := t.Frame == t.End
			near := c.Frame == t.Frame
			if !hard {
				near = c.Kind == t.Kind && abs(c.Frame-t.Frame) <= softEdge && abs(c.End-t.End) <= softEdge
			}
			if !used[i] && near && c.Kind == t.Kind {
				used[i], found = true, true
				break
			}
		}
		if found {
			w.res.CutsFound++
		} else {
			missed = append(missed, fmt.Sprintf("%s at %d", t.Kind, t.Frame))
		}
	}
	for i := range used {
		if !used[i] {
			w.res.CutsFalse++
		}
	}
	w.step("cuts", "%d found: %d of the %d drawn (hard cuts to the frame), %d that were not drawn", len(s.Cuts), w.res.CutsFound, w.res.CutsTrue, w.res.CutsFalse)
	if len(missed) > 0 {
		w.step("", "missed: %s", strings.Join(missed, ", "))
	}
}

func abs(n int64) int64 { return max(n, -n) }

// hits marks the cuts that matter and solves the map.
func (w *walker) hits(ctx context.Context) error {
	_, err := w.f.Edit(score.CountLabel(len(example.Hits()), "hit", "added"), func(s *score.Score) error {
		for _, h := range example.Hits() {
			s.Hits = append(s.Hits, tempo.Hit{Frame: h.Frame, Must: h.Must, Tolerance: h.Tolerance, Lands: tempo.Lands(h.Lands), Bar: h.Bar, Name: h.Name})
		}
		return nil
	})
	if err != nil {
		return err
	}
	solved, err := job.SolveMap(ctx, w.f, job.MapOptions{})
	if err != nil {
		return err
	}
	best := solved.Answers[solved.Stored]
	w.step("map", "%d maps found; the best: %s", len(solved.Answers), best.Words)
	t := report.Table{Head: []string{"hit", "frame", "", "bar.beat", "error"}, Right: []bool{false, true, false, true, true}}
	hits := example.Hits()
	for _, l := range best.Landings {
		h := hits[l.Hit]
		weight := "want"
		if h.Must {
			weight = "must"
		}
		if w.res.Hits++; l.Caught {
			w.res.HitsCaught++
		}
		t.Rows = append(t.Rows, []string{h.Name, fmt.Sprint(h.Frame), weight, l.Place.String(), fmt.Sprintf("%.2f frames", l.ErrorFrames.Float())})
	}
	w.clock("map")
	return w.table(t)
}

func (w *walker) table(t report.Table) error {
	var b strings.Builder
	if err := t.Write(&b); err != nil {
		return err
	}
	for _, line := range strings.Split(strings.TrimRight(b.String(), "\n"), "\n") {
		w.o.Say("        %s", line)
	}
	return nil
}

func (w *walker) click(ctx context.Context) error {
	c, err := job.Click(ctx, w.f, job.ClickOptions{})
	if err != nil {
		return err
	}
	w.res.Files["click"] = c.Path
	w.step("click", "%d beats after a count-in of %d", c.Beats, c.CountIn)
	return nil
}

// keep writes a file of the walk into the score's folder.
func (w *walker) keep(name, rel string, data []byte) error {
	path := w.f.Path(rel)
	if err := os.WriteFile(path, data, 0o644); err != nil {
		return fault.New(fault.DiskFull, "the file cannot be written").In(path, "").Because(err)
	}
	w.res.Files[name] = path
	return nil
}

// files bounces the stem and draws the picture.
func (w *walker) files(ctx context.Context) error {
	bounced, err := job.Bounce(ctx, w.f, job.BounceOptions{Progress: w.o.Progress})
	if err != nil {
		return err
	}
	m := bounced.Mix
	w.res.StemSamples, w.res.Files["stem"] = bounced.Samples, m.Path
	w.step("bounce", "%d samples, exactly the reference's; %.1f LUFS integrated, %.1f dBTP true peak, gain %.1f dB",
		bounced.Samples, m.Loudness.IntegratedLUFS, m.Loudness.TruePeakDBTP, bounced.GainDB)
	w.clock("bounce")
	s, err := w.f.Load()
	if err != nil {
		return err
	}
	p, err := job.Picture(s, w.reports, &bounced)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := report.SVG(&b, p); err != nil {
		return err
	}
	if err := w.keep("picture", score.BouncesDir+"/picture.svg", b.Bytes()); err != nil {
		return err
	}
	w.clock("picture")
	w.o.Say("\nIn %s:", w.o.Folder)
	for _, name := range []string{"trailer", "click", "stem", "picture", "colours"} {
		rel, err := filepath.Rel(w.o.Folder, w.res.Files[name])
		if err != nil {
			rel = w.res.Files[name]
		}
		w.o.Say("        %-8s %s", name, rel)
	}
	return nil
}

// verdict is nil when all that is promised was found.
func (w *walker) verdict() error {
	r := w.res
	if r.CutsFound == r.CutsTrue && r.CutsFalse == 0 && r.HitsCaught == r.Hits && r.FaultsFound == r.FaultsPlanted &&
		r.FalseAlarms == 0 && r.StemSamples == r.WantSamples {
		return nil
	}
	return fault.New(fault.NotMet, "the walk did not find all that is there: %d of %d cuts (%d false), %d of %d hits, %d of %d faults (%d false alarms)",
		r.CutsFound, r.CutsTrue, r.CutsFalse, r.HitsCaught, r.Hits, r.FaultsFound, r.FaultsPlanted, r.FalseAlarms)
}
