package job

import (
	"context"
	"math"
	"slices"

	"cuechoir/engine/loudness"
	"cuechoir/engine/score"
	"cuechoir/engine/voice"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// maxColouredMix is the longest mix, in samples, that is coloured: it is held in
// memory, some 20 bytes a sample.
const maxColouredMix = 1 << 26

// colourCeilingDBTP is the highest true peak of a coloured file, as of a stem.
const colourCeilingDBTP = -1

// ColourFileResult is what ColourFile wrote.
type ColourFileResult struct {
	Frames       int64
	SampleRate   int
	Channels     int
	WasLUFS      float64 // integrated (ITU-R BS.1770); -Inf for silence and what is too short
	LUFS         float64 // the same, but for lines that change it and DownDB
	TruePeakDBTP float64
	DownDB       float64 // how much softer it was made for its true peak, 0 or more
}

// ColourFile writes a sound file in a colour: as long to the sample, with its
// channels and its time reference, 24 bit, as loud as it was by ITU-R BS.1770
// and its true peak at most -1 dBTP. The loudness fields, which are measured by
// a bounce, are left out. What rings on beyond the end is cut.
func ColourFile(ctx context.Context, lines []string, in, out string) (res ColourFileResult, err error) {
	c, err := voice.ParseColour(lines)
	if err != nil {
		return res, err
	}
	r, err := audiofile.Open(in)
	if err != nil {
		return res, err
	}
	bext := r.Bext()
	r.Close()
	x, fm, err := audiofile.ReadAll(in, maxSoundFrames/4)
	if err != nil {
		return res, err
	}
	frames := len(x) / fm.Channels
	before, err := measured(x, fm)
	if err != nil {
		return res, err
	}
	if ctx.Err() != nil {
		return res, fault.New(fault.Interrupted, "stopped before the file was coloured").Because(ctx.Err())
	}
	after, gain, err := asLoud(c, before, x, fm)
	if err != nil {
		return res, err
	}
	res = ColourFileResult{Frames: int64(frames), SampleRate: fm.SampleRate, Channels: fm.Channels, WasLUFS: before.IntegratedLUFS}
	res.DownDB = max(0, after.TruePeakDBTP+gain-colourCeilingDBTP)
	gain -= res.DownDB
	res.LUFS, res.TruePeakDBTP = after.IntegratedLUFS+gain, after.TruePeakDBTP+gain
	for i, v := range x {
		x[i] = float32(math.Pow(10, gain/20) * float64(v))
	}
	if bext != nil {
		kept := *bext
		kept.Loudness = nil
		bext = &kept
	}
	return res, writeWAV(out, audiofile.Format{SampleRate: fm.SampleRate, Channels: fm.Channels, Bits: 24}, bext,
		func(w *audiofile.Writer) error { return w.Write(x) })
}

// asLoud puts interleaved sound in a colour, and gives its loudness then and the
// dB by which it is to be raised to be as loud as before.
func asLoud(c voice.Colour, before loudness.Result, x []float32, fm audiofile.Format) (after loudness.Result, gainDB float64, err error) {
	channels := make([][]float32, fm.Channels)
	frames := len(x) / fm.Channels
	for k := range channels {
		channels[k] = make([]float32, frames)
		for i := range channels[k] {
			channels[k][i] = x[i*fm.Channels+k]
		}
	}
	y, err := c.ApplyTo(channels, fm.SampleRate)
	if err != nil {
		return after, 0, err
	}
	for k, c := range y {
		for i := range frames {
			x[i*fm.Channels+k] = c[i]
		}
	}
	if after, err = measured(x, fm); err != nil {
		return after, 0, err
	}
	gainDB = before.IntegratedLUFS + c.GainDB() - after.IntegratedLUFS
	if math.IsNaN(gainDB) || math.IsInf(gainDB, 0) {
		gainDB = 0 // silence, or under 0.4 s
	}
	return after, gainDB, nil
}

// mixColour is what a bounce does to the whole mix; nil where the score's mix
// has no colour. It works in place on interleaved stereo.
func mixColour(s *score.Score) (func(x []float32) error, error) {
	if len(s.Desk.Colour) == 0 {
		return nil, nil
	}
	if s.Length() > maxColouredMix {
		return nil, fault.New(fault.OverLimit, "the mix is too long to be put in a colour as a whole: %d samples", s.Length()).
			Mended("take the colour off (cuechoir mix master --colour none), or colour layers")
	}
	c, err := voice.ParseColour(s.Desk.Colour)
	if err != nil {
		return nil, fault.New(fault.KindOf(err), "the colour of the mix").Because(err)
	}
	return func(x []float32) error {
		fm := audiofile.Format{SampleRate: s.SampleRate, Channels: 2}
		before, err := measured(x, fm)
		if err != nil {
			return err
		}
		_, gainDB, err := asLoud(c, before, x, fm)
		if err != nil {
			return err
		}
		g := math.Pow(10, gainDB/20)
		for i, v := range x {
			x[i] = float32(g * float64(v))
		}
		return nil
	}, nil
}

// measured is the loudness and the true peak of interleaved sound.
func measured(x []float32, fm audiofile.Format) (loudness.Result, error) {
	m, err := loudness.New(loudness.Options{SampleRate: fm.SampleRate, Channels: fm.Channels})
	if err != nil {
		return loudness.Result{}, err
	}
	if err := m.Push(x); err != nil {
		return loudness.Result{}, err
	}
	m.Finish()
	return m.Result(), nil
}

// WriteColoured writes a mono sound in a colour to a WAV, 24 bit, as long to the
// sample: what rings on is cut, with a short fade. No peak is over full scale.
func WriteColoured(lines []string, x []float32, sampleRate int, path string) error {
	c, err := voice.ParseColour(lines)
	if err != nil {
		return err
	}
	y, err := c.Apply(x, sampleRate)
	if err != nil {
		return err
	}
	y = slices.Clone(y[:len(x)])
	faded(y, sampleRate)
	return writeWAV(path, audiofile.Format{SampleRate: sampleRate, Channels: 1, Bits: 24}, nil,
		func(w *audiofile.Writer) error { return w.Write(y) })
}

// cutFade is what a cut in a sound is softened by, seconds.
const cutFade = 0.01

// faded fades both ends of x.
func faded(x []float32, sampleRate int) {
	n := min(len(x)/2, int(cutFade*float64(sampleRate)))
	for i := range n {
		g := (float32(i) + 0.5) / float32(n)
		x[i] *= g
		x[len(x)-1-i] *= g
	}
}

// ColourExample writes a few notes of a synthetic voice to a WAV, as sung and
// then in a colour, mono, 24 bit, so that a colour can be heard before anything
// is sung.
func ColourExample(lines []string, sampleRate int, out string) (frames int64, err error) {
	c, err := voice.ParseColour(lines)
	if err != nil {
		return 0, err
	}
	sr := int64(sampleRate)
	v := singer.Voice{Seed: 21, SampleRate: sampleRate, Breath: 0.04, JitterCents: 4}
	var notes []singer.Note
	for i, n := range []singer.Note{{Key: 50, Consonant: "t", Vowel: "a"}, {Key: 53, Consonant: "k", Vowel: "o"}, {Key: 57, Consonant: "m", Vowel: "a"}, {Key: 50, Consonant: "t", Vowel: "u"}} {
		n.Start, n.Length, n.VibratoHz, n.VibratoCents = sr/4+int64(i)*sr*6/10, sr/2, 5.5, 20
		if i == 3 {
			n.Length = sr
		}
		notes = append(notes, n)
	}
	x := v.Sing(notes, 0, 4*sr)
	y, err := c.Apply(x, sampleRate)
	if err != nil {
		return 0, err
	}
	all := append(x, y...)
	return int64(len(all)), writeWAV(out, audiofile.Format{SampleRate: sampleRate, Channels: 1, Bits: 24}, nil,
		func(w *audiofile.Writer) error { return w.Write(all) })
}
