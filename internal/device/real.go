//go:build cgo

package device

import (
	"fmt"
	"strings"
	"sync/atomic"
	"time"
	"unsafe"

	"github.com/gen2brain/malgo"

	"cuechoir/internal/fault"
)

// backends are the sound systems by name. The numbers are miniaudio's
// ma_backend; malgo's own BackendNull is one too small, since miniaudio put
// its custom backend before it.
var backends = map[string]malgo.Backend{
	"wasapi": malgo.BackendWasapi, "directsound": malgo.BackendDsound, "winmm": malgo.BackendWinmm,
	"coreaudio": malgo.BackendCoreaudio, "sndio": malgo.BackendSndio, "audio4": malgo.BackendAudio4,
	"oss": malgo.BackendOss, "pulseaudio": malgo.BackendPulseaudio, "alsa": malgo.BackendAlsa,
	"jack": malgo.BackendJack, "null": 14,
}

// realOrder is what is tried, in turn, when no backend is asked for. The null
// backend is left out: it would record silence as if all were well.
var realOrder = []string{"wasapi", "directsound", "winmm", "coreaudio", "sndio", "audio4", "oss", "pulseaudio", "alsa", "jack"}

// Real is a duplex stream of one sound card, or of two that the sound system
// joins, by miniaudio.
//
// Between miniaudio and the callback stands malgo, which takes a mutex that
// only the making and freeing of devices takes too: uncontended while a
// stream runs.
type Real struct {
	options Options
	format  Format
	info    Info
	context *malgo.AllocatedContext
	output  *Port
	input   *Port
	ids     map[string]malgo.DeviceID
	stream  *malgo.Device
	asked   atomic.Bool // Stop was asked for
	gone    atomic.Bool
	gate    *callGate // of the running stream
	ring    waitingRing
	stuck   bool // a stream could not be given back: the context must stay
}

// stopLimit bounds the wait for a stream to end. Measured: with PulseAudio
// gone, miniaudio waits for its answer for ever.
const stopLimit = 3 * time.Second

// Open finds the device and asks it how it streams. Errors: Usage, Missing
// (no such device), Device.
func Open(o Options) (Device, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	context, backend, err := openContext(o.Backend)
	if err != nil {
		return nil, err
	}
	r := &Real{options: o, context: context, info: Info{Kind: "real", Backend: backend}}
	if err := r.choose(); err != nil {
		r.Close()
		return nil, err
	}
	// A stream is made once to learn the native channel counts, and given back.
	stream, err := r.makeStream(nil)
	if err != nil {
		r.Close()
		return nil, err
	}
	r.format = Format{SampleRate: int(stream.SampleRate()), PeriodFrames: o.PeriodFrames}
	if !o.NoOutput {
		r.format.OutChannels = int(stream.PlaybackChannels())
	}
	if !o.NoInput {
		r.format.InChannels = int(stream.CaptureChannels())
	}
	stream.Uninit()
	return r, nil
}

// List gives the ports of the sound system.
func List(backend string) ([]Port, error) {
	context, _, err := openContext(backend)
	if err != nil {
		return nil, err
	}
	defer freeContext(context)
	ports, _, err := listPorts(context)
	return ports, err
}

func openContext(backend string) (*malgo.AllocatedContext, string, error) {
	order := realOrder
	if backend != "" {
		if _, ok := backends[strings.ToLower(backend)]; !ok {
			return nil, "", fault.New(fault.Usage, "no sound system is called %q", backend).
				Mended("one of: %s, null", strings.Join(realOrder, ", "))
		}
		order = []string{strings.ToLower(backend)}
	}
	var last error
	for _, name := range order {
		context, err := malgo.InitContext([]malgo.Backend{backends[name]}, malgo.ContextConfig{ThreadPriority: malgo.ThreadPriorityRealtime}, nil)
		if err == nil {
			return context, name, nil
		}
		last = err
	}
	return nil, "", fault.New(fault.Device, "no sound system answers").Because(last).
		Mended("start PulseAudio, PipeWire or JACK, or plug in a sound card, and try again")
}

func freeContext(context *malgo.AllocatedContext) {
	context.Uninit()
	context.Free()
}

// listPorts gives the ports, and the IDs as malgo wants them.
func listPorts(context *malgo.AllocatedContext) ([]Port, map[string]malgo.DeviceID, error) {
	var ports []Port
	ids := map[string]malgo.DeviceID{}
	for _, kind := range []malgo.DeviceType{malgo.Playback, malgo.Capture} {
		found, err := context.Devices(kind)
		if err != nil {
			return nil, nil, fault.New(fault.Device, "the sound devices could not be listed").Because(err).
				Mended("see whether the sound system runs")
		}
		for _, d := range found {
			p := Port{ID: readableID(d.ID), Name: d.Name(), Input: kind == malgo.Capture, IsDefault: d.IsDefault != 0}
			// The list itself is short of formats; asking one by one fills them in.
			if full, err := context.DeviceInfo(kind, d.ID, malgo.Shared); err == nil && len(full.Formats) > 0 {
				p.Channels = int(full.Formats[0].Channels)
			}
			ports = append(ports, p)
			ids[portKey(p)] = d.ID
		}
	}
	return ports, ids, nil
}

// portKey tells an input from an output of the same ID.
func portKey(p Port) string { return fmt.Sprint(p.Input, p.ID) }

// readableID is the ID as text where the sound system uses text, and in
// hexadecimal elsewhere.
func readableID(id malgo.DeviceID) string {
	text := strings.TrimRight(string(id[:]), "\x00")
	for _, c := range text {
		if c < ' ' || c > '~' {
			return id.String()
		}
	}
	return text
}

