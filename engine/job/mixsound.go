package job

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"slices"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// MixSound is the mix as a bounce would write it before its gain: mended,
// coloured, through strips, groups, room, echo, ride and master. It is mono, the
// mean of both channels, from timeline sample 0, in memory, to be heard at once.
type MixSound struct {
	key string
	x   []float32
}

// maxMixSound is the longest mix, in samples, that is heard from memory.
const maxMixSound = 1 << 27

// MixSoundOf renders the mix; of alone, when it is not "", that layer's share by
// itself. had, which may be nil, is given back when it is of all that there is
// now. Errors: Missing (nothing to mix), OverLimit, Interrupted, those of takes.
func MixSoundOf(ctx context.Context, f *score.Folder, alone string, had *MixSound, progress Progress) (*MixSound, error) {
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	if s.Length() > maxMixSound {
		return nil, fault.New(fault.OverLimit, "the mix is too long to be heard before it is bounced: %d samples", s.Length()).
			Mended("bounce it, or play layers: cuechoir play --all")
	}
	key, err := mixKey(f, s, alone)
	if err != nil {
		return nil, err
	}
	if had != nil && had.key == key {
		return had, nil
	}
	desk, layers, err := openMix(ctx, f, s, progress)
	if err != nil {
		return nil, err
	}
	defer closeStrips(desk.Strips)
	if alone != "" {
		if !slices.Contains(layers, alone) {
			return nil, fault.New(fault.Missing, "layer %s is not in the mix", alone).Mended("sing it, or take it in: cuechoir layer set %s --mute=false", alone)
		}
		for i := range desk.Strips {
			desk.Strips[i].Mute = desk.Strips[i].Name != alone
		}
	}
	x, err := renderMono(ctx, s, desk, progress)
	return &MixSound{key, x}, err
}

// openMix makes what the mix is made of and opens it, once; layers are those in it.
// The caller closes the strips.
func openMix(ctx context.Context, f *score.Folder, s *score.Score, progress Progress) (desk mix.Desk, layers []string, err error) {
	var res BounceResult
	picked, err := res.choose(f, s)
	if err != nil {
		return desk, nil, err
	}
	if err := makeLayers(ctx, f, s, picked, progress); err != nil {
		return desk, nil, err
	}
	desk, err = openDesk(f, s, picked)
	return desk, res.Layers, err
}

func renderMono(ctx context.Context, s *score.Score, desk mix.Desk, progress Progress) ([]float32, error) {
	colour, err := mixColour(s)
	if err != nil {
		return nil, err
	}
	wide := make([]float32, 0, 2*s.Length())
	err = mix.Render(ctx, desk, mix.Options{SampleRate: s.SampleRate, Length: s.Length()},
		func(block []float32) error { wide = append(wide, block...); return nil },
		func(done, total int64) { progress.Show(done, total, "mixing") })
	if err == nil && colour != nil {
		err = colour(wide)
	}
	if err != nil {
		return nil, err
	}
	x := make([]float32, len(wide)/2)
	for i := range x {
		x[i] = (wide[2*i] + wide[2*i+1]) / 2
	}
	return x, nil
}

// mixKey changes when anything that the mix is made of does: the document, or
// the takes that sound.
func mixKey(f *score.Folder, s *score.Score, alone string) (string, error) {
	text, err := score.Encode(s)
	if err != nil {
		return "", err
	}
	h := sha256.New()
	h.Write(text)
	for _, l := range s.Layers {
		_, key, ok, err := SoundKey(f, s, l.Name)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(h, "\n%q %q %v", l.Name, key, ok)
	}
	fmt.Fprintf(h, "\nalone %q", alone)
	return string(h.Sum(nil)), nil
}

// mixReading is a MixSound being heard.
type mixReading struct {
	x  []float32
	at int64
}

func (r *mixReading) Read(dst []float32) (int, error) {
	n := copy(dst, r.x[r.at:])
	r.at += int64(n)
	if n < len(dst) {
		return n, io.EOF
	}
	return n, nil
}

func (r *mixReading) seek(sample int64) error {
	r.at = min(max(sample, 0), int64(len(r.x)))
	return nil
}
