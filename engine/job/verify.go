package job

import (
	"context"
	"fmt"

	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
)

// Checked is one thing that Verify looked at.
type Checked struct {
	What string // a path inside the score
	Err  error  // nil: sound
}

// Verify looks at a whole score: the document, the reference's sound, every
// take against its checksum. The error is NotMet when anything is broken.
func Verify(ctx context.Context, f *score.Folder, progress Progress) ([]Checked, error) {
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	out := []Checked{{What: score.FileName}, {What: score.HistoryDir, Err: f.VerifyHistory()}}
	if s.Reference.Sound != "" {
		out = append(out, Checked{s.Reference.Sound, verifySound(f, s)})
	}
	layers, err := take.Layers(f.Dir)
	if err != nil {
		return nil, err
	}
	for i, name := range layers {
		progress.Show(int64(i), int64(len(layers)), "verifying "+name)
		infos, err := take.List(f.Dir, name)
		if err != nil {
			out = append(out, Checked{score.TakesDir + "/" + name, err})
		}
		for _, t := range infos {
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			out = append(out, Checked{fmt.Sprintf("%s/%s/%s", score.TakesDir, name, t.ID), take.Verify(f.Dir, name, t.ID)})
		}
	}
	for i := range s.Layers {
		if _, _, err := soundOf(f, &s.Layers[i]); err != nil {
			out = append(out, Checked{"layer " + s.Layers[i].Name, err})
		}
		if _, err := voice.ParseColour(s.Layers[i].Colour); err != nil {
			out = append(out, Checked{"layer " + s.Layers[i].Name, err})
		}
	}
	broken := 0
	for _, c := range out {
		if c.Err != nil {
			broken++
		}
	}
	if broken > 0 {
		return out, fault.New(fault.NotMet, "%d of %d things are not as they should be", broken, len(out))
	}
	return out, nil
}

// verifySound opens the reference's sound as singing does.
func verifySound(f *score.Folder, s *score.Score) error {
	_, file, err := openReference(f, s)
	if err != nil {
		return err
	}
	return file.Close()
}
