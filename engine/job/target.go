package job

import (
	"context"
	"errors"
	"io"
	"math"
	"strconv"

	"cuechoir/engine/loudness"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// Target is the integrated loudness that a bounce is brought to.
type Target struct {
	LUFS      float64
	Reference bool // that of the reference's own sound
}

// Published targets.
const (
	R128LUFS      = -23 // EBU R 128
	StreamingLUFS = -14 // common practice of streaming services
)

// ParseTarget reads r128, streaming, reference, or a number of LUFS from -70 to
// 0. Errors: Usage.
func ParseTarget(text string) (Target, error) {
	switch text {
	case "r128":
		return Target{LUFS: R128LUFS}, nil
	case "streaming":
		return Target{LUFS: StreamingLUFS}, nil
	case "reference":
		return Target{Reference: true}, nil
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || !(x >= -70 && x <= 0) {
		return Target{}, fault.New(fault.Usage, "%q is not a loudness", text).Mended("use r128 (-23 LUFS), streaming (-14), reference, or LUFS from -70 to 0")
	}
	return Target{LUFS: x}, nil
}

// ReferenceLoudness measures the reference's own sound as it is heard: mono
// plays from both loudspeakers. Errors: Missing (it has no sound).
func ReferenceLoudness(ctx context.Context, f *score.Folder, s *score.Score) (loudness.Result, error) {
	if s.Reference.Sound == "" {
		return loudness.Result{}, fault.New(fault.Missing, "the reference has no sound, so its loudness cannot be met").
			Mended("use another target, such as r128")
	}
	r, file, err := openReference(f, s)
	if err != nil {
		return loudness.Result{}, err
	}
	defer file.Close()
	o := loudness.Options{SampleRate: s.SampleRate, Channels: r.Format().Channels}
	if o.Channels == 1 {
		o.Weights = []float64{2}
	}
	m, err := loudness.New(o)
	if err != nil {
		return loudness.Result{}, err
	}
	buf := make([]float32, o.Channels<<13)
	for {
		if ctx.Err() != nil {
			return loudness.Result{}, fault.New(fault.Interrupted, "stopped while the reference was measured").Because(ctx.Err())
		}
		n, err := r.Read(buf)
		if err != nil && !errors.Is(err, io.EOF) {
			return loudness.Result{}, err
		}
		if perr := m.Push(buf[:n*o.Channels]); perr != nil {
			return loudness.Result{}, perr
		}
		if err != nil {
			break
		}
	}
	m.Finish()
	return m.Result(), nil
}

// lufs is the target's number; the reference is measured for it.
func (t Target) lufs(ctx context.Context, f *score.Folder, s *score.Score) (float64, error) {
	if !t.Reference {
		return t.LUFS, nil
	}
	r, err := ReferenceLoudness(ctx, f, s)
	if err != nil {
		return 0, err
	}
	if math.IsInf(r.IntegratedLUFS, 0) {
		return 0, fault.New(fault.NotMet, "the reference's sound is silent or too short to measure").Mended("use another target, such as r128")
	}
	return min(r.IntegratedLUFS, 0), nil
}
