package job

import (
	"context"
	"fmt"
	"path/filepath"

	"cuechoir/engine/picture"
	"cuechoir/engine/score"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

// FindCutsOptions say where the cuts are found. The zero value works.
type FindCutsOptions struct {
	Video    string         // path of a video; "": the reference's, looked for in the score's folder and beside it
	Engine   decoder.Engine // zero: the native decoder when there is one, else the embedded
	Progress Progress
}

// FoundCuts is what finding the cuts again changed.
type FoundCuts struct {
	score.Refound
	Score *score.Score
	Video string   // the file that was read
	Notes []string // what the maker should know of it
}

// FindCuts finds the cuts of a score again and keeps what a person changed; see
// score.MergeFound. The stills are made anew in the same pass. Errors: Missing
// (no video), Unsupported (the reference is sound alone), Conflict (the video
// is not as long or as fast as the reference), and those of picture.Analyse.
func FindCuts(ctx context.Context, f *score.Folder, o FindCutsOptions) (FoundCuts, error) {
	var res FoundCuts
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	if s.Reference.Samples > 0 {
		return res, fault.New(fault.Unsupported, "the reference is sound alone: it has no picture")
	}
	video, err := findVideo(f, s, o.Video)
	if err != nil {
		return res, err
	}
	if video.path == "" {
		return res, fault.New(fault.Missing, "%s was not found in the score's folder or beside it", videoName(s)).
			Mended("put it there, or name it: cuechoir cuts find FILE")
	}
	res.Video = video.path
	stills, done, err := stillsTarget(f.Dir, s)
	if err != nil {
		return res, err
	}
	defer done()
	info, cuts, err := picture.Analyse(ctx, video.path, picture.Options{Engine: o.Engine, Within: video.within, Progress: o.Progress, Stills: stills})
	if err != nil {
		return res, err
	}
	res.Notes = info.Notes
	res.Score, err = f.EditAs(func(s *score.Score) (string, error) {
		if err := fitsScore(s, info.Frames, info.Rate); err != nil { // it may have changed meanwhile
			return "", err.In(video.path, "")
		}
		res.Refound = s.TakeFound(cuts)
		return fmt.Sprintf("cuts found again: %d new, %d gone, %d by hand kept", res.Added, res.Gone, res.Kept), nil
	})
	return res, err
}

// videoName is the reference's video in words.
func videoName(s *score.Score) string {
	if s.Reference.Source == "" {
		return "the reference's video"
	}
	return filepath.Base(s.Reference.Source)
}
