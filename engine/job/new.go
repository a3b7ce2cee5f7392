package job

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/picture"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

// NewOptions say how a score is made from a reference.
type NewOptions struct {
	Reference  string         // path of a video or sound file
	Rate       *timecode.Rate // nil: the file's own; a sound file has none and takes 24
	Start      string         // time code of frame 0; "": the file's own, else 00:00:00:00
	Title      string         // "": the folder's name
	SampleRate int            // Hz; 0: score.DefaultSampleRate
	Engine     decoder.Engine // zero: the native decoder when there is one, else the embedded
	Progress   Progress
}

// NewResult is the score made, and what the maker should know of the file.
type NewResult struct {
	Score *score.Score
	Info  picture.Info
	Notes []string
}

const soundName = score.ReferenceDir + "/sound.wav"

// New makes a score's folder from a reference: its length and rate, its sound
// and its cuts. It is made whole or not at all.
func New(ctx context.Context, dir string, o NewOptions) (NewResult, error) {
	var res NewResult
	if o.SampleRate == 0 {
		o.SampleRate = score.DefaultSampleRate
	}
	if o.Title == "" {
		o.Title = filepath.Base(filepath.Clean(dir))
	}
	if !slices.Contains(score.SampleRates, o.SampleRate) {
		return res, fault.New(fault.Usage, "a score is not made at %d Hz", o.SampleRate).Mended("choose one of %v", score.SampleRates)
	}
	if err := readable(o.Reference); err != nil {
		return res, err
	}
	_, err := score.Create(dir, func(staging string) (*score.Score, error) {
		s := &score.Score{Title: o.Title, SampleRate: o.SampleRate}
		s.Reference.Source = filepath.Base(o.Reference)
		sound, err := audiofile.Open(o.Reference)
		if err == nil {
			defer sound.Close()
			err = res.fromSound(ctx, s, sound, staging, o)
		} else {
			err = res.fromPicture(ctx, s, staging, o)
		}
		res.Score = s
		return s, err
	})
	return res, err
}

// readable tells the plain troubles of a path before any decoder meets it.
func readable(path string) error {
	st, err := os.Stat(path)
	switch {
	case os.IsNotExist(err):
		return fault.New(fault.Missing, "there is no such file").In(path, "").Mended("check the path of the reference")
	case err != nil:
		return fault.New(fault.Missing, "the file cannot be read").In(path, "").Because(err)
	case st.IsDir():
		return fault.New(fault.Missing, "this is a folder").In(path, "").Mended("name a video or sound file")
	case !st.Mode().IsRegular():
		return fault.New(fault.Unsupported, "this is not a plain file").In(path, "").Mended("name a video or sound file")
	case st.Size() == 0:
		return fault.New(fault.Malformed, "the file is empty").In(path, "").Mended("copy it again from where it came")
	}
	return nil
}

// fromPicture fills the score from a file that the video decoder reads.
func (res *NewResult) fromPicture(ctx context.Context, s *score.Score, staging string, o NewOptions) error {
	stills, done, err := stillsTarget(staging, nil)
	if err != nil {
		return err
	}
	defer done()
	file, err := picture.Open(ctx, o.Reference, picture.Options{Engine: o.Engine, Progress: o.Progress, Stills: stills})
	if err != nil {
		return err
	}
	defer file.Close()
	info := file.Info()
	wav := filepath.Join(staging, filepath.FromSlash(soundName))
	if info.HasPicture {
		var cuts []cutlist.Cut
		if info, cuts, err = file.Analyse(ctx); err != nil {
			return err
		}
		s.TakeFound(cuts)
		s.Reference.Frames = info.Frames
	}
	if info.HasSound {
		frames, err := file.Sound(ctx, s.SampleRate, wav)
		if err != nil {
			return err
		}
		s.Reference.Sound = soundName
		if !info.HasPicture {
			s.Reference.Samples = frames
		}
	} else {
		res.Notes = append(res.Notes, "the reference has no sound: there will be nothing to hear beside the click")
	}
	res.Info = file.Info() // with the notes of all that was read
	res.Notes = append(res.Notes, res.Info.Notes...)
	if err := res.setRate(s, o, info); err != nil {
		return err
	}
	return setStart(s, o, info.StartTimecode)
}

// fromSound fills the score from a file that is sound alone.
func (res *NewResult) fromSound(ctx context.Context, s *score.Score, r *audiofile.Reader, staging string, o NewOptions) error {
	res.Info = picture.Info{HasSound: true, SoundRate: r.Format().SampleRate, SoundChannels: r.Format().Channels}
	res.Notes = append(res.Notes, r.Notes()...)
	if r.Truncated() {
		res.Notes = append(res.Notes, "the file promises more sound than it holds; its length here is what it holds")
	}
	o.Progress.Show(0, 0, "reading the sound")
	frames, err := convert(ctx, r, filepath.Join(staging, filepath.FromSlash(soundName)), s.SampleRate, o.Reference)
	if err != nil {
		return err
	}
	if frames == 0 {
		return fault.New(fault.Malformed, "the file holds no sound").In(o.Reference, "")
	}
	s.Reference.Sound, s.Reference.Samples = soundName, frames
	if err := res.setRate(s, o, res.Info); err != nil {
		return err
	}
	return setStart(s, o, "")
}

// setRate settles the frame rate, and for sound alone the length in frames.
func (res *NewResult) setRate(s *score.Score, o NewOptions, info picture.Info) error {
	ref := &s.Reference
	if !info.HasPicture {
		ref.Rate = timecode.Rate24
		if o.Rate != nil {
			ref.Rate = *o.Rate
		} else {
			res.Notes = append(res.Notes, "a sound file has no frame rate: 24 is taken (give another with --rate)")
		}
		ref.Frames = ref.Rate.FrameOf(ref.Samples-1, s.SampleRate) + 1
		return nil
	}
	ref.Rate = info.Rate
	if o.Rate == nil {
		return nil
	}
	if o.Rate.Num*info.Rate.Den != info.Rate.Num*o.Rate.Den {
		return fault.New(fault.Conflict, "the picture runs at %s frames a second, not at %s", info.Rate, *o.Rate).In(o.Reference, "").
			Mended("leave --rate away, or convert the picture first")
	}
	ref.Rate.Drop = o.Rate.Drop
	return nil
}

// setStart settles the time code of frame 0: the wish, else the file's own
// label, in which a semicolon before the frames marks drop-frame counting.
func setStart(s *score.Score, o NewOptions, own string) error {
	ref := &s.Reference
	if o.Start != "" {
		start, err := ref.Rate.ParseTimecode(o.Start)
		if err != nil {
			return fault.New(fault.Usage, "--start").Because(err)
		}
		ref.Start = start
		return nil
	}
	dropped := ref.Rate
	dropped.Drop = true
	if strings.Contains(own, ";") && o.Rate == nil && dropped.Validate() == nil {
		ref.Rate = dropped
	}
	if start, err := ref.Rate.ParseTimecode(own); err == nil {
		ref.Start = start // a label that cannot be read is no reason to refuse the file
	}
	return nil
}
