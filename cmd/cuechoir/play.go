package main

import (
	"context"
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// playFlags are the wishes of play.
type playFlags struct {
	deviceFlags
	stretchFlags
	layers, guides []string
	all            bool
	mix            bool
	alone          string
	reference      float64
	hasReference   bool
	click          float64
	hasClick       bool
	sound          string
	loop           int
	volumeDB       float64
	out            string
}

const playHelp = `Plays layers, click, guides and the reference together, each with its own level,
from any place, over and over if you like. Without a choice it plays all layers
that are sung. Ctrl-C stops. SPAN is a shot or FROM..TO, the second left out.

--mix plays the mix as a bounce would write it: mended, coloured, through strips,
groups, room, echo and master; --alone LAYER is that layer's share of it.

--out writes the same sound to a file in the place of the headphones.

Start with the volume low. Stop when it hurts.`

func (a *app) playCmd() *cobra.Command {
	var pf playFlags
	c := &cobra.Command{
		Use:   "play [SPAN]",
		Short: "Hear layers, click, guide and reference, from anywhere, looped",
		Long:  playHelp,
		Example: "  cuechoir play\n  cuechoir play --bars 12-13 --loop 4 --click -18 --guide alto:-30\n" +
			"  cuechoir play 01:00:10:00..01:00:20:00 --layers bass,alto:-12 --reference -12\n  cuechoir play --mix --bars 8-11",
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, given []string) error {
			if len(given) > 0 {
				pf.span = given[0]
			}
			pf.hasReference, pf.hasClick = c.Flags().Changed("reference"), c.Flags().Changed("click")
			return a.play(c.Context(), &pf)
		},
	}
	pf.deviceFlags.registerOutput(c)
	f := c.Flags()
	f.StringVar(&pf.bars, "bars", "", "play these bars alone: 12-13, or 12")
	f.IntVar(&pf.loop, "loop", 1, "how often; 0: until stopped")
	f.StringSliceVar(&pf.layers, "layers", nil, "layers to hear, as alto or alto:-12 with a level in dB")
	f.BoolVar(&pf.all, "all", false, "all layers that are sung")
	f.StringSliceVar(&pf.guides, "guide", nil, "a plain tone of a layer's part, as alto or alto:-30 with its peak in dBFS")
	f.Float64Var(&pf.reference, "reference", job.HearDB, "hear the reference's sound, at this level in dB, at most 0")
	f.Float64Var(&pf.click, "click", -18, "hear the click, its accent at this level in dBFS")
	f.StringVar(&pf.sound, "sound", "tone", "the click's sound: tone, short, soft, low or spoken")
	f.Float64Var(&pf.volumeDB, "volume", -6, "of all, in dB, at most 0; start low")
	f.StringVar(&pf.out, "out", "", "write it to this WAV in the place of playing it")
	f.BoolVar(&pf.mix, "mix", false, "the whole mix, as it would be bounced, in the place of layers")
	f.StringVar(&pf.alone, "alone", "", "a layer's share of the mix by itself")
	c.MarkFlagsMutuallyExclusive("layers", "all", "mix", "alone")
	return c
}

func (a *app) play(ctx context.Context, pf *playFlags) error {
	f, s, err := a.loadRecovered()
	if err != nil {
		return err
	}
	defer f.Close()
	o, what, err := pf.options(f, s)
	if err != nil {
		return err
	}
	shown := func(pass int, at, from, to int64) {
		r := s.Reference.Rate
		a.progress.show(at-from, to-from, fmt.Sprintf("%s  pass %d", r.Timecode(s.Reference.Start+r.FrameOf(at, s.SampleRate)), pass+1))
	}
	if pf.mix || pf.alone != "" {
		if o.Hear.Mix, err = job.MixSoundOf(ctx, f, pf.alone, nil, a.progress.show); err != nil {
			return err
		}
		o.Hear.MixDB = job.HearDB
	}
	from, to := o.Stretch.From, o.Stretch.To
	if o.Stretch.All() {
		to = s.Length()
	}
	o.Progress = func(pass int, at int64) { shown(pass, at, from, to) }
	if pf.out != "" {
		res, err := job.PlayToFile(ctx, f, pf.out, o)
		if err != nil {
			return err
		}
		return a.printPlayed(s, res, what, pf.out)
	}
	dev, err := a.openOutput(&pf.deviceFlags, s.SampleRate)
	if err != nil {
		return err
	}
	defer dev.Close()
	res, err := job.Play(ctx, f, dev, o)
	if err != nil {
		return err
	}
	return a.printPlayed(s, res, what, "")
}

