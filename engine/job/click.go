package job

import (
	"context"
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
	CountInBeats int // 0: one bar
	NoCountIn    bool
	Sound        tempo.ClickOptions
	TwoPop       bool   // a pop two seconds before frame 0 (common practice)
	Path         string // "": bounces/click.wav in the score's folder
}

// ClickResult is the click as written.
type ClickResult struct {
	Path       string
	From, To   int64 // timeline samples; From is below 0 when the count-in is before the picture
	CountIn    int   // beats
	Beats      int   // beats after it
	SampleRate int
}

// Span is the part of the timeline that playing or singing along covers: from
// the first click, or frame 0 when that is earlier, to the reference's end.
func Span(clicks []tempo.Click, length int64) (from, to int64) {
	from = 0
	if len(clicks) > 0 && clicks[0].Sample < 0 {
		from = clicks[0].Sample
	}
	return from, length
}

// Click renders the click of a score's map to a WAV file: mono, 24 bit, with
// the broadcast chunk's time reference saying where it begins.
func Click(ctx context.Context, f *score.Folder, o ClickOptions) (ClickResult, error) {
	s, err := f.Load()
	if err != nil {
		return ClickResult{}, err
	}
	clicks, err := clickSchedule(s, o)
	if err != nil {
		return ClickResult{}, err
	}
	res := ClickResult{Path: o.Path, SampleRate: s.SampleRate}
	res.From, res.To = Span(clicks, s.Length())
	if o.TwoPop {
		pop, _ := tempo.TwoPop(s.Reference.Rate, s.SampleRate)
		res.From = min(res.From, pop)
	}
	for _, c := range clicks {
		if c.CountIn {
			res.CountIn++
		} else {
			res.Beats++
		}
	}
	if res.Path == "" {
		res.Path = f.Path(score.BouncesDir + "/click.wav")
	}
	b := &audiofile.Bext{Description: audiofile.BextText(s.Title+": click", 256), Originator: "cuechoir", TimeReference: timeReference(s, res.From)}
	err = writeWAV(res.Path, audiofile.Format{SampleRate: s.SampleRate, Channels: 1, Bits: 24}, b, func(w *audiofile.Writer) error {
		return renderClick(ctx, w, s, clicks, res, o)
	})
	return res, err
}

func clickSchedule(s *score.Score, o ClickOptions) ([]tempo.Click, error) {
	if err := o.Sound.Validate(); err != nil {
		return nil, err
	}
	grid, err := Grid(s)
	if err != nil {
		return nil, err
	}
	return grid.Clicks(s.SampleRate, tempo.ClickPlan{CountInBeats: o.CountInBeats, NoCountIn: o.NoCountIn})
}

func renderClick(ctx context.Context, w *audiofile.Writer, s *score.Score, clicks []tempo.Click, res ClickResult, o ClickOptions) error {
	const block = 1 << 16
	for at := res.From; at < res.To; at += block {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		end := min(at+block, res.To)
		x, err := tempo.RenderClick(clicks, at, end, s.SampleRate, o.Sound)
		if err != nil {
			return err
		}
		if o.TwoPop {
			pop, err := tempo.RenderTwoPop(at, end, s.Reference.Rate, s.SampleRate, 0)
			if err != nil {
				return err
			}
			for i := range x {
				x[i] += pop[i]
			}
		}
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

// writeWAV writes a file under a temporary name and gives it its own when it
// is whole: an interrupt leaves the old file or none.
func writeWAV(path string, fm audiofile.Format, b *audiofile.Bext, fill func(*audiofile.Writer) error) (err error) {
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
	w, err := audiofile.NewWriter(tmp, fm, audiofile.WriterOptions{Bext: b})
	if err != nil {
		return err
	}
	if err := fill(w); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
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