// choose finds the ports that the options name.
func (r *Real) choose() error {
	ports, ids, err := listPorts(r.context)
	if err != nil {
		return err
	}
	r.ids = ids
	pick := func(input bool, wish, fallback string) (*Port, string, error) {
		p, ok, err := Choose(ports, input, wish)
		if err != nil {
			return nil, "", err
		}
		if !ok {
			return nil, fallback, nil
		}
		if wish == "" {
			return nil, p.Name, nil // leave the default to the sound system
		}
		return &p, p.Name, nil
	}
	if !r.options.NoOutput {
		if r.output, r.info.Output, err = pick(false, r.options.Output, "default output"); err != nil {
			return err
		}
	}
	if !r.options.NoInput {
		if r.input, r.info.Input, err = pick(true, r.options.Input, "default input"); err != nil {
			return err
		}
	}
	return nil
}

// makeStream makes the malgo device; cb may be nil for a trial.
func (r *Real) makeStream(cb Callback) (*malgo.Device, error) {
	kind := malgo.Duplex
	if r.options.NoInput {
		kind = malgo.Playback
	} else if r.options.NoOutput {
		kind = malgo.Capture
	}
	config := malgo.DefaultDeviceConfig(kind)
	config.SampleRate = uint32(r.options.SampleRate)
	config.PeriodSizeInFrames = uint32(r.options.PeriodFrames)
	if r.TellsWaiting() {
		config.NoFixedSizedCallback = 1 // the input lies in the library's ring then, not in a copy
	}
	config.NoClip = 1 // the callback has its own ceiling
	config.Playback.Format, config.Capture.Format = malgo.FormatF32, malgo.FormatF32
	config.Playback.Channels, config.Capture.Channels = 0, 0 // native
	config.Pulse.StreamNamePlayback, config.Pulse.StreamNameCapture = "cuechoir", "cuechoir"
	if r.output != nil {
		id := r.ids[portKey(*r.output)]
		config.Playback.DeviceID = id.Pointer() // C memory of a few hundred bytes, once a stream
	}
	if r.input != nil {
		id := r.ids[portKey(*r.input)]
		config.Capture.DeviceID = id.Pointer()
	}
	stream, err := malgo.InitDevice(r.context.Context, config, malgo.DeviceCallbacks{
		Data: r.dataProc(cb),
		Stop: func() {
			if !r.asked.Load() {
				r.gone.Store(true)
			}
		},
	})
	if err != nil {
		return nil, fault.New(fault.Device, "%s could not be opened", r.info).Because(err).
			Mended("see that no other program holds it, and that the microphone may be used")
	}
	return stream, nil
}

// dataProc turns malgo's bytes into samples, without copying.
func (r *Real) dataProc(cb Callback) malgo.DataProc {
	gate, measured := r.gate, r.TellsWaiting()
	return func(out, in []byte, frames uint32) {
		if cb == nil {
			return
		}
		gate.through(cb, samples(out), samples(in), int(frames))
		if measured {
			r.ring.see(samples(in))
		}
	}
}

// samples views float32 bytes as float32. miniaudio hands out buffers that
// are aligned for its own float access.
func samples(b []byte) []float32 {
	if len(b) < 4 {
		return nil
	}
	return unsafe.Slice((*float32)(unsafe.Pointer(unsafe.SliceData(b))), len(b)/4)
}

// Start makes a fresh stream, so that no delay is left over from the last.
func (r *Real) Start(cb Callback) error {
	if r.stream != nil {
		return fault.New(fault.Device, "the device is running already")
	}
	if r.context == nil {
		return fault.New(fault.Device, "the device is closed")
	}
	r.asked.Store(false)
	r.gone.Store(false)
	r.gate = &callGate{}
	r.ring.init(r.format.InChannels)
	stream, err := r.makeStream(cb)
	if err != nil {
		return err
	}
	if err := stream.Start(); err != nil {
		r.asked.Store(true)
		stream.Uninit()
		return fault.New(fault.Device, "%s could not be started", r.info).Because(err).
			Mended("see whether it is plugged in, and try again")
	}
	r.stream = stream
	return nil
}

// Stop ends the stream; no callback runs after it.
func (r *Real) Stop() error {
	if r.stream == nil {
		return nil
	}
	r.asked.Store(true)
	r.gate.close()
	stream, done := r.stream, make(chan struct{})
	r.stream = nil
	go func() {
		stream.Uninit() // stops and joins the audio thread
		close(done)
	}()
	select {
	case <-done:
		return nil
	case <-time.After(stopLimit):
		r.stuck = true
		return fault.New(fault.Device, "the sound system does not answer, and %s could not be given back", r.info).
			Mended("start the sound system anew; what was sung is kept")
	}
}

// Close stops and gives the sound system back.
func (r *Real) Close() error {
	err := r.Stop()
	if r.context != nil && !r.stuck {
		freeContext(r.context)
	}
	r.context = nil
	return err
}

// TellsWaiting: in JACK, one thread writes and reads the library's ring.
func (r *Real) TellsWaiting() bool {
	return r.info.Backend == "jack" && !r.options.NoInput && !r.options.NoOutput
}

// Waiting is what waits in the library's ring since the last Start.
func (r *Real) Waiting() Waiting { return r.ring.waiting() }

// Format says how the device streams.
func (r *Real) Format() Format { return r.format }

// Info names the device.
func (r *Real) Info() Info { return r.info }

// Err tells when the device has stopped by itself.
func (r *Real) Err() error {
	if r.gone.Load() {
		return fault.New(fault.Device, "%s has vanished or was stopped by the sound system", r.info).
			Mended("see that it is plugged in; what was sung is kept")
	}
	return nil
}
