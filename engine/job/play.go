package job

import (
	"context"
	"fmt"

	"cuechoir/engine/score"
	"cuechoir/engine/track"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// PlayOptions say what is played. The zero value is all of the reference's
// time, once, with nothing in it.
type PlayOptions struct {
	Stretch       Stretch
	Passes        int // how often, without a gap; 0: once; Endless: until stopped
	Click         ClickOptions
	NoClick       bool
	Hear          Hear
	MonitorGainDB float64 // of all; at most 0
	Progress      func(pass int, at int64)
}

// PlayResult is what was played.
type PlayResult struct {
	From, To int64 // timeline samples
	Played   track.Played
	Notes    []string
}

// Play plays a stretch through a device, exact to the sample at its beginning
// and where it loops. A cancelled ctx stops it with a short fade. Errors: Usage,
// Missing (a layer that is not sung, no map for a guide), Device.
func Play(ctx context.Context, f *score.Folder, dev device.Device, o PlayOptions) (res PlayResult, err error) {
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	m, err := res.prepare(f, s, o)
	if err != nil {
		return res, err
	}
	defer m.Close()
	res.Played, err = track.Play(ctx, dev, track.Playback{SampleRate: s.SampleRate, From: res.From, To: res.To,
		Passes: passesOf(o.Passes), Source: m.Fill, GainDB: o.MonitorGainDB}, o.Progress)
	return res, err
}

// passesOf is a wish for passes as the transport takes it.
func passesOf(n int) int {
	if n == Endless {
		return 0
	}
	return max(n, 1)
}

// prepare opens what is heard and lays out the stretch.
func (res *PlayResult) prepare(f *score.Folder, s *score.Score, o PlayOptions) (*monitor, error) {
	o.Click.Plan.NoCountIn = true
	var run Run
	if s.Map != nil && !o.NoClick {
		var err error
		if _, run.Clicks, err = clickSchedule(s, o.Click); err != nil {
			return nil, err
		}
	} else if !o.NoClick {
		res.Notes = append(res.Notes, "there is no tempo map yet, so there is no click (cuechoir map)")
	}
	if len(run.Clicks) == 0 && o.Hear.nothing() {
		return nil, fault.New(fault.NotMet, "there is nothing to play").
			Mended("sing a layer, or play --reference, --click or --guide LAYER")
	}
	m, err := newMonitor(f, s, run.Clicks, o.Click.Sound, o.Hear)
	if err != nil {
		return nil, err
	}
	res.From, res.To = o.Stretch.From, o.Stretch.To
	if o.Stretch.All() {
		res.From, res.To = 0, s.Length()
	}
	m.from, m.to = res.From, res.To
	return m, nil
}

// PlayToFile writes what the headphones would get to a WAV, mono, 24 bit, whose
// time reference says where it begins: through a virtual device, so it is what
// Play plays to the sample, with its limiter and fades.
func PlayToFile(ctx context.Context, f *score.Folder, path string, o PlayOptions) (res PlayResult, err error) {
	if o.Passes == Endless {
		return res, fault.New(fault.Usage, "a file has an end, and endless passes have none").Mended("say how often: --loop 4")
	}
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	from := o.Stretch.From
	b := &audiofile.Bext{Description: audiofile.BextText(s.Title+": as heard", 256), Originator: "cuechoir", TimeReference: timeReference(s, from)}
	err = writeWAV(path, audiofile.Format{SampleRate: s.SampleRate, Channels: 1, Bits: 24}, b, func(w *audiofile.Writer) error {
		var left int64
		var failed error
		dev := &device.Virtual{Name: "file", SampleRate: s.SampleRate, OutChannels: 1, InChannels: -1}
		dev.Listener = func(out []float32) {
			n := min(int64(len(out)), left)
			if left -= n; failed == nil && n > 0 {
				failed = w.Write(out[:n])
			}
		}
		length := s.Length()
		if !o.Stretch.All() {
			length = o.Stretch.To - o.Stretch.From
		}
		left = length * int64(passesOf(o.Passes))
		if res, err = Play(ctx, f, dev, o); err != nil {
			return err
		}
		if failed == nil && res.Played.Interrupted {
			failed = fault.New(fault.Interrupted, "stopped before the file was whole")
		}
		if failed == nil && left > 0 {
			failed = fmt.Errorf("%d samples were not played", left)
		}
		return failed
	})
	return res, err
}
