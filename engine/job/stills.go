package job

import (
	"context"
	"io"
	"os"
	"path/filepath"

	"cuechoir/engine/picture"
	"cuechoir/engine/raster"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

const stillsName = score.ReferenceDir + "/stills.grey"

// StillsOptions say where stills may come from. The zero value works.
type StillsOptions struct {
	Video    string         // path of the reference's video; "": looked for in the score's folder and beside it
	Engine   decoder.Engine // zero: the native decoder when there is one, else the embedded
	Progress Progress
}

// StillsFile is a score's stills, open. Close it.
type StillsFile struct {
	*picture.Stills
	Note string // why they were made anew just now, or ""
	file io.Closer
}

// Close lets the file go; the stills cannot be read after it.
func (s *StillsFile) Close() error { return s.file.Close() }

// Stills opens the stills of the reference's frames. When they are not there,
// damaged, or of another file than the video that lies there now, they are made
// anew from that video, which takes as long as decoding it. Errors: Missing or
// Malformed (no good stills and no video to make them from), Unsupported (the
// reference is sound alone), Conflict (the video is another film), and those of
// picture.MakeStills.
func Stills(ctx context.Context, f *score.Folder, o StillsOptions) (*StillsFile, error) {
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	if s.Reference.Samples > 0 {
		return nil, fault.New(fault.Unsupported, "the reference is sound alone: it has no picture")
	}
	video, err := findVideo(f, s, o.Video)
	if err != nil {
		return nil, err
	}
	have, broken := openStills(f, s, video)
	if broken == nil {
		return have, nil
	}
	if video.path == "" {
		return nil, noVideo(s, broken)
	}
	to, done, err := stillsTarget(f.Dir, s)
	if err != nil {
		return nil, err
	}
	defer done()
	if _, err := picture.MakeStills(ctx, video.path, picture.Options{
		Engine: o.Engine, Within: video.within, Progress: o.Progress, Stills: to,
	}); err != nil {
		return nil, err
	}
	made, err := openStills(f, s, video)
	if err == nil && fault.KindOf(broken) != fault.Missing {
		made.Note = broken.Error()
	}
	return made, err
}

// videoFile is where the reference's video lies; the zero value is nowhere.
type videoFile struct {
	path   string
	within string // a folder that it must not leave, "" for no such bound
}

// findVideo is the video that a person names, else a file of the name that the
// score keeps: in the score's folder, or beside it, where most are made. The
// name is a stranger's word: it leads nowhere else.
func findVideo(f *score.Folder, s *score.Score, given string) (videoFile, error) {
	if given != "" {
		return videoFile{path: given}, readable(given)
	}
	name := s.Reference.Source
	if name == "" || filepath.Base(name) != name || !filepath.IsLocal(name) {
		return videoFile{}, nil
	}
	dir, err := filepath.Abs(f.Dir)
	if err != nil {
		return videoFile{}, fault.New(fault.Unexpected, "the working folder cannot be found").Because(err)
	}
	for _, v := range []videoFile{
		{filepath.Join(dir, score.ReferenceDir, name), dir},
		{filepath.Join(dir, name), dir},
		{filepath.Join(filepath.Dir(dir), name), filepath.Dir(dir)},
	} {
		if readable(v.path) == nil {
			return v, nil
		}
	}
	return videoFile{}, nil
}

// openStills opens what is there and holds it against its checksums, the score
// and, when there is one, the video.
func openStills(f *score.Folder, s *score.Score, video videoFile) (_ *StillsFile, err error) {
	file, err := f.OpenFile(stillsName)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			file.Close()
		}
	}()
	st, err := file.Stat()
	if err != nil {
		return nil, fault.New(fault.Malformed, "the stills cannot be read").In(f.Path(stillsName), "").Because(err)
	}
	stills, err := picture.OpenStills(file, st.Size(), f.Path(stillsName))
	if err != nil {
		return nil, err
	}
	if err := stills.Check(); err != nil {
		return nil, err
	}
	if err := fitsScore(s, stills.Frames(), stills.Rate()); err != nil {
		return nil, err.In(f.Path(stillsName), "")
	}
	if video.path != "" {
		mark, err := picture.MarkOf(video.path, video.within)
		if err != nil {
			return nil, err
		}
		if mark != stills.Source() {
			return nil, fault.New(fault.Conflict, "the stills are of another file than %s", filepath.Base(video.path)).In(f.Path(stillsName), "")
		}
	}
	return &StillsFile{Stills: stills, file: file}, nil
}

