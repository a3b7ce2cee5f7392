package job

import (
	"context"
	"io"
	"os"
	"path/filepath"

	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// ClickOptions say what is clicked and how. The zero value is a bar of
// count-in, then every beat to the end, at a low level.
type ClickOptions struct {
	Plan   tempo.ClickPlan
	Sound  tempo.ClickOptions
	TwoPop bool   // a pop two seconds before frame 0 (common practice)
	Path   string // "": bounces/click.wav in the score's folder
	CSV    string // the schedule goes there too, as a table; "" for none
}

// ClickResult is the click as written.
type ClickResult struct {
	Path       string
	From, To   int64 // timeline samples; From is below 0 when the count-in is before the picture
	CountIn    int   // beats or free clicks
	Beats      int   // beats after it
	SampleRate int
	Clicks     []ClickLine
}

// Span is the part of the timeline that playing or singing along covers: from
// the first sound of the click, or frame 0 when that is earlier, to the
// reference's end.
func Span(clicks []tempo.Click, sampleRate int, o tempo.ClickOptions, length int64) (from, to int64, err error) {
	sounding, err := tempo.NewSounding(clicks, sampleRate, o)
	if err != nil {
		return 0, 0, err
	}
	return min(0, sounding.Start()), length, nil
}

// Click renders the click of a score's map to a WAV file: mono, 24 bit, with
// the broadcast chunk's time reference saying where it begins. Chosen bars are
// rendered alone, with their count-in.
func Click(ctx context.Context, f *score.Folder, o ClickOptions) (ClickResult, error) {
	s, err := f.Load()
	if err != nil {
		return ClickResult{}, err
	}
	grid, clicks, err := clickSchedule(s, o)
	if err != nil {
		return ClickResult{}, err
	}
	sounding, err := tempo.NewSounding(clicks, s.SampleRate, o.Sound)
	if err != nil {
		return ClickResult{}, err
	}
	res := ClickResult{Path: o.Path, SampleRate: s.SampleRate, From: min(0, sounding.Start()), To: s.Length(), Clicks: clickLines(s, clicks)}
	if o.Plan.FromBar != 0 || o.Plan.ToBar != 0 {
		res.From = sounding.Start()
	}
	if o.Plan.ToBar != 0 {
		res.To = grid.BarSample(o.Plan.ToBar+1, s.SampleRate)
	}
	if o.TwoPop {
		pop, _ := tempo.TwoPop(s.Reference.Rate, s.SampleRate)
		res.From = min(res.From, pop)
	}
	for _, c := range clicks {
		if c.CountIn && c.Part == 0 {
			res.CountIn++
		} else if c.Part == 0 {
			res.Beats++
		}
	}
	if res.Path == "" {
		res.Path = f.Path(score.BouncesDir + "/click.wav")
	}
	b := &audiofile.Bext{Description: audiofile.BextText(s.Title+": click", 256), Originator: "cuechoir", TimeReference: timeReference(s, res.From)}
	err = writeWAV(res.Path, audiofile.Format{SampleRate: s.SampleRate, Channels: 1, Bits: 24}, b, func(w *audiofile.Writer) error {
		return renderClick(ctx, w, s, sounding, res, o)
	})
	if err == nil && o.CSV != "" {
		err = writeWhole(o.CSV, func(w io.Writer) error { return writeClickTable(w, res.Clicks) })
	}
	return res, err
}

func clickSchedule(s *score.Score, o ClickOptions) (*tempo.Grid, []tempo.Click, error) {
	if err := o.Sound.Validate(); err != nil {
		return nil, nil, err
	}
	grid, err := Grid(s)
	if err != nil {
		return nil, nil, err
	}
	clicks, err := grid.Clicks(s.SampleRate, o.Plan)
	return grid, clicks, err
}

func renderClick(ctx context.Context, w *audiofile.Writer, s *score.Score, sounding *tempo.Sounding, res ClickResult, o ClickOptions) error {
	const block = 1 << 16
	buf := make([]float32, block)
	for at := res.From; at < res.To; at += block {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		end := min(at+block, res.To)
		x := buf[:end-at]
		clear(x)
		if o.TwoPop {
			pop, err := tempo.RenderTwoPop(at, end, s.Reference.Rate, s.SampleRate, 0)
			if err != nil {
				return err
			}
			copy(x, pop)
		}
		sounding.Add(x, at)
		if err := w.Write(x); err != nil {
			return err
		}
	}
	return nil
}

// timeReference is a timeline sample as samples since midnight by the
// reference's time code (EBU Tech 3285); before midnight wraps to the day's end.
func timeReference(s *score.Score, sample int64) int64 {
	day := s.Reference.Rate.SampleOf(s.Reference.Rate.DayFrames(), s.SampleRate)
	at := s.Reference.Rate.SampleOf(s.Reference.Start, s.SampleRate) + sample
	return (at%day + day) % day
}

// writeWAV writes a sound file whole or not at all.
func writeWAV(path string, fm audiofile.Format, b *audiofile.Bext, fill func(*audiofile.Writer) error) error {
	return writeFile(path, func(tmp *os.File) error {
		w, err := audiofile.NewWriter(tmp, fm, audiofile.WriterOptions{Bext: b})
		if err != nil {
			return err
		}
		if err := fill(w); err != nil {
			return err
		}
		return w.Close()
	})
}

// writeWhole writes a text file whole or not at all.
func writeWhole(path string, fill func(io.Writer) error) error {
	return writeFile(path, func(tmp *os.File) error { return fill(tmp) })
}

// writeFile writes under a temporary name and gives the file its own when it
// is whole: an interrupt leaves the old file or none.
func writeFile(path string, fill func(*os.File) error) (err error) {
	tmp, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.partial")
	if err != nil {
		return fault.New(fault.Missing, "the file cannot be made here").In(path, "").Because(err)
	}
	defer func() {
		tmp.Close()
		if err != nil {
			os.Remove(tmp.Name())
		}
	}()
	if err := fill(tmp); err != nil {
		return err
	}
	if err := tmp.Chmod(0o644); err != nil {
		return err
	}
	if err := tmp.Sync(); err != nil {
		return err
	}
	return os.Rename(tmp.Name(), path)
}
