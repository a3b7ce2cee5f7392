package job

import (
	"context"
	"errors"
	"io"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/internal/fault"
)

// LayerTakes is a layer's takes by number, and which one is in use.
type LayerTakes struct {
	Layer string
	Takes []take.Info
	InUse string // "" when there is none
}

// Takes lists the takes of one layer, or of all.
func Takes(f *score.Folder, only string) ([]LayerTakes, error) {
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	layers, err := chosen(s, only)
	if err != nil {
		return nil, err
	}
	var out []LayerTakes
	for _, l := range layers {
		infos, err := take.List(f.Dir, l.Name)
		if err != nil {
			return nil, err
		}
		lt := LayerTakes{Layer: l.Name, Takes: infos}
		if t, ok, err := takeInUse(f, &l); err == nil && ok {
			lt.InUse = t.ID
		}
		out = append(out, lt)
	}
	return out, nil
}

// UseTake puts one take of a layer in use; id "" is the newest, whichever
// that will be.
func UseTake(f *score.Folder, layer, id string) error {
	label := "take " + id + " of " + layer + " put in use"
	if id == "" {
		label = "newest take of " + layer + " put in use"
	}
	_, err := f.Edit(label, func(s *score.Score) error {
		l, err := Layer(s, layer)
		if err != nil {
			return err
		}
		l.Use = id
		if id == "" && len(l.Comp) > 0 {
			return nameBase(f, l) // a comp lies over one take
		}
		if id == "" {
			return nil
		}
		_, _, err = takeInUse(f, l)
		return err
	})
	return err
}

// Recover mends takes that were cut off, and says which.
func Recover(f *score.Folder) ([]take.Found, error) { return take.Recover(f.Dir) }

// takeInUse is the take that the layer names, else its newest that is whole;
// ok is false when it has none. What was punched in is a patch, so it comes
// after every take that was sung through.
func takeInUse(f *score.Folder, l *score.Layer) (t take.Info, ok bool, err error) {
	infos, err := take.List(f.Dir, l.Name)
	if err != nil {
		return t, false, err
	}
	for _, i := range infos {
		if i.State == take.Recording {
			continue
		}
		patch := l.Use == "" && i.Useful != nil && ok && t.Useful == nil
		if (l.Use == "" || i.ID == l.Use) && !patch {
			t, ok = i, true
		}
	}
	if l.Use != "" && !ok {
		return t, false, fault.New(fault.Missing, "layer %s has no take %s", l.Name, l.Use).
			Mended("list them: cuechoir takes %s; or use the newest: cuechoir takes use %s newest", l.Name, l.Name)
	}
	return t, ok, nil
}

// takeSource is a take as a layer of a mix.
type takeSource struct{ r *take.Reader }

func (s takeSource) Read(dst []float32) (int, error) { return readFull(s.r, dst) }
func (s takeSource) Close() error                    { return s.r.Close() }

// readFull fills dst, or ends short with io.EOF, as mix.Source asks.
func readFull(r interface {
	Read([]float32) (int, error)
}, dst []float32) (n int, err error) {
	for n < len(dst) && err == nil {
		var k int
		k, err = r.Read(dst[n:])
		n += k
	}
	if n == len(dst) && errors.Is(err, io.EOF) {
		err = nil // the next read tells the end
	}
	return n, err
}

// openTake opens a take's sound; sampleRate is the score's, in Hz.
func openTake(f *score.Folder, t take.Info, sampleRate int) (takeSource, error) {
	info, r, err := take.Load(f.Dir, t.Layer, t.ID)
	if err != nil {
		return takeSource{}, err
	}
	if info.SampleRate != sampleRate {
		r.Close()
		return takeSource{}, fault.New(fault.Unsupported, "take %s of %s is at %d Hz, the score at %d", t.ID, t.Layer, info.SampleRate, sampleRate).
			Mended("sing it again, or feed its sound anew: cuechoir sing %s --input FILE", t.Layer)
	}
	return takeSource{r}, nil
}

// readTake is a take's whole sound.
func readTake(ctx context.Context, f *score.Folder, t take.Info, sampleRate int) ([]float32, error) {
	src, err := openTake(f, t, sampleRate)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	if t.Frames > maxSoundFrames {
		return nil, fault.New(fault.OverLimit, "take %s of %s is longer than six hours", t.ID, t.Layer)
	}
	return readWhole(ctx, src, src.r.Frames())
}

// readWhole is so many samples of a source, which holds as many.
func readWhole(ctx context.Context, src mix.Source, frames int64) ([]float32, error) {
	x := make([]float32, frames)
	const block = 1 << 18
	for at := 0; at < len(x); at += block {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if _, err := src.Read(x[at:min(at+block, len(x))]); err != nil {
			return nil, err
		}
	}
	return x, nil
}

// closing is a mix source over a take that is closed when the mix is done.
type closing struct {
	mix.Source
	io.Closer
}

func closeStrips(strips []mix.Strip) {
	for _, s := range strips {
		if c, ok := s.Source.(io.Closer); ok {
			c.Close()
		}
	}
}
