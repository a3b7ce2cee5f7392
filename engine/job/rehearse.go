package job

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"unicode"

	"cuechoir/engine/rehearse"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// RehearseOptions say what is rehearsed and how. What is needed.
type RehearseOptions struct {
	What        string // see FindShot
	Loops       int    // 0: once
	Gap, Speed  timecode.Ratio
	LevelDB     float64 // of the beeps; 0 is -18
	Silent      bool    // without the reference's sound
	ReferenceDB float64 // of the reference's sound against how it is, -60 to 0
	NeedsSound  bool    // a reference without sound is an error, not a note
	Spoken      bool
	Path        string // .wav or .mp4; "": bounces/rehearse-NAME.wav in the score's folder
	Progress    Progress
}

// RehearseResult is the rehearsal as written.
type RehearseResult struct {
	Path      string
	Shot      Shot
	Plan      *rehearse.Plan
	Reference bool // its sound is heard
	Picture   bool
	Notes     []string
}

// Rehearse writes a rehearsal of a shot or a span: a WAV, mono, 24 bit, with a
// cue at each start, or an MP4 with a counter over the reference's stills.
func Rehearse(ctx context.Context, f *score.Folder, o RehearseOptions) (RehearseResult, error) {
	var res RehearseResult
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	if res.Shot, err = FindShot(s, o.What); err != nil {
		return res, err
	}
	if res.Path, res.Picture, err = rehearsalPath(f, o.Path, res.Shot); err != nil {
		return res, err
	}
	if res.Picture {
		if _, err := rehearse.Encoder(); err != nil {
			return res, err
		}
	}
	res.Plan, err = rehearse.New(rehearse.Options{Rate: s.Reference.Rate, SampleRate: s.SampleRate, From: res.Shot.From, To: res.Shot.To,
		Loops: o.Loops, Gap: o.Gap, Speed: o.Speed, LevelDB: o.LevelDB, Spoken: o.Spoken})
	if err != nil {
		return res, err
	}
	sound, err := res.sound(f, s, o)
	if err != nil {
		return res, err
	}
	if !res.Picture {
		return res, res.writeSound(ctx, res.Path, s, sound, o.Progress)
	}
	return res, res.writePicture(ctx, f, s, sound, o.Progress)
}

// rehearsalPath is where it goes, and whether it has a picture.
func rehearsalPath(f *score.Folder, path string, shot Shot) (string, bool, error) {
	if path == "" {
		return f.Path(score.BouncesDir + "/rehearse-" + fileWord(shot.Name) + ".wav"), false, nil
	}
	switch strings.ToLower(filepath.Ext(path)) {
	case ".wav":
		return path, false, nil
	case ".mp4":
		return path, true, nil
	}
	return "", false, fault.New(fault.Usage, "a rehearsal is written as .wav or .mp4").In(path, "").Mended("give the file one of these endings")
}

// fileWord makes a name fit for a file anywhere: letters, digits and dashes.
func fileWord(name string) string {
	word := strings.Map(func(c rune) rune {
		if c < unicode.MaxASCII && (unicode.IsLetter(c) || unicode.IsDigit(c)) {
			return unicode.ToLower(c)
		}
		return '-'
	}, name)
	if word = strings.Trim(word, "-"); word == "" {
		return "span"
	}
	return word[:min(len(word), 40)]
}

// sound readies what is heard.
func (res *RehearseResult) sound(f *score.Folder, s *score.Score, o RehearseOptions) (*rehearse.Sound, error) {
	if !o.Silent && s.Reference.Sound == "" {
		if o.NeedsSound {
			return nil, fault.New(fault.Missing, "the reference has no sound to hear").Mended("leave --reference away, or say --silent")
		}
		res.Notes = append(res.Notes, "the reference has no sound: there are the beeps alone")
		o.Silent = true
	}
	if o.Silent {
		return rehearse.NewSound(res.Plan, nil, 0)
	}
	span, err := referenceSpan(f, s, res.Plan.From, res.Plan.SpanSamples())
	if err != nil {
		return nil, err
	}
	res.Reference = true
	sound, err := rehearse.NewSound(res.Plan, span, o.ReferenceDB)
	if err == nil && sound.Lowered < 0 {
		res.Notes = append(res.Notes, "the reference is quieter than you asked, so that it and the beeps stay under full scale together")
	}
	return sound, err
}

