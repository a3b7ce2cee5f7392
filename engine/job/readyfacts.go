package job

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"time"

	"cuechoir/engine/bounce"
	"cuechoir/engine/check"
	"cuechoir/engine/loudness"
	"cuechoir/engine/score"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// ReadyOptions say what the stem is held to. The zero value is the score's
// bounces/stem.wav, any loudness, a true peak of at most -1 dBTP.
type ReadyOptions struct {
	Stem        string  // path; "": bounces/stem.wav
	Target      *Target // nil: any loudness
	CeilingDBTP float64 // 0: -1
	Progress    Progress
}

// Ready gathers the facts of a score, listens to its layers, measures its stem,
// and gives the checklist. What is missing is a line of it, not an error.
func Ready(ctx context.Context, f *score.Folder, o ReadyOptions) ([]ReadyLine, error) {
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	x, newest, err := factsOf(f, s)
	if err != nil {
		return nil, err
	}
	if o.CeilingDBTP != 0 {
		x.CeilingDBTP = o.CeilingDBTP
	}
	if o.Target != nil {
		t, err := o.Target.lufs(ctx, f, s)
		if err != nil {
			return nil, err
		}
		x.TargetLUFS = &t
	}
	if err := x.listen(ctx, f, s, o.Progress); err != nil {
		return nil, err
	}
	if o.Stem == "" {
		o.Stem = f.Path(score.BouncesDir + "/stem.wav")
	}
	if x.Stem, err = MeasureStem(ctx, o.Stem, s.SampleRate); err != nil {
		return nil, err
	}
	if x.Stem != nil {
		x.Stem.Stale, err = staleStem(f, o.Stem, newest)
	}
	return Checklist(x), err
}

// ReadyKnown is what has been heard and measured already.
type ReadyKnown struct {
	Layers map[string]LayerReport // by layer, of the takes and notes as they are; the others are not listened to
	Fixes  []Fix                  // of those, the most gained first
	Stem   *StemFacts             // of bounces/stem.wav; nil: there is none
}

// ReadyFrom is Ready from what is known already: it listens to nothing and
// measures nothing.
func ReadyFrom(f *score.Folder, s *score.Score, known ReadyKnown) ([]ReadyLine, error) {
	x, newest, err := factsOf(f, s)
	if err != nil {
		return nil, err
	}
	var reports []LayerReport
	for i := range x.Layers {
		if r, ok := known.Layers[x.Layers[i].Name]; ok && x.Layers[i].Sung && !x.Layers[i].Muted {
			reports = append(reports, r)
		}
	}
	x.hear(reports, known.Fixes)
	if known.Stem != nil {
		stem := *known.Stem
		x.Stem = &stem
		x.Stem.Stale, err = staleStem(f, f.Path(score.BouncesDir+"/stem.wav"), newest)
	}
	return Checklist(x), err
}

// factsOf gathers what is known without listening or measuring, and when the
// newest take that sounds was made.
func factsOf(f *score.Folder, s *score.Score) (x ReadyFacts, newest time.Time, err error) {
	x = ReadyFacts{Frames: s.Reference.Frames, Samples: s.Length(), CeilingDBTP: bounce.DefaultCeilingDBTP}
	if err := x.addMap(s); err != nil {
		return x, newest, err
	}
	return x, x.addLayers(f, s), nil
}

func (x *ReadyFacts) addMap(s *score.Score) error {
	for _, h := range s.Hits {
		name := h.Name
		if name == "" {
			name = s.Reference.Rate.Timecode(s.Reference.Start + h.Frame)
		}
		x.Hits = append(x.Hits, ReadyHit{Name: name, Must: h.Must})
	}
	if s.Map == nil {
		return nil
	}
	grid, err := Grid(s)
	if err != nil {
		return err
	}
	x.Bars = len(grid.Bars(s.SampleRate))
	for _, l := range grid.Landings(s.Hits) {
		x.Hits[l.Hit].Caught = l.Caught
	}
	return nil
}

// addLayers gathers the layers, and gives when the newest take that sounds was
// made.
func (x *ReadyFacts) addLayers(f *score.Folder, s *score.Score) (newest time.Time) {
	muted := map[string]bool{}
	for _, g := range s.Desk.Groups {
		muted[g.Name] = g.Mute
	}
	for i := range s.Layers {
		l := &s.Layers[i]
		y := ReadyLayer{Name: l.Name, Muted: l.Mute || muted[l.Group], Mended: len(l.Mends) > 0}
		if muted[l.Group] && !l.Mute {
			y.MutedGroup = l.Group
		}
		snd, ok, err := soundOf(f, l)
		if err != nil {
			y.Broken = err.Error()
			var told *fault.Error
			if errors.As(err, &told) {
				y.Broken = told.What
			}
		}
		y.Sung = ok
		if ok {
			y.Remarks = snd.remarks(s)
			for _, t := range snd.takes {
				if t.Created.After(newest) {
					newest = t.Created
				}
			}
		}
		x.Layers = append(x.Layers, y)
	}
	return newest
}

