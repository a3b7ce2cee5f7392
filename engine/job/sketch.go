package job

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"slices"

	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/sketch"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

// SketchOptions say what was hummed and what becomes of it. Without a File the
// layer's own sound is read.
type SketchOptions struct {
	Layer   string
	File    string
	At      int64 // timeline sample on which the file begins
	Engine  decoder.Engine
	Read    sketch.Options
	Keep    bool   // it becomes the layer's part; with a File the layer is added when it is not there
	Replace bool   // even where the layer has one
	SMF     string // and a Standard MIDI File of this name; "" for none
}

// SketchResult is the sketch and what became of it.
type SketchResult struct {
	sketch.Sketch
	Take     string       // that was heard, "" of a file
	Score    *score.Score // as it stands afterwards
	Kept     bool
	Added    bool // the layer is new
	Replaced int  // notes of a part that gave way
}

// Sketch writes a hummed line down as notes, and keeps them as wished. Errors:
// Missing (no map, no sound), NotMet (nothing that could be a note), Conflict
// (the layer has a part), and as for reading sound.
func Sketch(ctx context.Context, f *score.Folder, o SketchOptions, progress Progress) (SketchResult, error) {
	var res SketchResult
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	grid, err := Grid(s)
	if err != nil {
		return res, err
	}
	if err := o.check(s); err != nil {
		return res, err
	}
	res.Score = s
	in := sketch.Input{SampleRate: s.SampleRate, Grid: grid}
	progress.Show(0, 0, "reading what was hummed")
	if in.Samples, in.Start, res.Take, err = hummed(ctx, f, s, o, progress); err != nil {
		return res, err
	}
	progress.Show(0, 0, "writing it down")
	if res.Sketch, err = sketch.Read(in, o.Read); err != nil {
		return res, named(err, o.File)
	}
	if ctx.Err() != nil {
		return res, fault.New(fault.Interrupted, "the sketch was stopped").Because(ctx.Err())
	}
	if o.SMF != "" {
		if err := writePart(s, grid, res.Part(o.partName()), o.SMF); err != nil {
			return res, err
		}
	}
	if o.Keep {
		err = res.keep(f, o)
	}
	return res, err
}

func (o SketchOptions) partName() string {
	if o.Layer == "" {
		return "sketch"
	}
	return o.Layer
}

// check refuses what could not be kept before anything is read.
func (o SketchOptions) check(s *score.Score) error {
	if o.Layer == "" {
		if o.File == "" || o.Keep {
			return fault.New(fault.Usage, "it is not said which layer").Mended("name one: cuechoir sketch LAYER; or a file to read: --input FILE")
		}
		return nil
	}
	if o.File == "" {
		if _, err := Layer(s, o.Layer); err != nil {
			return err
		}
	} else if o.Keep {
		if err := score.CheckName(o.Layer); err != nil {
			return fault.New(fault.Usage, "").Because(err)
		}
	}
	if l := s.Layer(o.Layer); l != nil && o.Keep {
		return o.mayReplace(l)
	}
	return nil
}

func (o SketchOptions) mayReplace(l *score.Layer) error {
	if len(l.Notes) == 0 || o.Replace {
		return nil
	}
	return fault.New(fault.Conflict, "layer %s has a part of %s already", l.Name, count(len(l.Notes), "note")).
		Mended("let it give way with --replace (cuechoir undo brings it back), or keep the sketch in another layer")
}

// hummed is the sound, where it begins, and the take it is of.
func hummed(ctx context.Context, f *score.Folder, s *score.Score, o SketchOptions, progress Progress) ([]float32, int64, string, error) {
	if o.File != "" {
		x, err := anySound(ctx, o.File, s.SampleRate, maxSoundFrames, o.Engine, progress)
		return x, o.At, "", err
	}
	snd, ok, err := soundOf(f, s.Layer(o.Layer))
	if err != nil {
		return nil, 0, "", err
	}
	if !ok {
		return nil, 0, "", fault.New(fault.Missing, "layer %s is not sung yet, so there is nothing to write down", o.Layer).
			Mended("hum it: cuechoir sing %s; or name a file: --input FILE", o.Layer)
	}
	x, err := snd.read(ctx, f, s.SampleRate)
	return x, snd.comp.Start(), snd.name(), err
}

// keep makes the sketch the layer's part.
func (res *SketchResult) keep(f *score.Folder, o SketchOptions) error {
	p := res.Part(o.Layer)
	s, err := f.Edit(fmt.Sprintf("part of %s sketched: %s", o.Layer, count(len(p.Notes), "note")), func(s *score.Score) error {
		l := s.Layer(o.Layer)
		if l == nil {
			s.Layers = append(s.Layers, score.Layer{Name: o.Layer})
			l, res.Added = &s.Layers[len(s.Layers)-1], true
		}
		if err := o.mayReplace(l); err != nil {
			return err
		}
		res.Replaced = len(l.Notes)
		l.Notes = p.Notes
		return nil
	})
	if err != nil {
		return err
	}
	res.Kept, res.Score = true, s
	return nil
}

// writePart writes a part with the map's tempos, metres and marks as a Standard
// MIDI File whose beginning is bar 1 beat 1, as layer add reads it.
func writePart(s *score.Score, grid *tempo.Grid, p part.Part, path string) error {
	var b bytes.Buffer
	if err := part.WriteSMF(&b, []part.Part{p}, conductorFromBarOne(s, grid)); err != nil {
		return err
	}
	return writeWhole(path, func(w io.Writer) error {
		_, err := w.Write(b.Bytes())
		return err
	})
}

// conductorFromBarOne is the map without what lies before bar 1.
func conductorFromBarOne(s *score.Score, grid *tempo.Grid) part.Conductor {
	c := part.ConductorOf(grid, s.Title, mapMarks(s))
	origin, _ := part.Origin(grid)
	for i := range c.Tempos {
		c.Tempos[i].At = c.Tempos[i].At.Add(origin)
	}
	for i := range c.Metres {
		c.Metres[i].At = c.Metres[i].At.Add(origin)
	}
	for i := range c.Markers {
		c.Markers[i].At = c.Markers[i].At.Add(origin)
	}
	c.Tempos = inForceFrom(c.Tempos, func(t *part.Tempo) *timecode.Ratio { return &t.At })
	c.Metres = inForceFrom(c.Metres, func(m *part.Metre) *timecode.Ratio { return &m.At })
	c.Markers = slices.DeleteFunc(c.Markers, func(m part.Marker) bool { return m.At.Sign() < 0 })
	return c
}

// inForceFrom drops changes before 0 but for the last of them, which holds from
// 0 on when nothing else does.
func inForceFrom[T any](list []T, at func(*T) *timecode.Ratio) []T {
	first := 0
	for first+1 < len(list) && at(&list[first+1]).Sign() <= 0 {
		first++
	}
	list = list[first:]
	if len(list) > 0 && at(&list[0]).Sign() < 0 {
		*at(&list[0]) = timecode.Int(0)
	}
	return list
}
