package main

import (
	"strconv"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// deviceFlags choose a sound device, for sing, play and latency.
type deviceFlags struct {
	mic, out, backend string
	period, channel   int
}

func (df *deviceFlags) register(c *cobra.Command) {
	c.Flags().IntVar(&df.channel, "channel", 1, "which input channel, from 1")
	df.registerBut(c)
}

// registerBut is for all but the input channel.
func (df *deviceFlags) registerBut(c *cobra.Command) {
	c.Flags().StringVar(&df.mic, "device", "", "the microphone, or a part of its name (default: the system's)")
	df.registerOutput(c)
}

// registerOutput is for what only plays.
func (df *deviceFlags) registerOutput(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&df.out, "output", "", "the headphones' output, or a part of its name (default: the system's)")
	f.StringVar(&df.backend, "backend", "", "sound system: pulseaudio, alsa, jack, ... (default: the best there is)")
	f.IntVar(&df.period, "period", 0, "samples that the device works on at a time (default 2048: nobody hears the voice live, and long periods slip least)")
}

func (df *deviceFlags) options(sampleRate int) device.Options {
	return device.Options{Input: df.mic, Output: df.out, Backend: df.backend, SampleRate: sampleRate, PeriodFrames: df.period}
}

// singFlags are the wishes of sing.
type singFlags struct {
	deviceFlags
	clickFlags
	input, at  string
	engine     decoder.Engine
	latency    int64
	noClick    bool
	hear       []string
	hearAll    bool
	guides     []string
	reference  bool
	hearLevel  float64
	refLevel   float64
	volumeDB   float64
	hasLatency bool
	stretchFlags
	preRoll string
	passes  int
	live    float64
	hasLive bool

	channels []int // one a layer
}

// stretchFlags choose a part of the timeline.
type stretchFlags struct{ bars, span string }

// of is the stretch they name, all when they name none.
func (x *stretchFlags) of(s *score.Score) (job.Stretch, string, error) {
	from, to, err := parseBars(x.bars)
	if err != nil {
		return job.Stretch{}, "", err
	}
	return job.FindStretch(s, from, to, x.span)
}

// parsePreRoll reads "2bars", "2" (bars) or "1.5s".
func parsePreRoll(text string) (job.PreRoll, error) {
	bad := fault.New(fault.Usage, "%q is no pre-roll", text).Mended("use 2bars or 3s")
	if n, ok := strings.CutSuffix(text, "s"); ok && !strings.HasSuffix(n, "bar") {
		r, err := timecode.ParseRatio(n)
		if err != nil {
			return job.PreRoll{}, bad
		}
		return job.PreRoll{Seconds: r}, nil
	}
	n, err := strconv.Atoi(strings.TrimSuffix(strings.TrimSuffix(text, "s"), "bar"))
	if err != nil {
		return job.PreRoll{}, bad
	}
	return job.PreRoll{Bars: n}, nil
}

// parseHeard reads LAYER or LAYER:DB.
func parseHeard(names []string, usualDB float64) ([]job.Heard, error) {
	var out []job.Heard
	for _, text := range names {
		name, level, ok := strings.Cut(text, ":")
		h := job.Heard{Layer: name, LevelDB: usualDB}
		if ok {
			db, err := strconv.ParseFloat(level, 64)
			if err != nil {
				return nil, fault.New(fault.Usage, "%q is no layer with a level", text).Mended("write it as alto:-12, in dB")
			}
			h.LevelDB = db
		}
		out = append(out, h)
	}
	return out, nil
}

// heard reads what is heard beside the click.
func (sf *singFlags) heard(f *score.Folder, sung []string) (h job.Hear, err error) {
	h.Reference, h.ReferenceDB = sf.reference, sf.refLevel
	if sf.hearAll {
		others, err := job.OtherSung(f, sung...)
		if err != nil {
			return h, err
		}
		sf.hear = append(others, sf.hear...)
	}
	if h.Layers, err = parseHeard(sf.hear, sf.hearLevel); err != nil {
		return h, err
	}
	h.Guides, err = parseHeard(sf.guides, job.GuideDB)
	return h, err
}

// voices gives each layer its input channel.
func (sf *singFlags) voices(layers []string) ([]job.Voice, error) {
	if len(sf.channels) > 0 && len(sf.channels) != len(layers) {
		return nil, fault.New(fault.Usage, "%d layers and %d channels", len(layers), len(sf.channels)).
			Mended("give each layer one: sing alto tenor --channel 1,2")
	}
	var out []job.Voice
	for k, layer := range layers {
		v := job.Voice{Layer: layer, InputChannel: k}
		if len(sf.channels) > 0 {
			v.InputChannel = sf.channels[k] - 1
		}
		out = append(out, v)
	}
	return out, nil
}

// parsePasses reads how often.
func parsePasses(n int) (int, error) {
	switch {
	case n < 0:
		return 0, fault.New(fault.Usage, "%d passes are out of range", n).Mended("use 1 or more, or 0 for until you stop")
	case n == 0:
		return job.Endless, nil
	}
	return n, nil
}
