package main

import (
	"context"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/track"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

const singHelp = `Counts in, plays the click and the layers you choose, and records one take. The
take is kept to the last second whatever happens, and never overwritten. Ctrl-C
ends it early and keeps it. Close your headphones: what leaks into the
microphone is in the take.

--bars or --span sing a part alone: what comes before it is heard as pre-roll, and
the take keeps a second more on either side. It is a patch: a take that was sung
through stays in use. --passes sings it over and over, a take each time.

With --input a sound file is the microphone: it may be of any rate, and its
first sample falls on frame 0 unless --at says otherwise (a position, or
"count-in" for a file that was sung to the click from its very start).

Two or more singers at once, each with a microphone on an input of one device, sing
a layer each: sing alto tenor --channel 1,2. A sound file's channels are such inputs.

Start with the volume low. Stop when it hurts: your ears and your voice come
before the take.`

func (a *app) singCmd() *cobra.Command {
	var sf singFlags
	c := &cobra.Command{
		Use:   "sing LAYER [LAYER...]",
		Short: "Record a take of a layer over click and other layers",
		Long:  singHelp,
		Example: "  cuechoir sing bass\n  cuechoir sing alto --hear bass --hear tenor --count-in 8\n" +
			"  cuechoir sing alto --bars 12-13 --pre-roll 2bars --passes 3 --guide alto --hear bass:-12\n  cuechoir sing tenor --input from-a-friend.flac\n" +
			"  cuechoir sing alto --channel 2\n  cuechoir sing alto tenor --channel 1,2",
		Args: args(cobra.MinimumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			sf.hasLatency, sf.hasLive = c.Flags().Changed("latency"), c.Flags().Changed("live")
			return a.sing(c.Context(), given, &sf)
		},
	}
	sf.deviceFlags.registerBut(c)
	sf.clickFlags.register(c)
	f := c.Flags()
	f.IntSliceVar(&sf.channels, "channel", nil, "which input channel of the device, from 1, for each layer: 2, or 1,2 (default: 1, 2, ... in turn)")
	f.StringVar(&sf.input, "input", "", "a sound file in the place of the microphone")
	decoderFlag(c, &sf.engine)
	f.StringVar(&sf.at, "at", "0", "where the file's first sample falls: a position, or count-in")
	f.Int64Var(&sf.latency, "latency", 0, "the device's round trip in samples (default: as measured by cuechoir latency)")
	f.BoolVar(&sf.noClick, "no-click", false, "no click in the headphones")
	f.StringSliceVar(&sf.hear, "hear", nil, "a layer to hear, as alto or alto:-12 with its level in dB; again for more")
	f.BoolVar(&sf.hearAll, "hear-all", false, "hear all other layers that are sung")
	f.BoolVar(&sf.reference, "reference", false, "hear the reference's own sound")
	f.StringSliceVar(&sf.guides, "guide", nil, "a plain tone of a layer's part, as alto or alto:-30 with its peak in dBFS; again for more")
	f.Float64Var(&sf.hearLevel, "hear-level", job.HearDB, "level of layers without one of their own, in dB, at most 0")
	f.Float64Var(&sf.refLevel, "reference-level", job.HearDB, "level of the reference's sound, in dB, at most 0")
	f.StringVar(&sf.bars, "bars", "", "sing these bars alone: 12-13, or 12")
	f.StringVar(&sf.span, "span", "", "sing a shot or FROM..TO alone")
	f.StringVar(&sf.preRoll, "pre-roll", "1bar", "what is heard before them: 2bars, or 3s; it begins on a bar line")
	f.Float64Var(&sf.live, "live", -12, "hear yourself through the program, at this level in dB, at most 0 (default: off; it may howl, and comes late by the round trip)")
	f.IntVar(&sf.passes, "passes", 1, "how often, a take each time; 0: until stopped")
	f.Float64Var(&sf.volumeDB, "volume", -6, "of all in the headphones, in dB, at most 0; start low")
	return c
}

func (a *app) sing(ctx context.Context, layers []string, sf *singFlags) error {
	voices, err := sf.voices(layers)
	if err != nil {
		return err
	}
	f, s, err := a.loadRecovered()
	if err != nil {
		return err
	}
	defer f.Close()
	for _, layer := range layers {
		if _, err := job.Layer(s, layer); err != nil {
			return err
		}
	}
	if sf.hearLevel > 0 {
		return fault.New(fault.Usage, "a level of %+.1f dB in the headphones is too loud", sf.hearLevel).Mended("use 0 or less")
	}
	if err := checkVolume(sf.volumeDB); err != nil {
		return err
	}
	click, err := sf.clickFlags.options()
	if err != nil {
		return err
	}
	o := job.SingOptions{Layer: voices[0].Layer, InputChannel: voices[0].InputChannel, Beside: voices[1:], Click: click, NoClick: sf.noClick, MonitorGainDB: sf.volumeDB}
	if o.Hear, err = sf.heard(f, layers); err != nil {
		return err
	}
	var what string
	if o.Stretch, what, err = sf.stretchFlags.of(s); err != nil {
		return err
	}
	if o.PreRoll, err = parsePreRoll(sf.preRoll); err != nil {
		return err
	}
	if sf.hasLive {
		o.Through = track.Through{On: true, GainDB: sf.live}
		a.note("you hear yourself through the program: closed headphones only, volume low; feedback is muted when it is noticed")
	}
	if o.Passes, err = parsePasses(sf.passes); err != nil {
		return err
	}
	if err := a.chooseMicrophone(ctx, s, sf, &o); err != nil {
		return err
	}
	defer o.Device.Close()
	run, err := job.SingRun(s, o)
	if err != nil {
		return err
	}
	o.Progress = func(st track.Status) { a.showSinging(s, st, run) }
	res, err := job.Sing(ctx, f, o)
	if res.Take.ID == "" {
		return err
	}
	var sung []take.Info
	for _, p := range res.Passes {
		sung = append(append(sung, p.Take), p.Beside...)
	}
	health := a.listenToTakes(ctx, f, sung, run.Clicks, o)
	if perr := a.printTakes(s, res, health, what, !o.Stretch.All()); perr != nil {
		return perr
	}
	return err
}

// chooseMicrophone opens the device that the wishes name: a real one with its
// round trip, or a file.
func (a *app) chooseMicrophone(ctx context.Context, s *score.Score, sf *singFlags, o *job.SingOptions) error {
	if sf.input != "" {
		run, err := job.SingRun(s, *o)
		if err != nil {
			return err
		}
		at, err := fileStart(s, sf, o.Click)
		if err != nil {
			return err
		}
		o.RoundTripKnown = take.Typed
		if len(o.Beside) > 0 || len(sf.channels) > 0 {
			o.Device, err = job.FileMicrophones(sf.input, s.SampleRate, at, run.From)
			return err
		}
		o.Device, err = job.FileMicrophone(ctx, sf.input, s.SampleRate, at, run.From, sf.engine, a.progress.show)
		return err
	}
	do := sf.deviceFlags.options(s.SampleRate)
	dev, err := device.Open(do)
	if err != nil {
		return err
	}
	o.Device = dev
	switch known, ok, err := job.KnownRoundTrip(dev); {
	case sf.hasLatency:
		o.RoundTrip, o.RoundTripKnown = sf.latency, take.Typed
	case err != nil:
		dev.Close()
		return err
	case ok:
		o.RoundTrip, o.RoundTripKnown, o.Waiting = known.Samples, take.Measured, known.Waits()
	default:
		o.RoundTripKnown = take.AssumedZero
		a.note("the round trip of this device is not measured, so the take may sit late; measure it once: cuechoir latency")
	}
	a.caution(dev)
	return nil
}

// fileStart is the timeline sample on which the microphone's file begins.
func fileStart(s *score.Score, sf *singFlags, click job.ClickOptions) (int64, error) {
	if sf.at == "count-in" {
		return job.ClickStart(s, click)
	}
	frame, err := s.Axis().Parse(sf.at, "")
	if err != nil {
		return 0, fault.New(fault.Usage, "--at").Because(err)
	}
	return s.Reference.Rate.SampleOf(frame, s.SampleRate), nil
}
