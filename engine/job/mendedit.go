package job

import (
	"context"
	"fmt"
	"math"

	"cuechoir/engine/mix"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/voice"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

func pitchName(key float64) string {
	if key <= 0 || key > 127 {
		return ""
	}
	return part.KeyName(uint8(math.Round(key)))
}

// AddMend makes an edit of a layer and says what the layer's mends do now. The
// edit is tried before it is kept. Errors: Usage, Missing (no such layer, not
// sung, nothing to go to).
func AddMend(ctx context.Context, f *score.Folder, layer string, m score.Mend) (MendReport, error) {
	label := fmt.Sprintf("%s %s", m.Do, layer)
	return editMends(ctx, f, layer, label, func(l *score.Layer) { l.AddMend(m) })
}

// ClearMends leaves a layer as it was sung.
func ClearMends(ctx context.Context, f *score.Folder, layer string) (MendReport, error) {
	return editMends(ctx, f, layer, "mends of "+layer+" cleared", func(l *score.Layer) { l.Mends = nil })
}

func editMends(ctx context.Context, f *score.Folder, layer, label string, change func(*score.Layer)) (MendReport, error) {
	s, err := f.Load()
	if err != nil {
		return MendReport{}, err
	}
	l, err := Layer(s, layer)
	if err != nil {
		return MendReport{}, err
	}
	change(l)
	if err := s.Validate(); err != nil {
		return MendReport{}, fault.New(fault.Usage, "the edit was not made").Because(err)
	}
	rep, err := mendReport(ctx, f, s, l)
	if err != nil {
		return rep, err
	}
	_, err = f.Edit(label, func(s *score.Score) error {
		l, err := Layer(s, layer)
		if err == nil {
			change(l)
		}
		return err
	})
	return rep, err
}

// Mends says what a layer's mends do, note by note.
func Mends(ctx context.Context, f *score.Folder, layer string) (MendReport, error) {
	s, err := f.Load()
	if err != nil {
		return MendReport{}, err
	}
	l, err := Layer(s, layer)
	if err != nil {
		return MendReport{}, err
	}
	return mendReport(ctx, f, s, l)
}

func mendReport(ctx context.Context, f *score.Folder, s *score.Score, l *score.Layer) (MendReport, error) {
	if len(l.Mends) == 0 {
		return MendReport{Layer: l.Name}, nil
	}
	snd, ok, err := soundOf(f, l)
	if err != nil {
		return MendReport{}, err
	}
	if !ok {
		return MendReport{}, notSung(l.Name)
	}
	_, rep, err := mend(ctx, f, s, l, snd)
	return rep, err
}

// SetColour gives a layer a colour, its lines checked first. No lines: none.
func SetColour(f *score.Folder, layer, label string, lines []string) (*score.Layer, error) {
	if _, err := voice.ParseColour(lines); err != nil {
		return nil, err
	}
	s, err := f.Edit(label, func(s *score.Score) error {
		l, err := Layer(s, layer)
		if err == nil {
			l.Colour = lines
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return Layer(s, layer)
}

// Audition writes a layer as it is heard, mended and in its colour, to a WAV,
// mono, 24 bit, whose time reference says where it begins: all of it, or a
// stretch of the timeline. It gives the file's samples. What would clip is
// scaled down as a whole, by the decibels that come back.
func Audition(ctx context.Context, f *score.Folder, layer string, x Stretch, path string) (samples int64, downDB float64, err error) {
	s, err := f.Load()
	if err != nil {
		return 0, 0, err
	}
	l, err := Layer(s, layer)
	if err != nil {
		return 0, 0, err
	}
	snd, ok, err := soundOf(f, l)
	if err != nil {
		return 0, 0, err
	}
	if !ok {
		return 0, 0, notSung(layer)
	}
	src, err := openHeard(ctx, f, s, l, snd)
	if err != nil {
		return 0, 0, err
	}
	defer src.Close()
	if x.All() {
		x = Stretch{src.Start(), src.Start() + src.Frames()}
	}
	sound, err := stretchOf(ctx, src, x)
	if err != nil {
		return 0, 0, err
	}
	peak := 0.0
	for _, v := range sound {
		peak = max(peak, math.Abs(float64(v)))
	}
	if peak > 1 {
		downDB = 20 * math.Log10(peak)
		for i := range sound {
			sound[i] = float32(float64(sound[i]) / peak)
		}
	}
	b := &audiofile.Bext{Description: audiofile.BextText(s.Title+": "+layer, 256), Originator: "cuechoir", TimeReference: timeReference(s, x.From)}
	err = writeWAV(path, audiofile.Format{SampleRate: s.SampleRate, Channels: 1, Bits: 24}, b, func(w *audiofile.Writer) error { return w.Write(sound) })
	return int64(len(sound)), downDB, err
}

// stretchOf is a stretch of the timeline of a layer, silent where it is not.
func stretchOf(ctx context.Context, src heardSound, x Stretch) ([]float32, error) {
	if x.To-x.From > maxSoundFrames {
		return nil, fault.New(fault.OverLimit, "the stretch is longer than six hours")
	}
	out := make([]float32, x.To-x.From)
	from, to := max(x.From, src.Start()), min(x.To, src.Start()+src.Frames())
	if from >= to {
		return out, nil
	}
	if err := src.SeekSample(from - src.Start()); err != nil {
		return nil, err
	}
	part, err := readWhole(ctx, mix.Source(src), to-from)
	if err != nil {
		return nil, err
	}
	copy(out[from-x.From:], part)
	return out, nil
}