// listen holds against their parts the layers that can be listened to.
func (x *ReadyFacts) listen(ctx context.Context, f *score.Folder, s *score.Score, progress Progress) error {
	var hear []score.Layer
	for i, l := range s.Layers {
		if y := x.Layers[i]; y.Sung && !y.Muted && (s.Map != nil || len(l.Notes) == 0) {
			hear = append(hear, l)
		}
	}
	if len(hear) == 0 {
		return nil
	}
	w := checker{f: f, s: s, progress: progress}
	var err error
	if s.Map != nil {
		if w.grid, err = Grid(s); err != nil {
			return err
		}
	}
	if err := w.setSystem(); err != nil {
		return err
	}
	reports, err := w.all(ctx, hear)
	if err != nil {
		return err
	}
	res, err := w.result(reports, false)
	if err != nil {
		return err
	}
	x.hear(reports, res.Fixes)
	return nil
}

// hear puts down what was heard; fixes begin with the most gained.
func (x *ReadyFacts) hear(reports []LayerReport, fixes []Fix) {
	at := map[string]*ReadyLayer{}
	for i := range x.Layers {
		at[x.Layers[i].Name] = &x.Layers[i]
	}
	for _, r := range reports {
		at[r.Layer].count(r)
	}
	for _, fix := range fixes {
		if l := at[fix.LayerName]; l != nil && l.Listened && l.Command == "" {
			l.Command = fix.Command
		}
	}
}

// count sorts a layer's findings by the question that they answer.
func (l *ReadyLayer) count(r LayerReport) {
	l.Listened, l.Judged, l.Unsure = true, r.Report.Judged, r.Report.Unsure
	for _, x := range r.Report.Findings {
		switch x.Kind {
		case check.Dropped:
			l.Dropouts++
		case check.Clipping:
			l.Clipped++
		case check.Early, check.Late, check.AllEarly, check.AllLate:
			l.OffTime++
		default:
			l.OffTune++
		}
	}
}

// MeasureStem measures a stem's file at the rate of its score; nil when there is
// none. What is wrong with it is a fact, not an error.
func MeasureStem(ctx context.Context, path string, rate int) (*StemFacts, error) {
	out := &StemFacts{Name: "the stem", ScoreRate: rate}
	h, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fault.New(fault.Missing, "the stem cannot be read").In(path, "").Because(err)
	}
	defer h.Close()
	st, err := h.Stat()
	if err != nil {
		return nil, err
	}
	r, err := audiofile.NewWAVReader(h, st.Size(), path)
	if err != nil {
		out.Problem = "the stem's file is broken: " + err.Error()
		return out, nil
	}
	out.Samples, out.SampleRate = r.Frames(), r.Format().SampleRate
	if r.Truncated() {
		out.Problem = "the stem's file ends before its time"
		return out, nil
	}
	l, err := loudnessOf(ctx, r)
	if err != nil {
		return nil, err
	}
	out.LUFS, out.PeakDBTP = l.IntegratedLUFS, l.TruePeakDBTP
	return out, nil
}

// loudnessOf measures a file from where it stands to its end.
func loudnessOf(ctx context.Context, r *audiofile.Reader) (loudness.Result, error) {
	ch := r.Format().Channels
	m, err := loudness.New(loudness.Options{SampleRate: r.Format().SampleRate, Channels: ch})
	if err != nil {
		return loudness.Result{}, err
	}
	for block := make([]float32, ch<<13); ; {
		if ctx.Err() != nil {
			return loudness.Result{}, fault.New(fault.Interrupted, "stopped while a file was measured").Because(ctx.Err())
		}
		n, err := r.Read(block)
		if perr := m.Push(block[:n*ch]); perr != nil {
			return loudness.Result{}, perr
		}
		if errors.Is(err, io.EOF) {
			m.Finish()
			return m.Result(), nil
		}
		if err != nil {
			return loudness.Result{}, err
		}
	}
}

// staleStem says whether the score's text or a take that sounds is newer than
// the stem.
func staleStem(f *score.Folder, stem string, newest time.Time) (bool, error) {
	made, err := os.Stat(stem)
	if err != nil {
		return false, err
	}
	text, err := os.Stat(f.Path(score.FileName))
	if err != nil {
		return false, err
	}
	return text.ModTime().After(made.ModTime()) || newest.After(made.ModTime()), nil
}
