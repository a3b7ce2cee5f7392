package main

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/timecode"
	"cuechoir/engine/track"
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
	f := c.Flags()
	f.StringVar(&df.mic, "device", "", "the microphone, or a part of its name (default: the system's)")
	f.IntVar(&df.channel, "channel", 1, "which input channel, from 1")
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

Start with the volume low. Stop when it hurts: your ears and your voice come
before the take.`

func (a *app) singCmd() *cobra.Command {
	var sf singFlags
	c := &cobra.Command{
		Use:   "sing LAYER",
		Short: "Record a take of a layer over click and other layers",
		Long:  singHelp,
		Example: "  cuechoir sing bass\n  cuechoir sing alto --hear bass --hear tenor --count-in 8\n" +
			"  cuechoir sing alto --bars 12-13 --pre-roll 2bars --passes 3 --guide alto --hear bass:-12\n  cuechoir sing tenor --input from-a-friend.flac",
		Args: args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			sf.hasLatency, sf.hasLive = c.Flags().Changed("latency"), c.Flags().Changed("live")
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
	if sf.hearLevel > 0 {
		return fault.New(fault.Usage, "a level of %+.1f dB in the headphones is too loud", sf.hearLevel).Mended("use 0 or less")
	}
	if sf.volumeDB > 0 {
		return fault.New(fault.Usage, "a volume of %+.1f dB is too loud", sf.volumeDB).Mended("use 0 or less, and start low")
	}
	click, err := sf.clickFlags.options()
	if err != nil {
		return err
	}
	o := job.SingOptions{Layer: layer, InputChannel: sf.channel - 1, Click: click, NoClick: sf.noClick, MonitorGainDB: sf.volumeDB}
	if o.Hear, err = sf.heard(f, layer); err != nil {
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
		sung = append(sung, p.Take)
	}
	health := a.listenToTakes(ctx, f, sung, run.Clicks, o)
	if perr := a.printTakes(s, res, health, what, !o.Stretch.All()); perr != nil {
		return perr
	}
	return err
}

// heard reads what is heard beside the click.
func (sf *singFlags) heard(f *score.Folder, layer string) (h job.Hear, err error) {
	h.Reference, h.ReferenceDB = sf.reference, sf.refLevel
	if sf.hearAll {
		others, err := job.OtherSung(f, layer)
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
		o.InputChannel, o.RoundTripKnown = 0, take.Typed
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
func (a *app) showSinging(s *score.Score, st track.Status, run job.Run) {
	frame := s.Reference.Rate.FrameOf(st.At, s.SampleRate)
	where := s.Reference.Rate.Timecode(s.Reference.Start + frame)
	if st.At < 0 && run.From < 0 {
		where = "count-in " + seconds(-st.At, s.SampleRate)
	}
	peak := "silent"
	if !math.IsInf(st.PeakDB, -1) {
		peak = fmt.Sprintf("%.0f dBFS", st.PeakDB)
	}
	if st.LimiterDB < -0.1 {
		peak += fmt.Sprintf("  limiter %.0f dB", st.LimiterDB)
	}
	if st.Muted {
		peak += "  FEEDBACK: muted"
	}
	room := ""
	if st.TimeLeftKnown && st.TimeLeft < 100*time.Hour {
		room = fmt.Sprintf("  room for %s", st.TimeLeft.Round(time.Minute))
	}
	a.progress.show(st.At-run.From, run.To-run.From, fmt.Sprintf("%s  in %s  dropouts %d%s", where, peak, st.Dropouts, room))
}

func (a *app) printTakes(s *score.Score, res job.SingResult, health []job.TakeHealth, what string, patch bool) error {
	t := res.Take
	all := []take.Info{}
	for _, p := range res.Passes {
		all = append(all, p.Take)
	}
	done, err := a.printJSON(map[string]any{"take": t, "takes": all, "notes": append([]string{}, res.Notes...),
		"device_slipped": res.Result.Slip.Slipped, "interrupted": res.Result.Interrupted, "health": health})
	if done {
		return err
	}
	for _, n := range res.Notes {
		a.note("%s", n)
	}
	for _, t := range all {
		a.printTake(s, t)
	}
	if at := res.Result.MutedAt; at > 0 {
		a.note("feedback was noticed %s into the take's run, and your live voice muted: close the headphones, or leave --live away", seconds(at, t.SampleRate))
	}
	if res.Result.Limited > 0 {
		a.note("the headphones were too loud for %s and the limiter turned them down: lower --volume or what is heard", seconds(res.Result.Limited, t.SampleRate))
	}
	a.tellHealth(s, health)
	if patch {
		a.say("It holds %s and a second on either side. To hear it alone: cuechoir takes use %s %s", what, t.Layer, t.ID)
		return nil
	}
	a.say("Next: cuechoir check %s", t.Layer)
	return nil
}

// printTake tells of one take, and what is wrong with it.
func (a *app) printTake(s *score.Score, t take.Info) {
	a.say("take %s of %s: %s from %s, peak %s, %d dropouts", t.ID, t.Layer, seconds(t.Frames, t.SampleRate),
		s.Reference.Rate.Timecode(s.Reference.Start+s.Reference.Rate.FrameOf(t.Start, t.SampleRate)), decibels(t.Peak), len(t.Dropouts))
	if t.Stopped != "" {
		a.note("it ended early: %s", t.Stopped)
	}
	switch {
	case t.HeardAstray():
		a.note("the click is heard in the microphone %d samples off its place by the round trip that you typed: leave --latency away, or measure it: cuechoir latency", t.Heard.Lag)
	case t.RoundTripKnown == take.ByEar:
		a.note("the take is placed by the click that the microphone heard: a round trip of %d samples, %+d against what was known", t.RoundTrip, t.Heard.Lag)
	}
	if t.Slipped != 0 {
		a.note("the device lost its count by %d samples on the way: the take may be out of place; try a larger --period", t.Slipped)
	}
}
