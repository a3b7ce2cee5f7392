package main

import (
	"fmt"
	"math"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/track"
	"cuechoir/internal/device"
)

// showSinging is the line that counts while one sings.
func (a *app) showSinging(s *score.Score, st track.Status, run job.Run) {
	frame := s.Reference.Rate.FrameOf(st.At, s.SampleRate)
	where := s.Reference.Rate.Timecode(s.Reference.Start + frame)
	if st.At < 0 && run.From < 0 {
		where = "count-in " + seconds(-st.At, s.SampleRate)
	}
	peak := meter(st.PeakDB)
	for _, db := range st.BesideDB {
		peak += " | " + meter(db)
	}
	if st.LimiterDB < -0.1 {
		peak += fmt.Sprintf("  limiter %.0f dB", st.LimiterDB)
	}
	if st.Muted {
		peak += "  FEEDBACK: muted"
	}
	if st.RateHz != 0 {
		peak += fmt.Sprintf("  THE DEVICE RUNS AT %.0f Hz", st.RateHz)
	}
	room := ""
	if st.TimeLeftKnown && st.TimeLeft < 100*time.Hour {
		room = fmt.Sprintf("  room for %s", st.TimeLeft.Round(time.Minute))
	}
	a.progress.show(st.At-run.From, run.To-run.From, fmt.Sprintf("%s  in %s  dropouts %d%s", where, peak, st.Dropouts, room))
}

// rateWords tells of a device that ran at another rate than the score's.
func rateWords(s *score.Score, t take.Info) string {
	is, wrong := fmt.Sprintf("about %.0f", t.Rate.Hz), "low"
	if n := device.NamedRate(t.Rate.Hz); n != 0 {
		is = fmt.Sprint(n)
	}
	if t.Rate.Hz < float64(t.SampleRate) {
		wrong = "high"
	}
	place := func(sample int64) string {
		return s.Reference.Rate.Timecode(s.Reference.Start + s.Reference.Rate.FrameOf(sample, t.SampleRate))
	}
	_, end := t.Wanted()
	at := place(t.Start + t.Rate.Sample)
	return fmt.Sprintf("the device ran at %s Hz, not %d, from about %s on: from there the take is too %s and out of place, and before it as good as ever; "+
		"set the device to %d Hz in the system's sound settings, and sing on from there: cuechoir sing %s --span %s..%s", is, t.SampleRate, at, wrong, t.SampleRate, t.Layer, at, place(min(end, s.Length())))
}

// meter is an input's level in words.
func meter(db float64) string {
	if math.IsInf(db, -1) {
		return "silent"
	}
	return fmt.Sprintf("%.0f dBFS", db)
}

func (a *app) printTakes(s *score.Score, res job.SingResult, health []job.TakeHealth, what string, patch bool) error {
	t := res.Take
	all := []take.Info{}
	for _, p := range res.Passes {
		all = append(append(all, p.Take), p.Beside...)
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
		a.note("the click is heard in the take %+d samples off its place: give another --latency or --at, or move it: cuechoir takes nudge %s %s %+d", t.Heard.Lag, t.Layer, t.ID, -t.Heard.Lag)
	case t.RoundTripKnown == take.ByEar:
		a.note("the take is placed by the click that the microphone heard: a round trip of %d samples, %+d against what was known", t.RoundTrip, t.Heard.Lag)
	}
	switch {
	case t.Rate != nil:
		a.note("%s", rateWords(s, t))
	case t.Slipped != 0:
		a.note("the device lost its count by %d samples on the way: the take may be out of place; try a larger --period", t.Slipped)
	}
}