// fitsScore is nil when a film is as long and as fast as the reference.
func fitsScore(s *score.Score, frames int64, rate timecode.Rate) *fault.Error {
	ref := s.Reference
	if frames == ref.Frames && rate.Num*ref.Rate.Den == ref.Rate.Num*rate.Den {
		return nil
	}
	return fault.New(fault.Conflict, "holds %d frames at %s, and the reference has %d at %s", frames, rate, ref.Frames, ref.Rate)
}

// noVideo is the error when stills are wanted and cannot be made.
func noVideo(s *score.Score, broken error) error {
	name := s.Reference.Source
	if name == "" {
		name = "the reference's video"
	}
	kind, what := fault.Missing, "there are no stills of the reference yet"
	if k := fault.KindOf(broken); k != fault.Missing {
		kind, what = k, "the stills of the reference cannot be used"
	}
	return fault.New(kind, "%s, and %s, from which they are made, was not found", what, name).Because(broken).
		Mended("put it beside the score's folder, or name it: cuechoir still 0 --reference FILE")
}

// stillsTarget is where a score's stills are written. With s, a film of another
// length or rate is refused. done lets the folder go.
func stillsTarget(dir string, s *score.Score) (to picture.Target, done func(), err error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return to, nil, fault.New(fault.Missing, "the folder cannot be opened").In(dir, "").Because(err)
	}
	to = picture.Target{Root: root, Name: stillsName}
	if s != nil {
		to.Accept = func(info picture.Info) error {
			if err := fitsScore(s, info.Frames, info.Rate); err != nil {
				return err.Mended("name the video that the score was made from")
			}
			return nil
		}
	}
	return to, func() { root.Close() }, nil
}

// StillPicture is one still, brought to size: rows from the top, 0 black to
// 255 white, square points.
type StillPicture struct {
	W, H int
	Pix  []byte
}

// maxStillWidth bounds what Picture and Draw are asked for, in points and
// columns.
const maxStillWidth = 1000

// Picture is the still of a frame, width points wide, its height by its shape;
// width 0 is its own size. Errors: Usage (a width outside 1 to 1000), and those
// of picture.Stills.
func (s *StillsFile) Picture(frame int64, width int) (StillPicture, error) {
	w, h := s.Size()
	if width < 0 || width > maxStillWidth {
		return StillPicture{}, badWidth(width)
	}
	if width > 0 {
		r := s.Fit(width, maxStillWidth, 1)
		w, h = r.W, r.H
	}
	p := StillPicture{W: w, H: h, Pix: make([]byte, w*h)}
	return p, s.Scaled(frame, w, h, p.Pix)
}

// Draw is the still of a frame as text for a terminal: see raster.Draw. Errors:
// as Picture.
func (s *StillsFile) Draw(frame int64, columns, rows int, d raster.Depth) (string, error) {
	if columns < 1 || columns > maxStillWidth {
		return "", badWidth(columns)
	}
	p, err := s.Picture(frame, 0)
	if err != nil {
		return "", err
	}
	return raster.Draw(p.Pix, p.W, p.H, columns, rows, d), nil
}

func badWidth(width int) error {
	return fault.New(fault.Usage, "a still is not made %d wide", width).Mended("choose 1 to %d", maxStillWidth)
}
