package job

import (
	"context"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"cuechoir/engine/pack"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/decoder"
	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// PackTakeOptions say what came back. Layer and File are needed.
type PackTakeOptions struct {
	Layer, File string
	Engine      decoder.Engine // for what is no plain sound file
	Progress    Progress
}

// PackTakeResult is the take that was made of it.
type PackTakeResult struct {
	Take      take.Info
	Alignment pack.Alignment
	Notes     []string
}

// A recording may be so much longer than what went out, in seconds: tries and
// waiting.
const packSlackSeconds = 1800

// quietTakeDB is the peak under which a recording is told to be quiet.
const quietTakeDB = -30

// PackTake lays a friend's recording on the timeline as a new take of the
// layer whose pack went out. Errors: Missing (no pack was made), NotMet (its
// place cannot be told, with the reason), and as for reading sound.
func PackTake(ctx context.Context, f *score.Folder, o PackTakeOptions) (PackTakeResult, error) {
	var res PackTakeResult
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	if _, err := Layer(s, o.Layer); err != nil {
		return res, err
	}
	sheet, err := readSheet(f, o.Layer)
	if err != nil {
		return res, err
	}
	if sheet.Layout.SampleRate != s.SampleRate {
		return res, fault.New(fault.Unsupported, "the pack went out at %d Hz, and the score is at %d", sheet.Layout.SampleRate, s.SampleRate).
			In(f.Path(sheetName(o.Layer)), "").Mended("make the pack again: cuechoir pack %s", o.Layer)
	}
	if mapChanged(s, sheet) {
		res.Notes = append(res.Notes, "the map has changed since the pack was made: the take lies where it was sung, by the map of then")
	}
	o.Progress.Show(0, 0, "reading the recording")
	rec, err := readRecording(ctx, o, sheet.Layout)
	if err != nil {
		return res, err
	}
	sent, err := sheet.Sent()
	if err != nil {
		return res, err
	}
	o.Progress.Show(0, 0, "looking for chirps, click and notes")
	if res.Alignment, err = pack.Align(ctx, rec, sent); err != nil {
		return res, named(err, o.File)
	}
	start, x, err := pack.Land(rec, res.Alignment, sheet.Layout)
	if err != nil {
		return res, named(err, o.File)
	}
	if ctx.Err() != nil {
		return res, fault.New(fault.Interrupted, "placing the recording was stopped").Because(ctx.Err())
	}
	res.note(x, start, sheet.Layout)
	res.Take, err = keepElsewhere(f, o, start, x, s.SampleRate, res)
	return res, err
}

// named puts the recording's name on an error.
func named(err error, file string) error {
	return fault.New(fault.KindOf(err), "").In(file, "").Because(err)
}

// readSheet is what went out for a layer.
func readSheet(f *score.Folder, layer string) (pack.Sheet, error) {
	name := sheetName(layer)
	h, err := f.OpenFile(name)
	if fault.KindOf(err) == fault.Missing {
		return pack.Sheet{}, fault.New(fault.Missing, "no pack of layer %s was made here", layer).
			Mended("make one: cuechoir pack %s; or place the recording by hand: cuechoir sing %s --input FILE --at POSITION", layer, layer)
	}
	if err != nil {
		return pack.Sheet{}, err
	}
	defer h.Close()
	text, err := io.ReadAll(io.LimitReader(h, pack.MaxSheetBytes+1))
	if err != nil {
		return pack.Sheet{}, fault.New(fault.Unexpected, "reading what is kept of the pack").In(f.Path(name), "").Because(err)
	}
	return pack.DecodeSheet(text, f.Path(name))
}

// mapChanged says whether the beats of now are others than those that went out.
func mapChanged(s *score.Score, sheet pack.Sheet) bool {
	_, now, err := clickSchedule(s, ClickOptions{Plan: tempo.ClickPlan{NoCountIn: true}})
	if err != nil {
		return true
	}
	var then, beats []int64
	for _, c := range sheet.Clicks {
		if c.Part == 0 && !c.CountIn {
			then = append(then, c.Sample)
		}
	}
	for _, c := range now {
		beats = append(beats, c.Sample)
	}
	return !slices.Equal(then, beats) || s.Length() != sheet.Layout.To
}

// readRecording is the recording, mono, at the layout's rate.
func readRecording(ctx context.Context, o PackTakeOptions, l pack.Layout) ([]float32, error) {
	longest := l.Stop() - l.Start() + int64(packSlackSeconds*l.SampleRate)
	bound := int64(maxSoundFrames) // the decoder's files have no rate of their own here
	if r, err := audiofile.Open(o.File); err == nil {
		bound = longest * int64(r.Format().SampleRate) / int64(l.SampleRate)
		r.Close()
	}
	x, err := anySound(ctx, o.File, l.SampleRate, bound, o.Engine, o.Progress)
	if fault.KindOf(err) == fault.OverLimit || err == nil && int64(len(x)) > longest {
		return nil, tooLong(o.File)
	}
	return x, err
}

func tooLong(file string) *fault.Error {
	return fault.New(fault.OverLimit, "the recording is over half an hour longer than what went out").In(file, "").Mended("cut off what is not the song")
}

// note tells what a person should know of the recording.
func (res *PackTakeResult) note(x []float32, start int64, l pack.Layout) {
	res.Notes = append(res.Notes, res.Alignment.Notes...)
	if start > l.From {
		res.Notes = append(res.Notes, "the recording begins after the count-in does: what was sung before it is not there")
	}
	if start+int64(len(x)) < l.To {
		res.Notes = append(res.Notes, "the recording ends before the music does")
	}
	if peak := dsp.AmplitudeToDB(float64(dsp.Peak(x))); peak < quietTakeDB {
		res.Notes = append(res.Notes, "the recording is quiet: raise the layer's fader, or ask for one nearer to the microphone")
	}
}

// keepElsewhere writes the take.
func keepElsewhere(f *score.Folder, o PackTakeOptions, start int64, x []float32, sampleRate int, res PackTakeResult) (take.Info, error) {
	a := res.Alignment
	known := take.Measured
	if !a.PaceKnown || a.Way == pack.BySung {
		known = take.AssumedZero
	}
	name := filepath.Base(o.File)
	w, err := take.Create(f.Dir, o.Layer, take.Info{
		Start: start, SampleRate: sampleRate, Device: "from elsewhere: " + name, Input: string(a.Way), RoundTripKnown: known,
		Elsewhere: &take.Elsewhere{File: name, Way: string(a.Way), Points: a.Points, PPM: a.PPM, PPMKnown: a.PaceKnown,
			ResidualMs: a.ResidualMs, WithinMs: a.WithinMs, Confidence: a.Confidence, Notes: strings.Join(res.Notes, "; ")},
	})
	if err != nil {
		return take.Info{}, err
	}
	failed := w.Append(x)
	info, err := w.Finish()
	if failed != nil {
		err = failed
	}
	return info, err
}
