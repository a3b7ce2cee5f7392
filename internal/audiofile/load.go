package audiofile

import (
	"io"

	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// DefaultMaxFrames is what ReadAll and ReadMono take when no bound is given:
// one hour at 48 kHz.
const DefaultMaxFrames = 3600 * 48000

// loadBlock is how many frames are read at a time.
const loadBlock = 16384

// ReadAll reads a whole file as interleaved samples. A file of over maxFrames
// frames (0 means DefaultMaxFrames) is refused. A file that lacks a part of
// the sound it promises is an error, too; a recording whose header was never
// closed is read to its end. Errors: as for Open, and OverLimit.
func ReadAll(path string, maxFrames int64) ([]float32, Format, error) {
	var out []float32
	fm, err := load(path, maxFrames, func(fm Format, frames int64) {
		out = make([]float32, 0, max(0, frames)*int64(fm.Channels))
	}, func(_ Format, x []float32) {
		out = append(out, x...)
	})
	if err != nil {
		return nil, fm, err
	}
	return out, fm, nil
}

// ReadMono reads a whole file as the mean of its channels at sampleRate (0:
// as it is). The Format is the file's own; maxFrames bounds the file's frames
// before the change of rate. Errors: as for ReadAll, and Usage for a rate that
// is not resampled to.
func ReadMono(path string, sampleRate int, maxFrames int64) ([]float32, Format, error) {
	var (
		out   []float32
		mono  = make([]float32, 0, loadBlock)
		rate  *dsp.Resampler
		wrong error
	)
	fm, err := load(path, maxFrames, func(fm Format, frames int64) {
		if sampleRate == 0 {
			sampleRate = fm.SampleRate
		}
		if rate, wrong = dsp.NewResampler(fm.SampleRate, sampleRate); wrong == nil {
			out = make([]float32, 0, rate.OutputLength(max(0, frames)))
		}
	}, func(fm Format, x []float32) {
		if wrong == nil {
			mono = mean(mono[:0], x, fm.Channels)
			out = rate.Push(out, mono)
		}
	})
	if err == nil {
		err = wrong
	}
	if err != nil {
		return nil, fm, err
	}
	return rate.Flush(out), fm, nil
}

// mean appends the mean of the channels of each frame.
func mean(dst, x []float32, channels int) []float32 {
	if channels == 1 {
		return append(dst, x...)
	}
	for ; len(x) >= channels; x = x[channels:] {
		sum := 0.0
		for _, v := range x[:channels] {
			sum += float64(v)
		}
		dst = append(dst, float32(sum/float64(channels)))
	}
	return dst
}

// load opens a file, tells its format and length (-1: not known), then gives
// its samples block by block.
func load(path string, maxFrames int64, begin func(Format, int64), each func(Format, []float32)) (Format, error) {
	r, err := Open(path)
	if err != nil {
		return Format{}, err
	}
	defer r.Close()
	fm := r.Format()
	if maxFrames <= 0 {
		maxFrames = DefaultMaxFrames
	}
	over := fault.New(fault.OverLimit, "there are over %d frames of sound", maxFrames).In(path, "").
		Mended("cut the file into shorter ones")
	if r.Frames() > maxFrames {
		return fm, over
	}
	if r.lacks != "" {
		return fm, fault.New(fault.Malformed, "a part of the sound is missing: %s", r.lacks).In(path, "").
			Mended("take another copy; if it is a recording that broke off, have it repaired first")
	}
	begin(fm, r.Frames())
	buf := make([]float32, loadBlock*fm.Channels)
	for got := int64(0); ; {
		n, err := r.Read(buf)
		if got += int64(n); got > maxFrames {
			return fm, over
		}
		each(fm, buf[:n*fm.Channels])
		if err == io.EOF {
			return fm, nil
		}
		if err != nil {
			return fm, err
		}
	}
}
