package bounce

import (
	"fmt"
	"math"

	"cuechoir/engine/loudness"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// writing is one file on its way: rounded to the file's grid, measured and
// written, block by block.
type writing struct {
	j     *job
	out   *output
	group *string // nil: the mix
	w     *audiofile.Writer
	q     *quantizer
	m     *loudness.Meter
}

// begin starts a file in what out has open.
func (j *job) begin(out *output, group *string) (*writing, error) {
	x := &writing{j: j, out: out, group: group}
	format := audiofile.Format{SampleRate: j.o.SampleRate, Channels: 2, Bits: j.o.Bits, Float: j.o.Bits == 32}
	var err error
	if x.w, err = audiofile.NewWriter(out.temp, format, audiofile.WriterOptions{Name: out.path, Bext: j.bext(group, nil)}); err != nil {
		return nil, j.full(err, out)
	}
	if x.m, err = loudness.New(loudness.Options{SampleRate: j.o.SampleRate, Channels: 2}); err != nil {
		return nil, err
	}
	x.q = newQuantizer(j.o.Bits, uint64(out.index))
	return x, nil
}

// take rounds, measures and writes a block.
func (x *writing) take(block []float32) error {
	x.q.quantize(block)
	if err := x.m.Push(block); err != nil {
		return err
	}
	return x.write(block)
}

// write writes a block that is rounded.
func (x *writing) write(block []float32) error {
	if err := x.w.Write(block); err != nil {
		return x.j.full(err, x.out)
	}
	return nil
}

// end finishes the file: its header now tells the loudness of what is in it.
func (x *writing) end() (File, error) {
	j, out := x.j, x.out
	x.m.Finish()
	if x.q.clipped > 0 {
		return File{}, fault.New(fault.NotMet, "%d samples of the stem are beyond full scale", x.q.clipped).In(out.path, "").
			Mended("write 32-bit float, or lower the layers")
	}
	file := File{Path: out.path, Loudness: x.m.Result()}
	if x.group != nil {
		file.Group = *x.group
	}
	if err := x.w.SetBext(j.bext(x.group, &file.Loudness)); err != nil {
		return File{}, err
	}
	if err := x.w.Close(); err != nil {
		return File{}, j.full(err, out)
	}
	if x.w.Frames() != j.o.Length {
		return File{}, fault.New(fault.Unexpected, "%d samples were written, not %d", x.w.Frames(), j.o.Length).In(out.path, "")
	}
	return file, nil
}

// stem renders and writes one group's share.
func (j *job) stem(out *output, group string, gainDB float64) (File, error) {
	if _, err := j.out.create(out); err != nil {
		return File{}, err
	}
	x, err := j.begin(out, &group)
	if err != nil {
		return File{}, err
	}
	if err := j.render(&group, gainDB, x.take); err != nil {
		return File{}, err
	}
	file, err := x.end()
	if err != nil {
		return File{}, err
	}
	return file, j.out.finish(out)
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
		if math.IsInf(l.IntegratedLUFS, -1) { // what has no loudness has no range of it
			b.Loudness.Range = audiofile.LoudnessUnset
		}
	}
	return b
}

// codingHistory follows EBU R 98: algorithm, sampling frequency, word length,
// mode, free text.
func (j *job) codingHistory() string {
	return fmt.Sprintf("A=PCM,F=%d,W=%d,M=stereo,T=%s\r\n", j.o.SampleRate, j.o.Bits, audiofile.BextText(j.o.Originator, 32))
}
