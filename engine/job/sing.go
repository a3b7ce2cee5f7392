package job

import (
	"context"
	"os"
	"path/filepath"
	"time"

	"cuechoir/engine/mix"
	"cuechoir/engine/picture"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/engine/track"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/decoder"
	"cuechoir/internal/device"
	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// SingOptions say how a layer is sung.
type SingOptions struct {
	Layer          string
	Device         device.Device
	RoundTrip      int64 // samples that the device's input lags behind its output
	RoundTripKnown take.RoundTripKnown
	Waiting        device.Waiting // in the device when the round trip was measured
	InputChannel   int            // from 0
	Beside         []Voice        // further layers, sung at once through other inputs
	Click          ClickOptions
	NoClick        bool
	Stretch        Stretch // what is recorded; all when it is zero
	PreRoll        PreRoll // what is heard before a stretch
	Passes         int     // a take each, without a gap; 0: one; Endless: until stopped
	Hear           Hear
	Through        track.Through // the voice itself in the headphones, off by itself
	MonitorGainDB  float64       // of all that is heard; at most 0
	Progress       func(track.Status)
	Now            func() time.Time // the computer's clock; nil: time.Now
}

// Voice is a layer and the input channel, from 0, that it is sung through.
type Voice struct {
	Layer        string
	InputChannel int
}

// Endless passes go on until they are stopped.
const Endless = -1

// SingResult is the takes that were made, in order; Take and Result are the
// last of them. Takes of voices beside stand in each Result.
type SingResult struct {
	Take   take.Info
	Result track.Result
	Passes []track.Result
	Notes  []string
}

// tailSeconds is sung and kept after the reference's end, so that a last note
// is not cut while it rings.
const tailSeconds = 1

// handleSeconds is kept on either side of a punch.
const handleSeconds = 1

// SingRun is the run of a take of s: what is played, what of it is recorded.
func SingRun(s *score.Score, o SingOptions) (Run, error) {
	return newRun(s, o.Click, o.Stretch, o.PreRoll)
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

// Sing records takes of a layer over click and chosen layers. Takes are kept
// when ctx ends (a person stopped it) or the device vanishes; the error then
// says so.
func Sing(ctx context.Context, f *score.Folder, o SingOptions) (res SingResult, err error) {
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	if err := checkVoices(s, o); err != nil {
		return res, err
	}
	if got := o.Device.Format().SampleRate; got != s.SampleRate {
		return res, fault.New(fault.Device, "the device runs at %d Hz, the score at %d", got, s.SampleRate).
			Mended("set the device to %d Hz", s.SampleRate)
	}
	run, err := SingRun(s, o)
	if err != nil {
		return res, err
	}
	if s.Map == nil {
		res.Notes = append(res.Notes, "there is no tempo map yet, so there is no click (cuechoir map)")
	}
	if o.NoClick {
		run.Clicks = nil
	}
	m, err := newMonitor(f, s, run.Clicks, o.Click.Sound, o.Hear)
	if err != nil {
		return res, err
	}
	defer m.Close()
	plan := singPlan(s, o, run, m)
	if o.Now == nil {
		o.Now = time.Now
	}
	made := func(layer string) func(int) (*take.Writer, error) {
		return func(int) (*take.Writer, error) {
			return take.Create(f.Dir, layer, take.Info{Start: plan.From - o.RoundTrip, SampleRate: s.SampleRate,
				RoundTrip: o.RoundTrip, RoundTripKnown: o.RoundTripKnown, Created: o.Now()})
		}
	}
	for _, v := range o.Beside {
		plan.Beside = append(plan.Beside, track.Beside{InputChannel: v.InputChannel, NewTake: made(v.Layer)})
	}
	res.Passes, err = track.RecordPasses(ctx, o.Device, plan, passesOf(o.Passes), made(o.Layer), o.Progress)
	if n := len(res.Passes); n > 0 {
		res.Result = res.Passes[n-1]
		res.Take = res.Result.Take
	}
	return res, err
}

// checkVoices holds the layers to be there, each sung by one voice.
func checkVoices(s *score.Score, o SingOptions) error {
	seen := map[string]bool{}
	for _, v := range append([]Voice{{Layer: o.Layer}}, o.Beside...) {
		if _, err := Layer(s, v.Layer); err != nil {
			return err
		}
		if seen[v.Layer] {
			return fault.New(fault.Usage, "%s is named twice", v.Layer).Mended("sing each layer once at a time")
		}
		seen[v.Layer] = true
	}
	return nil
}

// singPlan is the transport's plan of a run, with what m plays in it.
func singPlan(s *score.Score, o SingOptions, run Run, m *monitor) track.Plan {
	p := track.Plan{
		SampleRate: s.SampleRate, From: run.From, To: run.To, Monitor: m.Fill, MonitorGainDB: o.MonitorGainDB, Through: o.Through, Now: o.Now,
		RoundTrip: o.RoundTrip, RoundTripKnown: o.RoundTripKnown, RoundTripWaiting: o.Waiting,
		TailSamples: o.RoundTrip + int64(tailSeconds*s.SampleRate), InputChannel: o.InputChannel,
	}
	if len(run.Clicks) > 0 {
		p.Own = ownClick(m.click, o.MonitorGainDB)
	}
	if !o.Stretch.All() {
		m.from, m.to = run.Start, run.To
		p.Punch = track.Punch{In: o.Stretch.From, Out: o.Stretch.To, Handle: int64(handleSeconds * s.SampleRate)}
		p.TailSamples = o.RoundTrip
	}
	return p
}

// ownClick is the click as loud as it is put out, when all is put out at gainDB:
// what of it leaks into the microphone says where a take lies.
func ownClick(click *tempo.Sounding, gainDB float64) func([]float32, int64) error {
	gain := float32(mix.Gain(gainDB))
	return func(dst []float32, at int64) error {
		click.Add(dst, at)
		for i := range dst {
			dst[i] *= gain
		}
		return nil
	}
}

// FileMicrophone is a device whose microphone is a sound file: the file's
// first sample is heard at timeline sample at, when singing starts at from.
// Several channels are heard as their mean. What is no plain sound file (a
// phone's recording, a film) goes through the video decoder that engine names.
func FileMicrophone(ctx context.Context, path string, sampleRate int, at, from int64, engine decoder.Engine, progress Progress) (device.Device, error) {
	x, err := anySound(ctx, path, sampleRate, maxSoundFrames, engine, progress)
	if err != nil {
		return nil, err
	}
	v := &device.Virtual{Name: filepath.Base(path), SampleRate: sampleRate, Microphone: x, MicrophoneAt: at - from}
	if v.MicrophoneAt < 0 { // it begins before the count-in does
		v.Microphone, v.MicrophoneAt = x[min(-v.MicrophoneAt, int64(len(x))):], 0
	}
	return v, nil
}

// FileMicrophones is a device with an input for each channel of a sound file, in
// its place and time as FileMicrophone.
func FileMicrophones(path string, sampleRate int, at, from int64) (device.Device, error) {
	if err := readable(path); err != nil {
		return nil, err
	}
	x, fm, err := audiofile.ReadAll(path, maxSoundFrames)
	if err != nil {
		return nil, err
	}
	v := &device.Virtual{Name: filepath.Base(path), SampleRate: sampleRate, InChannels: fm.Channels}
	skip := max(from-at, 0) // it begins before the count-in does
	v.MicrophoneAt = max(at-from, 0)
	for c := range fm.Channels {
		rate, err := dsp.NewResampler(fm.SampleRate, sampleRate)
		if err != nil {
			return nil, err
		}
		one := make([]float32, 0, len(x)/fm.Channels)
		for i := c; i < len(x); i += fm.Channels {
			one = append(one, x[i])
		}
		one = rate.Flush(rate.Push(nil, one))
		v.Microphones = append(v.Microphones, one[min(skip, int64(len(one))):])
	}
	return v, nil
}

// anySound is a file's sound, the mean of its channels at sampleRate; what is no
// plain sound file goes through the video decoder. maxFrames bounds a sound
// file's own frames.
func anySound(ctx context.Context, path string, sampleRate int, maxFrames int64, engine decoder.Engine, progress Progress) ([]float32, error) {
	if err := readable(path); err != nil {
		return nil, err
	}
	x, _, err := audiofile.ReadMono(path, sampleRate, maxFrames)
	if fault.KindOf(err) == fault.Unsupported {
		return decodeSound(ctx, path, sampleRate, engine, progress)
	}
	return x, err
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
