package main

import (
	"context"
	"fmt"
	"math"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/track"
	"cuechoir/internal/decoder"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// deviceFlags choose a sound device, for sing and latency.
type deviceFlags struct {
	mic, out, backend string
	period, channel   int
}

func (df *deviceFlags) register(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&df.mic, "device", "", "the microphone, or a part of its name (default: the system's)")
	f.StringVar(&df.out, "output", "", "the headphones' output, or a part of its name (default: the system's)")
	f.StringVar(&df.backend, "backend", "", "sound system: pulseaudio, alsa, jack, ... (default: the best there is)")
	f.IntVar(&df.period, "period", 0, "samples that the device works on at a time (default 2048: nobody hears the voice live, and long periods slip least)")
	f.IntVar(&df.channel, "channel", 1, "which input channel, from 1")
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
	reference  bool
	hearLevel  float64
	volumeDB   float64
	hasLatency bool
}

const singHelp = `Counts in, plays the click and the layers you choose, and records one take. The
take is kept to the last second whatever happens, and never overwritten. Ctrl-C
ends it early and keeps it. Close your headphones: what leaks into the
microphone is in the take.

With --input a sound file is the microphone: it may be of any rate, and its
first sample falls on frame 0 unless --at says otherwise (a position, or
"count-in" for a file that was sung to the click from its very start).

Start with the volume low. Stop when it hurts: your ears and your voice come
before the take.`

func (a *app) singCmd() *cobra.Command {
	var sf singFlags
	c := &cobra.Command{
		Use:     "sing LAYER",
		Short:   "Record a take of a layer over click and other layers",
		Long:    singHelp,
		Example: "  cuechoir sing bass\n  cuechoir sing alto --hear bass --hear tenor --count-in 8\n  cuechoir sing tenor --input from-a-friend.flac",
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			sf.hasLatency = c.Flags().Changed("latency")
			return a.sing(c.Context(), given[0], &sf)
		},
	}
	sf.deviceFlags.register(c)
	sf.clickFlags.register(c)
	f := c.Flags()
	f.StringVar(&sf.input, "input", "", "a sound file in the place of the microphone")
	decoderFlag(c, &sf.engine)
	f.StringVar(&sf.at, "at", "0", "where the file's first sample falls: a position, or count-in")
	f.Int64Var(&sf.latency, "latency", 0, "the device's round trip in samples (default: as measured by cuechoir latency)")
	f.BoolVar(&sf.noClick, "no-click", false, "no click in the headphones")
	f.StringSliceVar(&sf.hear, "hear", nil, "a layer to hear, again for more")
	f.BoolVar(&sf.hearAll, "hear-all", false, "hear all other layers that are sung")
	f.BoolVar(&sf.reference, "reference", false, "hear the reference's own sound")
	f.Float64Var(&sf.hearLevel, "hear-level", -6, "level of what is heard beside the click, in dB, at most 0")
	f.Float64Var(&sf.volumeDB, "volume", -6, "of all in the headphones, in dB, at most 0; start low")
	return c
}

func (a *app) sing(ctx context.Context, layer string, sf *singFlags) error {
	f, s, err := a.load()
	if err != nil {
		return err
	}
	defer f.Close()
	if err := a.recover(f); err != nil {
		return err
	}
	if _, err := job.Layer(s, layer); err != nil {
		return err
	}
	if sf.volumeDB > 0 {
		return fault.New(fault.Usage, "a volume of %+.1f dB is too loud", sf.volumeDB).Mended("use 0 or less, and start low")
	}
	click, err := sf.clickFlags.options()
	if err != nil {
		return err
	}
	o := job.SingOptions{Layer: layer, InputChannel: sf.channel - 1, Click: click, NoClick: sf.noClick,
		Hear: job.Hear{Layers: sf.hear, Reference: sf.reference, LevelDB: sf.hearLevel}, MonitorGainDB: sf.volumeDB}
	if sf.hearAll {
		if o.Hear.Layers, err = job.OtherSung(f, layer); err != nil {
			return err
		}
	}
	if err := a.chooseMicrophone(ctx, s, sf, &o); err != nil {
		return err
	}
	defer o.Device.Close()
	_, from, to, err := job.SingSpan(s, o.Click)
	if err != nil {
		return err
	}
	o.Progress = func(st track.Status) { a.showSinging(s, st, from, to) }
	res, err := job.Sing(ctx, f, o)
	if res.Take.ID == "" {
		return err
	}
	if perr := a.printTake(s, res); perr != nil {
		return perr
	}
	return err
}

// chooseMicrophone opens the device that the wishes name: a real one with its
// round trip, or a file.
func (a *app) chooseMicrophone(ctx context.Context, s *score.Score, sf *singFlags, o *job.SingOptions) error {
	if sf.input != "" {
		_, from, _, err := job.SingSpan(s, o.Click)
		if err != nil {
			return err
		}
		at, err := fileStart(s, sf, o.Click)
		if err != nil {
			return err
		}
		o.InputChannel, o.RoundTripKnown = 0, take.Typed
		o.Device, err = job.FileMicrophone(ctx, sf.input, s.SampleRate, at, from, sf.engine, a.progress.show)
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
		o.RoundTrip, o.RoundTripKnown = known, take.Measured
	default:
		o.RoundTripKnown = take.AssumedZero
		a.note("the round trip of this device is not measured, so the take may sit late; measure it once: cuechoir latency")
	}
	a.note("headphones on, volume low at first; nothing sung is lost")
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

// showSinging is the line that counts while one sings.
func (a *app) showSinging(s *score.Score, st track.Status, from, to int64) {
	frame := s.Reference.Rate.FrameOf(st.At, s.SampleRate)
	where := s.Reference.Rate.Timecode(s.Reference.Start + frame)
	if st.At < 0 {
		where = "count-in " + seconds(-st.At, s.SampleRate)
	}
	peak := "silent"
	if !math.IsInf(st.PeakDB, -1) {
		peak = fmt.Sprintf("%.0f dBFS", st.PeakDB)
	}
	room := ""
	if st.TimeLeftKnown && st.TimeLeft < 100*time.Hour {
		room = fmt.Sprintf("  room for %s", st.TimeLeft.Round(time.Minute))
	}
	a.progress.show(st.At-from, to-from, fmt.Sprintf("%s  in %s  dropouts %d%s", where, peak, st.Dropouts, room))
}

func (a *app) printTake(s *score.Score, res job.SingResult) error {
	t := res.Take
	done, err := a.printJSON(map[string]any{"take": t, "notes": append([]string{}, res.Notes...), "device_slipped": res.Result.Slip.Slipped,
		"interrupted": res.Result.Interrupted})
	if done {
		return err
	}
	for _, n := range res.Notes {
		a.note("%s", n)
	}
	a.say("take %s of %s: %s from %s, peak %s, %d dropouts", t.ID, t.Layer, seconds(t.Frames, t.SampleRate),
		s.Reference.Rate.Timecode(s.Reference.Start+s.Reference.Rate.FrameOf(t.Start, t.SampleRate)), decibels(t.Peak), len(t.Dropouts))
	if t.Stopped != "" {
		a.note("it ended early: %s", t.Stopped)
	}
	if res.Result.Slip.Slipped {
		a.note("the device lost its count by %d samples on the way: the take may be out of place; try a larger --period", res.Result.Slip.Frames)
	}
	if t.Peak >= 1 {
		a.note("the input was too hot and is clipped: turn the microphone's gain down and sing it again")
	}
	a.say("Next: cuechoir check %s", t.Layer)
	return nil
}
