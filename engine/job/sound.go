package job

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"cuechoir/engine/check"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/internal/fault"
)

// layerSound is what a layer sounds like: its take in use, and what its comp
// lays over it, each moved by its nudge. Whatever reads a layer's sound asks
// soundOf for it, so that all hear, judge and mix the same.
type layerSound struct {
	layer string
	takes []take.Info // the take in use first; Start is nudged
	comp  *take.Comp  // where each sounds; it has no sound of its own
	parts []take.Patch
}

// soundOf is a layer's sound; ok is false when it is not sung. Errors: Missing
// (a take that the layer or its comp names is gone), Malformed (the comp asks a
// take for what it has not).
func soundOf(f *score.Folder, l *score.Layer) (snd layerSound, ok bool, err error) {
	base, ok, err := takeInUse(f, l)
	if err != nil || !ok {
		return snd, false, err
	}
	snd = layerSound{layer: l.Name, takes: []take.Info{nudged(l, base)}}
	if err := snd.addComp(f, l); err != nil {
		return snd, false, err
	}
	if snd.comp, err = take.NewComp(take.Layout{Voices: snd.voices(), Patches: snd.parts}); err != nil {
		return snd, false, fault.New(fault.KindOf(err), "the comp of layer %s", l.Name).Because(err)
	}
	return snd, true, nil
}

// addComp finds the takes of a comp.
func (snd *layerSound) addComp(f *score.Folder, l *score.Layer) error {
	if len(l.Comp) == 0 {
		return nil
	}
	infos, err := take.List(f.Dir, l.Name)
	if err != nil {
		return err
	}
	for _, s := range l.Comp {
		at := slices.IndexFunc(snd.takes, func(i take.Info) bool { return i.ID == s.Take })
		if at < 0 {
			i := slices.IndexFunc(infos, func(i take.Info) bool { return i.ID == s.Take && i.State != take.Recording })
			if i < 0 {
				return goneTake(l.Name, s.Take)
			}
			at = len(snd.takes)
			snd.takes = append(snd.takes, nudged(l, infos[i]))
		}
		snd.parts = append(snd.parts, take.Patch{Voice: at, In: s.In.At, Out: s.Out.At, InFade: s.In.Fade, OutFade: s.Out.Fade})
	}
	return nil
}

func goneTake(layer, id string) error {
	return fault.New(fault.Missing, "the comp of layer %s uses take %s, but that take is gone", layer, id).
		Mended("put its files back in takes/%s, or do without the comp: cuechoir comp clear %s", layer, layer)
}

// nudged is a take where it lies on the timeline.
func nudged(l *score.Layer, t take.Info) take.Info {
	t.Start += l.MarkOf(t.ID).Nudge
	return t
}

// voices are the takes without their sound.
func (snd layerSound) voices() []take.Voice {
	out := make([]take.Voice, len(snd.takes))
	for i, t := range snd.takes {
		out[i] = take.Voice{ID: t.ID, Start: t.Start, Frames: t.Frames}
	}
	return out
}

// open opens the sound at the score's rate. The caller closes it.
func (snd layerSound) open(f *score.Folder, sampleRate int) (*take.Comp, error) {
	voices, err := openVoices(f, snd.takes, sampleRate)
	if err != nil {
		return nil, err
	}
	return take.NewComp(take.Layout{Voices: voices, Patches: snd.parts})
}

// openVoices opens takes as they lie on the timeline.
func openVoices(f *score.Folder, takes []take.Info, sampleRate int) ([]take.Voice, error) {
	var out []take.Voice
	for _, t := range takes {
		src, err := openTake(f, t, sampleRate)
		if err != nil {
			closeVoices(out)
			return nil, err
		}
		out = append(out, take.Voice{ID: t.ID, Start: t.Start, Frames: t.Frames, Sound: src.r})
	}
	return out, nil
}

func closeVoices(voices []take.Voice) {
	for _, v := range voices {
		v.Sound.(*take.Reader).Close()
	}
}

// name is the takes that sound: "001", or "001+003".
func (snd layerSound) name() string {
	var ids []string
	for i, t := range snd.takes {
		if len(snd.comp.Sounding(i)) > 0 {
			ids = append(ids, t.ID)
		}
	}
	return strings.Join(ids, "+")
}

// read is the whole sound.
func (snd layerSound) read(ctx context.Context, f *score.Folder, sampleRate int) ([]float32, error) {
	if snd.comp.Frames() > maxSoundFrames {
		return nil, fault.New(fault.OverLimit, "the sound of layer %s is longer than six hours", snd.layer)
	}
	src, err := snd.open(f, sampleRate)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	return readWhole(ctx, src, src.Frames())
}

// dropouts are the gaps of the takes where they sound, on the timeline.
func (snd layerSound) dropouts() []check.Dropout {
	var out []check.Dropout
	for i, t := range snd.takes {
		for _, heard := range snd.comp.Sounding(i) {
			for _, d := range t.Dropouts {
				from, to := max(t.Start+d.Sample, heard.From), min(t.Start+d.Sample+d.Length, heard.To)
				if from < to {
					out = append(out, check.Dropout{Sample: from, Length: to - from})
				}
			}
		}
	}
	slices.SortFunc(out, func(a, b check.Dropout) int { return int(min(max(a.Sample-b.Sample, -1), 1)) })
	return out
}

// remarks are what the maker should know of the takes that sound.
func (snd layerSound) remarks(s *score.Score) []string {
	var out []string
	for i, t := range snd.takes {
		if len(snd.comp.Sounding(i)) == 0 {
			continue
		}
		which := "this"
		if len(snd.takes) > 1 {
			which = "take " + t.ID
		}
		if t.RoundTripKnown == take.AssumedZero || t.RoundTripKnown == take.Unknown {
			out = append(out, "the device's round trip was not known when "+which+" was sung: the whole take may lie late (cuechoir latency)")
		}
		if t.State == take.Recovered {
			out = append(out, strings.Replace(which, "this", "this take", 1)+" was cut short and recovered")
		}
	}
	for _, g := range snd.comp.Gaps() {
		out = append(out, fmt.Sprintf("the comp is silent from %s for %.0f ms: the take that it asks for has no sound there",
			timecodeAt(s, g.From), 1000*float64(g.To-g.From)/float64(s.SampleRate)))
	}
	return out
}

// timecodeAt is the time code of the frame at a timeline sample.
func timecodeAt(s *score.Score, sample int64) string {
	return s.Reference.Rate.Timecode(s.Reference.Start + s.Reference.Rate.FrameOf(sample, s.SampleRate))
}
