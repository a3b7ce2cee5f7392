package desk

import (
	"context"
	"fmt"
	"math"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/engine/track"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
	"cuechoir/tui"
)

// heard is what the screen asks to hear, as the job takes it.
func heard(h tui.Hear) job.Hear {
	out := job.Hear{Reference: h.Reference, ReferenceDB: job.HearDB, MixDB: job.HearDB}
	for _, l := range h.Layers {
		out.Layers = append(out.Layers, job.Heard{Layer: l, LevelDB: job.HearDB})
	}
	if h.Guide != "" {
		out.Guides = append(out.Guides, job.Heard{Layer: h.Guide, LevelDB: job.GuideDB})
	}
	return out
}

func passes(loop bool) int {
	if loop {
		return job.Endless
	}
	return 1
}

// tellEvery is the least time between two words of where a playing is.
const tellEvery = time.Second / 30

// play plays a stretch, or runs along it in silence where nothing can be heard.
func (d *Desk) play(ctx context.Context, w tui.Wish, tell func(tui.Told)) (tui.Outcome, error) {
	s, err := d.f.Load()
	if err != nil {
		return tui.Outcome{}, err
	}
	x := job.Stretch{From: max(0, w.From), To: min(w.To, s.Length())}
	if x.From >= x.To {
		return tui.Outcome{News: "there is nothing after this"}, nil
	}
	told := tui.Told{Moving: true, At: x.From}
	h := w.Hear
	nothing := !h.Reference && !(h.Click && s.Map != nil) && h.Guide == "" && len(h.Layers) == 0 && !h.Mix
	var dev device.Device
	switch {
	case nothing:
		told.Note = "there is nothing to hear here"
	case d.o.Silent:
		told.Note = "sound is off"
	default:
		o := d.o.Device
		o.SampleRate, o.NoInput = s.SampleRate, true
		if dev, err = device.Open(o); err != nil {
			told.Note = "no sound: " + err.Error()
		}
	}
	progress := func(pass int, at int64) {
		told.Pass, told.At = pass, at
		tell(told)
	}
	if dev == nil {
		told.Silent = true
		return tui.Outcome{}, job.RunSilent(ctx, x, s.SampleRate, passes(w.Loop), progress)
	}
	defer dev.Close()
	lines := job.Caution(dev)
	if len(lines) > 1 {
		return firstSound(lines), nil
	}
	told.Note = lines[0]
	hear := heard(h)
	if h.Mix {
		if hear.Mix, err = d.mixSound(ctx, h.Alone, tell); err != nil {
			return tui.Outcome{}, stoppedOr(ctx, err)
		}
	}
	res, err := job.Play(ctx, d.f, dev, job.PlayOptions{Stretch: x, Passes: passes(w.Loop), NoClick: !h.Click, Hear: hear,
		MonitorGainDB: min(0, h.VolumeDB), Progress: every(tellEvery, progress)})
	out := tui.Outcome{}
	if res.Played.Unheard > 0 {
		out.News = fmt.Sprintf("the computer was late %d times, and silence was heard", res.Played.Unheard)
	}
	return out, err
}

// mixSound is the mix as it stands, made anew when anything in it has changed.
func (d *Desk) mixSound(ctx context.Context, alone string, tell func(tui.Told)) (*job.MixSound, error) {
	d.mu.Lock()
	had := d.mix
	d.mu.Unlock()
	m, err := job.MixSoundOf(ctx, d.f, alone, had, working(tell))
	if err == nil {
		d.mu.Lock()
		d.mix = m
		d.mu.Unlock()
	}
	return m, err
}

// firstSound is the caution in the place of the first sound through an output.
func firstSound(lines []string) tui.Outcome {
	return tui.Outcome{Notice: lines, News: "nothing sounded yet: press the key again to begin"}
}

// every lets a call through at most so often.
func every(d time.Duration, f func(int, int64)) func(int, int64) {
	var last time.Time
	return func(pass int, at int64) {
		if now := time.Now(); now.Sub(last) >= d {
			last = now
			f(pass, at)
		}
	}
}

// sing records a take. It is kept however it ends.
func (d *Desk) sing(ctx context.Context, w tui.Wish, tell func(tui.Told)) (tui.Outcome, error) {
	s, err := d.f.Load()
	if err != nil {
		return tui.Outcome{}, err
	}
	o := job.SingOptions{Layer: w.Layer, InputChannel: d.o.Channel, NoClick: !w.Hear.Click, Hear: heard(w.Hear),
		MonitorGainDB: min(0, w.Hear.VolumeDB), Passes: passes(w.Loop), PreRoll: job.PreRoll{Bars: 1}}
	if w.From < w.To {
		o.Stretch = job.Stretch{From: w.From, To: w.To}
	}
	run, err := job.SingRun(s, o)
	if err != nil {
		return tui.Outcome{}, err
	}
	note, err := d.microphone(ctx, s, run, &o)
	if err != nil {
		return tui.Outcome{}, err
	}
	defer o.Device.Close()
	if o.Device.Info().Kind == "real" {
		lines := job.Caution(o.Device)
		if len(lines) > 1 {
			return firstSound(lines), nil
		}
		note = nameOr(note, lines[0])
	}
	ear, err := job.NewEar(o.Device, o.InputChannel, run.From, o.RoundTrip)
	if err != nil {
		return tui.Outcome{}, err
	}
	o.Device = ear
	called := caller(run, o)
	o.Progress = func(st track.Status) {
		t := tui.Told{Moving: true, At: st.At, Pass: st.Pass, Count: called(st.At), Input: true, PeakDB: max(st.PeakDB, -200),
			Dropouts: st.Dropouts, Note: note}
		if t.Room = st.TimeLeftKnown; t.Room {
			t.SecsLeft = int64(st.TimeLeft / time.Second)
		}
		if st.Muted {
			t.Note = "feedback was heard: your live voice is muted"
		}
		for _, r := range ear.Listen() {
			t.Voice = append(t.Voice, tui.Reading{Sample: r.Sample, Cents: r.Cents, Voiced: r.Voiced})
		}
		tell(t)
	}
	res, err := job.Sing(ctx, d.f, o)
	out := tui.Outcome{Changed: res.Take.ID != ""}
	if out.Changed {
		out.News = sungWords(res)
	}
	return out, err
}

