package main

import (
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/track"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

const latencyHelp = `Plays quiet chirps and listens for them, so that every take can be placed where
it was sung. Join output and input with a cable, or hold the microphone to one
earpiece; take the headphones off your ears first. The result is kept on this
computer for this device, sample rate and period.`

func (a *app) latencyCmd() *cobra.Command {
	var df deviceFlags
	var o track.RoundTripOptions
	var sampleRate int
	c := &cobra.Command{
		Use:     "latency",
		Short:   "Measure the round trip of the sound device, once",
		Long:    latencyHelp,
		Example: "  cuechoir latency\n  cuechoir latency --device \"usb mic\" --output headphones",
		Args:    args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			dev, err := device.Open(df.options(sampleRate))
			if err != nil {
				return err
			}
			defer dev.Close()
			o.InputChannel = df.channel - 1
			o.Progress = func(done, of int) { a.progress.show(int64(done), int64(of), "listening for the chirps") }
			a.note("chirps will play: headphones off your ears, volume low")
			trip, err := job.MeasureRoundTrip(c.Context(), dev, o)
			if err != nil {
				return err
			}
			if err := job.KeepRoundTrip(dev, trip); err != nil {
				return err
			}
			return a.printTrip(dev, trip)
		},
	}
	df.register(c)
	f := c.Flags()
	f.Float64Var(&o.LevelDB, "level", -20, "level of the chirps in dBFS, at most -6")
	f.IntVar(&o.Starts, "starts", 3, "how often the device is started")
	f.IntVar(&sampleRate, "sample-rate", score.DefaultSampleRate, "in Hz; the score's own")
	return c
}

func (a *app) printTrip(dev device.Device, trip track.RoundTrip) error {
	fm := dev.Format()
	done, err := a.printJSON(map[string]any{"device": dev.Info().String(), "sample_rate": fm.SampleRate, "period": fm.PeriodFrames,
		"samples": trip.Samples, "spread_samples": trip.Spread, "constant": trip.Constant, "confidence": trip.Confidence,
		"chirps_found": trip.Repeats, "chirps_lost": trip.Rejected, "by_start": trip.ByStart, "slipped_starts": trip.Slipped})
	if !done {
		a.say("%s: the round trip is %d samples (%.1f ms) at %d Hz and a period of %d", dev.Info(), trip.Samples,
			float64(trip.Samples)*1000/float64(fm.SampleRate), fm.SampleRate, fm.PeriodFrames)
		a.say("heard %d chirps over %d starts; they differ by %d samples", trip.Repeats, len(trip.ByStart), trip.Spread)
	}
	if err != nil || trip.Constant {
		return err
	}
	return fault.New(fault.NotMet, "the round trip is not constant (it differs by %s samples), so takes cannot be placed to the sample",
		fmt.Sprint(trip.Spread)).Mended("try a larger --period, or another output")
}