// checkVolume keeps what is heard from being turned up over all that is there.
func checkVolume(db float64) error {
	if db > 0 {
		return fault.New(fault.Usage, "a volume of %+.1f dB is too loud", db).Mended("use 0 or less, and start low")
	}
	return nil
}

// openOutput opens what only plays, and cautions.
func (a *app) openOutput(df *deviceFlags, sampleRate int) (device.Device, error) {
	options := df.options(sampleRate)
	options.NoInput = true
	dev, err := device.Open(options)
	if err != nil {
		return nil, err
	}
	a.caution(dev)
	return dev, nil
}

// caution tells how to begin, before sound goes to a person's ears.
func (a *app) caution(dev device.Device) {
	for _, line := range job.Caution(dev) {
		a.note("%s", line)
	}
}

// options reads the words of the flags.
func (pf *playFlags) options(f *score.Folder, s *score.Score) (o job.PlayOptions, what string, err error) {
	if err := checkVolume(pf.volumeDB); err != nil {
		return o, "", err
	}
	if o.Stretch, what, err = pf.stretchFlags.of(s); err != nil {
		return o, "", err
	}
	if o.Passes, err = parsePasses(pf.loop); err != nil {
		return o, "", err
	}
	cf := clickFlags{level: pf.click, sound: pf.sound}
	if o.Click, err = cf.options(); err != nil {
		return o, "", err
	}
	o.NoClick, o.MonitorGainDB = !pf.hasClick, pf.volumeDB
	o.Hear.Reference, o.Hear.ReferenceDB = pf.hasReference, pf.reference
	if o.Hear.Guides, err = parseHeard(pf.guides, job.GuideDB); err != nil {
		return o, "", err
	}
	if pf.all || len(pf.layers)+len(pf.guides) == 0 && !pf.hasReference && !pf.hasClick && !pf.mix && pf.alone == "" {
		if pf.layers, err = job.OtherSung(f, ""); err != nil {
			return o, "", err
		}
	}
	o.Hear.Layers, err = parseHeard(pf.layers, job.HearDB)
	return o, what, err
}

func (a *app) printPlayed(s *score.Score, res job.PlayResult, what, path string) error {
	done, err := a.printJSON(map[string]any{"path": path, "what": what, "from_sample": res.From, "to_sample": res.To,
		"samples": res.Played.Frames, "passes": res.Played.Passes, "unheard": res.Played.Unheard, "limited_samples": res.Played.Limited,
		"interrupted": res.Played.Interrupted, "notes": append([]string{}, res.Notes...)})
	if done {
		return err
	}
	for _, n := range res.Notes {
		a.note("%s", n)
	}
	if res.Played.Limited > 0 {
		a.note("it was too loud for %s and the limiter turned it down: lower --volume or what is heard", seconds(res.Played.Limited, s.SampleRate))
	}
	if path != "" {
		a.say("%s: %s, %s", path, what, seconds(res.Played.Frames, s.SampleRate))
		return nil
	}
	a.say("played %s: %s, to the end %d times", what, seconds(res.Played.Frames, s.SampleRate), res.Played.Passes)
	if res.Played.Unheard > 0 {
		a.note("the computer was late %d times, and silence was heard; close other programs, or try a larger --period", res.Played.Unheard)
	}
	return nil
}