func nameOr(words, other string) string {
	if words == "" {
		return other
	}
	return words
}

func sungWords(res job.SingResult) string {
	words := fmt.Sprintf("take %s of %s is kept, peak %.0f dBFS", res.Take.ID, res.Take.Layer, 20*math.Log10(max(res.Take.Peak, 1e-6)))
	if n := len(res.Passes); n > 1 {
		words = fmt.Sprintf("%d takes of %s are kept, the last is %s", n, res.Take.Layer, res.Take.ID)
	}
	if n := len(res.Take.Dropouts); n > 0 {
		words += fmt.Sprintf(", %d dropouts", n)
	}
	if res.Take.Slipped != 0 {
		words += "; the device lost its count: it may be out of place"
	}
	return words
}

// microphone chooses what the voice comes from: a file, or the device with its
// round trip.
func (d *Desk) microphone(ctx context.Context, s *score.Score, run job.Run, o *job.SingOptions) (note string, err error) {
	if d.o.Input != "" {
		o.InputChannel, o.RoundTripKnown = 0, take.Typed
		at := s.Reference.Rate.SampleOf(d.o.InputAt, s.SampleRate)
		o.Device, err = job.FileMicrophone(ctx, d.o.Input, s.SampleRate, at, run.From, d.o.Engine, nil)
		return "the microphone is a file", err
	}
	do := d.o.Device
	do.SampleRate = s.SampleRate
	if o.Device, err = device.Open(do); err != nil {
		return "", err
	}
	known, ok, err := job.KnownRoundTrip(o.Device)
	switch {
	case d.o.RoundTrip != nil:
		o.RoundTrip, o.RoundTripKnown = *d.o.RoundTrip, take.Typed
	case err != nil:
		o.Device.Close()
		return "", err
	case ok:
		o.RoundTrip, o.RoundTripKnown, o.Waiting = known.Samples, take.Measured, known.Waits()
	default:
		o.RoundTripKnown = take.AssumedZero
		note = "the round trip is not measured: cuechoir latency"
	}
	return note, nil
}

// caller gives the number to call at a sample: the beat of the last click,
// until what is recorded begins.
func caller(run job.Run, o job.SingOptions) func(at int64) int {
	begins := o.Stretch.From
	if o.Stretch.All() {
		for _, c := range run.Clicks {
			if !c.CountIn && !c.Free {
				begins = c.Sample
				break
			}
		}
	}
	return func(at int64) int {
		n := 0
		for _, c := range run.Clicks {
			if c.Sample > at || c.Sample >= begins {
				break
			}
			n = c.Beat
		}
		if at >= begins {
			return 0
		}
		return n
	}
}

// offer finds maps and keeps them until one is chosen.
func (d *Desk) offer(ctx context.Context, w tui.Wish) (tui.Outcome, error) {
	s, err := d.f.Load()
	if err != nil {
		return tui.Outcome{}, err
	}
	answers, err := job.OfferMaps(ctx, s, tempo.Options{Style: tempo.Style(w.Style)})
	if err != nil && (fault.KindOf(err) != fault.NotMet || len(answers) == 0) {
		return tui.Outcome{}, err
	}
	out := tui.Outcome{News: fmt.Sprintf("%d maps offered; o goes through them, k keeps one", len(answers))}
	if err != nil {
		out.News = "not all must-hits can be met; the nearest: " + err.Error()
	}
	for _, a := range answers {
		o, err := offerOf(s, a)
		if err != nil {
			return tui.Outcome{}, err
		}
		out.Offers = append(out.Offers, o)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.offers = answers
	return out, nil
}

func offerOf(s *score.Score, a tempo.Answer) (tui.Offer, error) {
	o := tui.Offer{Style: string(a.Map.Style), Words: a.Words, Trade: a.Trade, All: len(s.Hits), Hits: landed(s.Hits, a.Landings)}
	for _, l := range a.Landings {
		if l.Caught {
			o.Caught++
		}
	}
	grid, err := tempo.NewGrid(a.Map, s.Reference.Rate, s.Reference.Frames)
	if err != nil {
		return o, err
	}
	for i, b := range grid.Bars(s.SampleRate) {
		if i == 0 || b.BPM < o.LowBPM {
			o.LowBPM = b.BPM
		}
		o.HighBPM = max(o.HighBPM, b.BPM)
	}
	return o, nil
}
