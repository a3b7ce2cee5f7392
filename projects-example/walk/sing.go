package walk

import (
	"bytes"
	"context"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/timecode"
	"cuechoir/engine/track"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
	example "cuechoir/projects-example"
)

// Slug is a layer's name as the score takes it: "Horn II" is horn-ii.
func Slug(name string) string { return strings.ToLower(strings.ReplaceAll(name, " ", "-")) }

// partsFile is where the walk puts the music, for whoever wants to look.
const partsFile = score.ReferenceDir + "/parts.mid"

// layers writes the music as a Standard MIDI File and adds each line from it,
// as a maker would.
func (w *walker) layers(context.Context) error {
	lines := example.Layers()
	parts := make([]part.Part, len(lines))
	for i, l := range lines {
		parts[i].Name = Slug(l.Name)
		for _, n := range l.Notes {
			parts[i].Notes = append(parts[i].Notes, part.Note{Start: n.Start, Length: n.Length, Key: n.Key, Lyric: n.Lyric, Unpitched: l.Unpitched})
		}
	}
	var b bytes.Buffer
	if err := part.WriteSMF(&b, parts, part.Conductor{Name: example.Title}); err != nil {
		return err
	}
	if err := w.keep("parts", partsFile, b.Bytes()); err != nil {
		return err
	}
	notes := 0
	_, err := w.f.Edit(score.CountLabel(len(lines), "layer", "added"), func(s *score.Score) error {
		for i, l := range lines {
			p, _, err := job.ReadPart(w.f.Path(partsFile), part.ReadOptions{Track: i + 2}) // track 1 conducts
			if err != nil {
				return err
			}
			notes += len(p.Notes)
			s.Layers = append(s.Layers, score.Layer{Name: Slug(l.Name), Group: l.Group, Notes: p.Notes, GainDB: gains[l.Group], Pan: pans[i%len(pans)]})
		}
		return nil
	})
	w.step("layer", "%d layers, %d notes, from %s", len(lines), notes, partsFile)
	return err
}

// The mix of the example: groups in balance, voices spread.
var (
	gains = map[string]float64{"brass": -9, "strings": -10, "choir": -10, "drums": -8}
	pans  = []float64{-0.5, 0.4, -0.2, 0.6, -0.6, 0.2, 0.5, -0.4, 0}
)

// roomTrip is the round trip, in samples, of the device that the walk plays
// on: the program does not know it and has to measure it.
const roomTrip = 1680

// sing measures the device's round trip, then sings every layer through the
// take engine.
func (w *walker) sing(ctx context.Context) error {
	s, err := w.f.Load()
	if err != nil {
		return err
	}
	grid, err := job.Grid(s)
	if err != nil {
		return err
	}
	loop := &device.Virtual{Name: "example", SampleRate: s.SampleRate, LoopDelay: roomTrip, LoopGain: 0.5, NoisePeak: 1e-4}
	trip, err := job.MeasureRoundTrip(ctx, loop, track.RoundTripOptions{})
	if err != nil {
		return err
	}
	w.res.RoundTrip = trip.Samples
	w.step("latency", "round trip %d samples, as measured (it is %d)", trip.Samples, roomTrip)
	place := func(q timecode.Ratio) int64 { return grid.SampleAt(q, s.SampleRate) }
	run, err := job.SingRun(s, job.SingOptions{})
	if err != nil {
		return err
	}
	for i, l := range example.Layers() {
		w.o.Progress.Show(int64(i), int64(len(example.Layers())), "singing "+Slug(l.Name))
		voice := example.Perform(l, place, s.Reference.Rate, s.SampleRate, run.From, run.To-run.From+int64(s.SampleRate))
		mic := &device.Virtual{Name: "example", SampleRate: s.SampleRate, Microphone: voice, MicrophoneAt: roomTrip}
		sung, err := job.Sing(ctx, w.f, job.SingOptions{Layer: Slug(l.Name), Device: mic, RoundTrip: trip.Samples, RoundTripKnown: take.Measured})
		if err != nil {
			return err
		}
		if len(sung.Take.Dropouts) > 0 {
			return fault.New(fault.Device, "the virtual device lost input while %s was sung", l.Name)
		}
		w.res.Layers++
	}
	w.step("sing", "%d layers sung over the click, each a take of its own", w.res.Layers)
	w.clock("sing")
	return nil
}
