package job

import (
	"context"
	"errors"
	"fmt"
	"io"

	"cuechoir/engine/loudness"
	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// ReferenceLevels is the largest absolute sample of the reference's sound, of
// the mean of its channels, in each frame of the reference: 0 to 1, one a
// frame. Errors: Missing (the reference has no sound), and those of its file.
func ReferenceLevels(ctx context.Context, f *score.Folder, s *score.Score) ([]float32, error) {
	if s.Reference.Sound == "" {
		return nil, fault.New(fault.Missing, "the reference has no sound")
	}
	r, file, err := openReference(f, s)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return frameLevels(ctx, s, &monoSource{r: r}, 0)
}

// LayerLevels is the same of a layer as it sounds: its take in use with its
// comp, before its fader. ok is false when it is not sung.
func LayerLevels(ctx context.Context, f *score.Folder, s *score.Score, name string) (levels []float32, ok bool, err error) {
	l, err := Layer(s, name)
	if err != nil {
		return nil, false, err
	}
	snd, ok, err := soundOf(f, l)
	if err != nil || !ok {
		return nil, false, err
	}
	src, err := snd.open(f, s.SampleRate)
	if err != nil {
		return nil, false, err
	}
	defer src.Close()
	levels, err = frameLevels(ctx, s, src, src.Start())
	return levels, err == nil, err
}

// frameLevels reads a source that begins at a timeline sample to its end.
func frameLevels(ctx context.Context, s *score.Score, src mix.Source, start int64) ([]float32, error) {
	ref := s.Reference
	out := make([]float32, ref.Frames)
	block := make([]float32, 1<<15)
	at, frame := start, int64(0)
	for next := ref.Rate.SampleOf(1, s.SampleRate); ; {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		n, err := src.Read(block)
		for _, v := range block[:n] {
			for at >= next {
				frame++
				next = ref.Rate.SampleOf(frame+1, s.SampleRate)
			}
			if at >= 0 && frame < ref.Frames {
				if v < 0 {
					v = -v
				}
				out[frame] = max(out[frame], v)
			}
			at++
		}
		if errors.Is(err, io.EOF) || err == nil && n == 0 {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
	}
}

// MixLevels is what a mix measures, frame by frame of the reference.
type MixLevels struct {
	Peak      []float32 // the louder channel's largest absolute sample
	Momentary []float32 // LUFS of the 400 ms that end with the frame (EBU Tech 3341); -Inf for silence
	// Layers and Groups are the same peaks of each layer as it is heard in the
	// mix, mended, in its colour, behind its strip and fader, and of each group
	// behind its own and the ride; by name. What is left out is not there.
	Layers, Groups map[string][]float32
	Loudness       loudness.Result
}

// MeasureMix mixes the layers as a bounce does, before its master gain, and
// measures them; nothing is written. Errors: Missing (nothing to mix),
// Interrupted, and those of the takes.
func MeasureMix(ctx context.Context, f *score.Folder, progress Progress) (MixLevels, error) {
	s, err := f.Load()
	if err != nil {
		return MixLevels{}, err
	}
	desk, _, err := openMix(ctx, f, s, progress)
	if err != nil {
		return MixLevels{}, err
	}
	defer closeStrips(desk.Strips)
	meter, err := loudness.New(loudness.Options{SampleRate: s.SampleRate, Channels: 2})
	if err != nil {
		return MixLevels{}, err
	}
	r := mixReader{s: s, meter: meter, out: MixLevels{Layers: map[string][]float32{}, Groups: map[string][]float32{}}}
	colour, err := mixColour(s)
	if err != nil {
		return MixLevels{}, err
	}
	sink, whole := r.take, []float32(nil)
	if colour != nil {
		sink = func(block []float32) error { whole = append(whole, block...); return nil }
	}
	err = mix.Render(ctx, desk, mix.Options{SampleRate: s.SampleRate, Length: s.Length(), Watch: r.watch}, sink,
		func(done, total int64) { progress.Show(done, total, "measuring the mix") })
	if err == nil && colour != nil {
		if err = colour(whole); err == nil {
			err = r.take(whole)
		}
	}
	if err != nil {
		return MixLevels{}, err
	}
	r.endFrame()
	meter.Finish()
	r.out.Loudness = meter.Result()
	return r.out, nil
}

// mixReader cuts a mix into frames and measures each.
type mixReader struct {
	s     *score.Score
	meter *loudness.Meter
	at    int64 // samples taken
	peak  float32
	out   MixLevels
}

// take measures a block of interleaved stereo.
func (r *mixReader) take(block []float32) error {
	for len(block) > 0 {
		next := r.s.Reference.Rate.SampleOf(int64(len(r.out.Peak))+1, r.s.SampleRate)
		n := min(int64(len(block)/2), next-r.at)
		for _, v := range block[:2*n] {
			r.peak = max(r.peak, v, -v)
		}
		if err := r.meter.Push(block[:2*n]); err != nil {
			return err
		}
		block = block[2*n:]
		if r.at += n; r.at == next {
			r.endFrame()
		}
	}
	return nil
}

// watch keeps the peaks of a strip or a group.
func (r *mixReader) watch(what mix.Watched, at int64, left, right []float64) {
	peaks := r.out.Layers
	if what.Group {
		peaks = r.out.Groups
	}
	rate := r.s.Reference.Rate
	own := peaks[what.Name]
	if own == nil {
		own = make([]float32, r.s.Reference.Frames)
		peaks[what.Name] = own
	}
	frame := rate.FrameOf(at, r.s.SampleRate)
	next := rate.SampleOf(frame+1, r.s.SampleRate)
	for i, l := range left {
		if at+int64(i) >= next {
			frame++
			next = rate.SampleOf(frame+1, r.s.SampleRate)
		}
		if frame < int64(len(own)) {
			own[frame] = max(own[frame], float32(max(l, -l, right[i], -right[i])))
		}
	}
}

func (r *mixReader) endFrame() {
	if int64(len(r.out.Peak)) < r.s.Reference.Frames {
		r.out.Peak = append(r.out.Peak, r.peak)
		r.out.Momentary = append(r.out.Momentary, float32(r.meter.MomentaryLUFS()))
	}
	r.peak = 0
}

// SoundKey names what a layer sounds from: the takes in use, as Check names
// them, and a key that changes when any of what it sounds from, or where it
// lies, does. ok is false when it is not sung.
func SoundKey(f *score.Folder, s *score.Score, layer string) (name, key string, ok bool, err error) {
	l, err := Layer(s, layer)
	if err != nil {
		return "", "", false, err
	}
	snd, ok, err := soundOf(f, l)
	if err != nil || !ok {
		return "", "", false, err
	}
	for _, t := range snd.takes {
		key += fmt.Sprintf("%s@%d+%d ", t.ID, t.Start, t.Frames)
	}
	return snd.name(), key + fmt.Sprint(snd.parts), true, nil
}
