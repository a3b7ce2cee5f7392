package bounce

import (
	"fmt"

	"cuechoir/engine/loudness"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// write renders one file: the mix, or the stem of a group. expected, the
// loudness known from the first pass (good to 0.02, as rounding and dither
// come later), goes into the header, which is written before the sound; a
// stem's header leaves loudness unset.
func (j *job) write(out *output, group *string, gainDB float64, expected *loudness.Result) (File, error) {
	f, err := j.out.create(out)
	if err != nil {
		return File{}, err
	}
	format := audiofile.Format{SampleRate: j.o.SampleRate, Channels: 2, Bits: j.o.Bits, Float: j.o.Bits == 32}
	w, err := audiofile.NewWriter(f, format, audiofile.WriterOptions{Name: out.path, Bext: j.bext(group, expected)})
	if err != nil {
		return File{}, j.full(err, out)
	}
	seed := uint64(0)
	if group != nil {
		seed = uint64(out.index)
	}
	q := newQuantizer(j.o.Bits, seed)
	j.stereoMeter.Reset()
	err = j.render(group, gainDB, func(block []float32) error {
		q.quantize(block)
		if err := j.stereoMeter.Push(block); err != nil {
			return err
		}
		return w.Write(block)
	})
	if err != nil {
		return File{}, j.full(err, out)
	}
	j.stereoMeter.Finish()
	if q.clipped > 0 {
		return File{}, fault.New(fault.NotMet, "%d samples of the stem are beyond full scale", q.clipped).In(out.path, "").
			Mended("write 32-bit float, or lower the master gain")
	}
	if err := w.Close(); err != nil {
		return File{}, j.full(err, out)
	}
	if w.Frames() != j.o.Length {
		return File{}, fault.New(fault.Unexpected, "%d samples were written, not %d", w.Frames(), j.o.Length).In(out.path, "")
	}
	if err := j.out.finish(out); err != nil {
		return File{}, err
	}
	file := File{Path: out.path, Loudness: j.stereoMeter.Result()}
	if group != nil {
		file.Group = *group
	}
	return file, nil
}

// full says what a full disk means here: nothing is kept.
func (j *job) full(err error, out *output) error {
	if fault.KindOf(err) == fault.DiskFull {
		return diskFull(out.path, err)
	}
	return err
}

// bext fills the broadcast extension (EBU Tech 3285 v2).
func (j *job) bext(group *string, l *loudness.Result) *audiofile.Bext {
	description := j.o.Description
	if group != nil && *group != "" {
		description = *group + ": " + description
	}
	b := &audiofile.Bext{
		Description:         audiofile.BextText(description, 256),
		Originator:          audiofile.BextText(j.o.Originator, 32),
		OriginatorReference: audiofile.BextText(j.o.OriginatorReference, 32),
		TimeReference:       j.o.TimeReference,
		CodingHistory:       j.codingHistory(),
	}
	if !j.o.Created.IsZero() {
		b.Date, b.Time = j.o.Created.Format("2006-01-02"), j.o.Created.Format("15:04:05")
	}
	if l != nil {
		b.Loudness = &audiofile.Loudness{
			Integrated: audiofile.Hundredths(l.IntegratedLUFS), Range: audiofile.Hundredths(l.RangeLU),
			MaxTruePeak: audiofile.Hundredths(l.TruePeakDBTP), MaxMomentary: audiofile.Hundredths(l.MaxMomentaryLUFS),
			MaxShortTerm: audiofile.Hundredths(l.MaxShortTermLUFS),
		}
	}
	return b
}

// codingHistory follows EBU R 98: algorithm, sampling frequency, word length,
// mode, free text.
func (j *job) codingHistory() string {
	return fmt.Sprintf("A=PCM,F=%d,W=%d,M=stereo,T=%s\r\n", j.o.SampleRate, j.o.Bits, audiofile.BextText(j.o.Originator, 32))
}