// referenceSpan is the reference's sound from a frame on, mono; what lies
// beyond its end is silence.
func referenceSpan(f *score.Folder, s *score.Score, frame, samples int64) ([]float32, error) {
	r, file, err := openReference(f, s)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	if err := r.SeekFrame(min(s.Reference.Rate.SampleOf(frame, s.SampleRate), r.Frames())); err != nil {
		return nil, err
	}
	x := make([]float32, samples)
	if _, err := (&monoSource{r: r}).Read(x); err != nil && !errors.Is(err, io.EOF) {
		return nil, fault.New(fault.KindOf(err), "reading the reference's sound").Because(err)
	}
	return x, nil
}

// writeSound writes the WAV. Its time reference puts the first start on the
// start frame's time code.
func (res *RehearseResult) writeSound(ctx context.Context, path string, s *score.Score, sound *rehearse.Sound, progress Progress) error {
	p := res.Plan
	var cues []audiofile.Cue
	for _, pass := range p.Passes {
		cues = append(cues, audiofile.Cue{Sample: pass.Start, Name: "start"})
	}
	first := s.Reference.Rate.SampleOf(p.From, s.SampleRate) - p.Passes[0].Start
	b := &audiofile.Bext{Description: audiofile.BextText(s.Title+": rehearse "+res.Shot.Name, 256), Originator: "cuechoir", TimeReference: timeReference(s, first)}
	return writeWAV(path, audiofile.Format{SampleRate: s.SampleRate, Channels: 1, Bits: 24}, b, func(w *audiofile.Writer) error {
		if err := w.SetCues(cues); err != nil {
			return err
		}
		x := make([]float32, 1<<16)
		for at := int64(0); at < p.Length; at += int64(len(x)) {
			if ctx.Err() != nil {
				return fault.New(fault.Interrupted, "writing the rehearsal was stopped").Because(ctx.Err())
			}
			part := x[:min(int64(len(x)), p.Length-at)]
			sound.Fill(part, at)
			if err := w.Write(part); err != nil {
				return err
			}
			progress.Show(at+int64(len(part)), p.Length, "writing the sound")
		}
		return nil
	})
}

// writePicture writes the sound beside the picture's place first, for ffmpeg to
// take.
func (res *RehearseResult) writePicture(ctx context.Context, f *score.Folder, s *score.Score, sound *rehearse.Sound, progress Progress) error {
	stills, still, err := res.stills(ctx, f, progress)
	if err != nil {
		return err
	}
	if stills != nil {
		defer stills.Close()
	}
	return writeFile(res.Path, func(tmp *os.File) error {
		wav := tmp.Name() + ".wav"
		defer os.Remove(wav)
		if err := res.writeSound(ctx, wav, s, sound, nil); err != nil {
			return err
		}
		return rehearse.WriteVideo(ctx, tmp.Name(), wav, res.Plan, s.Reference.Start, still, func(done, total int64) {
			progress.Show(done, total, "writing the picture")
		})
	})
}

// stills are the reference's pictures; nil when there are none to be had,
// which is noted.
func (res *RehearseResult) stills(ctx context.Context, f *score.Folder, progress Progress) (*StillsFile, rehearse.Still, error) {
	stills, err := Stills(ctx, f, StillsOptions{Progress: progress})
	if err != nil {
		if ctx.Err() != nil {
			return nil, nil, err
		}
		res.Notes = append(res.Notes, "there is the counter alone, without the reference's picture: "+err.Error())
		return nil, nil, nil
	}
	w, h := stills.Size()
	outW, outH := rehearse.Width, rehearse.Width*h/w
	if outH > rehearse.StillHeight {
		outW, outH = rehearse.StillHeight*w/h, rehearse.StillHeight
	}
	outW, outH = max(outW, 1), max(outH, 1)
	buf := make([]byte, outW*outH)
	return stills, func(frame int64, dst []byte) error {
		if err := stills.Scaled(frame, outW, outH, buf); err != nil {
			return err
		}
		left, top := (rehearse.Width-outW)/2, (rehearse.StillHeight-outH)/2
		for y := range outH {
			copy(dst[(top+y)*rehearse.Width+left:], buf[y*outW:(y+1)*outW])
		}
		return nil
	}, nil
}
