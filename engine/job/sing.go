package job

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"cuechoir/engine/picture"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/engine/track"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/decoder"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// SingOptions say how a layer is sung.
type SingOptions struct {
	Layer          string
	Device         device.Device
	RoundTrip      int64 // samples that the device's input lags behind its output
	RoundTripKnown take.RoundTripKnown
	InputChannel   int // from 0
	Click          ClickOptions
	NoClick        bool
	Hear           Hear
	MonitorGainDB  float64 // of all that is heard; at most 0
	Progress       func(track.Status)
}

// SingResult is the take that was made.
type SingResult struct {
	Take   take.Info
	Result track.Result
	Notes  []string
}

// tailSeconds is sung and kept after the reference's end, so that a last note
// is not cut while it rings.
const tailSeconds = 1

// leadInMilliseconds come before the first click: the sound fades in, and a
// device may wake up slowly.
const leadInMilliseconds = 100

// SingSpan is the part of the timeline that singing covers: from shortly
// before the count-in, or before frame 0 when there is no map or count-in, to
// the reference's end.
func SingSpan(s *score.Score, o ClickOptions) (clicks []tempo.Click, from, to int64, err error) {
	if s.Map != nil {
		if _, clicks, err = clickSchedule(s, o); err != nil {
			return nil, 0, 0, err
		}
	}
	from, to, err = Span(clicks, s.SampleRate, o.Sound, s.Length())
	return clicks, from - int64(leadInMilliseconds*s.SampleRate/1000), to, err
}

// ClickStart is the timeline sample at which the click's file begins.
func ClickStart(s *score.Score, o ClickOptions) (int64, error) {
	_, clicks, err := clickSchedule(s, o)
	if err != nil {
		return 0, err
	}
	from, _, err := Span(clicks, s.SampleRate, o.Sound, s.Length())
	return from, err
}

// Sing records one take of a layer over click and chosen layers. The take is
// kept when ctx ends (a person stopped it) or the device vanishes; the error
// then says so.
func Sing(ctx context.Context, f *score.Folder, o SingOptions) (res SingResult, err error) {
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	if _, err := Layer(s, o.Layer); err != nil {
		return res, err
	}
	if got := o.Device.Format().SampleRate; got != s.SampleRate {
		return res, fault.New(fault.Device, "the device runs at %d Hz, the score at %d", got, s.SampleRate).
			Mended("set the device to %d Hz", s.SampleRate)
	}
	clicks, from, to, err := SingSpan(s, o.Click)
	if err != nil {
		return res, err
	}
	if s.Map == nil {
		res.Notes = append(res.Notes, "there is no tempo map yet, so there is no click (cuechoir map)")
	}
	if o.NoClick {
		clicks = nil
	}
	m, err := newMonitor(f, s, clicks, o.Click.Sound, o.Hear, from)
	if err != nil {
		return res, err
	}
	defer m.Close()
	w, err := take.Create(f.Dir, o.Layer, take.Info{Start: from - o.RoundTrip, SampleRate: s.SampleRate, Device: o.Device.Info().String(),
		Input: fmt.Sprintf("channel %d", o.InputChannel+1), RoundTrip: o.RoundTrip, RoundTripKnown: o.RoundTripKnown})
	if err != nil {
		return res, err
	}
	res.Result, err = track.Record(ctx, o.Device, track.Plan{
		SampleRate: s.SampleRate, From: from, To: to, Monitor: m.Fill, MonitorGainDB: o.MonitorGainDB,
		RoundTrip: o.RoundTrip, RoundTripKnown: o.RoundTripKnown,
		TailSamples: o.RoundTrip + int64(tailSeconds*s.SampleRate), InputChannel: o.InputChannel,
	}, w, o.Progress)
	res.Take = res.Result.Take
	return res, err
}

// FileMicrophone is a device whose microphone is a sound file: the file's
// first sample is heard at timeline sample at, when singing starts at from.
// Several channels are heard as their mean. What is no plain sound file (a
// phone's recording, a film) goes through the video decoder that engine names.
func FileMicrophone(ctx context.Context, path string, sampleRate int, at, from int64, engine decoder.Engine, progress Progress) (device.Device, error) {
	if err := readable(path); err != nil {
		return nil, err
	}
	x, _, err := audiofile.ReadMono(path, sampleRate, maxSoundFrames)
	if fault.KindOf(err) == fault.Unsupported {
		x, err = decodeSound(ctx, path, sampleRate, engine, progress)
	}
	if err != nil {
		return nil, err
	}
	v := &device.Virtual{Name: filepath.Base(path), SampleRate: sampleRate, Microphone: x, MicrophoneAt: at - from}
	if v.MicrophoneAt < 0 { // it begins before the count-in does
		v.Microphone, v.MicrophoneAt = x[min(-v.MicrophoneAt, int64(len(x))):], 0
	}
	return v, nil
}

// decodeSound is the sound of whatever the video decoder reads.
func decodeSound(ctx context.Context, path string, sampleRate int, engine decoder.Engine, progress Progress) ([]float32, error) {
	dir, err := os.MkdirTemp("", "cuechoir-")
	if err != nil {
		return nil, fault.New(fault.DiskFull, "no room to decode the sound").Because(err)
	}
	defer os.RemoveAll(dir)
	wav := filepath.Join(dir, "sound.wav")
	if _, err := picture.Sound(ctx, path, sampleRate, wav, picture.Options{Engine: engine, Progress: progress}); err != nil {
		return nil, err
	}
	x, _, err := audiofile.ReadMono(wav, sampleRate, maxSoundFrames)
	return x, err
}
