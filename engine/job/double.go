package job

import (
	"context"
	"fmt"

	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
)

// DoubleOptions say what a double is like.
type DoubleOptions struct {
	Of, Name string
	Seed     int     // which singer it is: the same seed, the same double
	Apart    float64 // cents
	LateMS   float64
}

// Double makes a layer that sings another's notes as another singer would: its
// take is the other's sound as it is sung now, its colour has one line that
// drifts in pitch and time on its own, before the other's colour. The mends and
// the part come along; the fader, the pan and the strip are the new layer's.
func Double(ctx context.Context, f *score.Folder, o DoubleOptions) (*score.Layer, take.Info, error) {
	s, err := f.Load()
	if err != nil {
		return nil, take.Info{}, err
	}
	of, err := Layer(s, o.Of)
	if err != nil {
		return nil, take.Info{}, err
	}
	if s.Layer(o.Name) != nil {
		return nil, take.Info{}, fault.New(fault.Conflict, "there is a layer %q already", o.Name).Mended("choose another name")
	}
	if err := score.CheckName(o.Name); err != nil {
		return nil, take.Info{}, fault.New(fault.Usage, "").Because(err)
	}
	made := score.Layer{Name: o.Name, Group: of.Group, Notes: of.Notes, Mends: of.Mends}
	made.Colour = append([]string{fmt.Sprintf("another %d apart %g cents late %g ms", o.Seed, o.Apart, o.LateMS)}, of.Colour...)
	if _, err := voice.ParseColour(made.Colour[:1]); err != nil {
		return nil, take.Info{}, fault.New(fault.Usage, "the double cannot be made").Because(err)
	}
	snd, ok, err := soundOf(f, of)
	if err != nil {
		return nil, take.Info{}, err
	}
	if !ok {
		return nil, take.Info{}, notSung(o.Of)
	}
	x, err := snd.read(ctx, f, s.SampleRate)
	if err != nil {
		return nil, take.Info{}, err
	}
	// The take first: a layer that is there has its sound.
	info, err := copyTake(f, o, snd, x, s.SampleRate)
	if err != nil {
		return nil, info, err
	}
	s, err = f.Edit(fmt.Sprintf("layer %s doubles %s", o.Name, o.Of), func(s *score.Score) error {
		if s.Layer(o.Name) != nil {
			return fault.New(fault.Conflict, "there is a layer %q already", o.Name)
		}
		made.Use = info.ID
		s.Layers = append(s.Layers, made)
		return nil
	})
	if err != nil {
		return nil, info, err
	}
	return s.Layer(o.Name), info, nil
}

// copyTake keeps a layer's sound, as it is sung now, as a take of another.
func copyTake(f *score.Folder, o DoubleOptions, snd layerSound, x []float32, sampleRate int) (take.Info, error) {
	first := snd.takes[0]
	w, err := take.Create(f.Dir, o.Name, take.Info{Start: snd.comp.Start(), SampleRate: sampleRate, Device: "layer " + o.Of,
		Input: "takes " + snd.name(), RoundTripKnown: first.RoundTripKnown, RoundTrip: first.RoundTrip})
	if err != nil {
		return take.Info{}, err
	}
	if err := w.Append(x); err != nil {
		return take.Info{}, err
	}
	return w.Finish()
}
