package job

import (
	"context"
	"errors"
	"io"

	"cuechoir/internal/audiofile"
	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// maxSoundFrames bounds a reference's sound: six hours at 96 kHz.
const maxSoundFrames = 6 * 3600 * 96000

// convert copies a sound file to a 24-bit WAV at sampleRate, one or two
// channels as they are and more mixed to one (their mean), and reports its
// length in frames. Memory does not grow with the length.
func convert(ctx context.Context, r *audiofile.Reader, path string, sampleRate int, source string) (int64, error) {
	in := r.Format()
	channels := in.Channels
	if channels > 2 {
		channels = 1
	}
	lanes := make([]*dsp.Resampler, channels)
	if in.SampleRate != sampleRate {
		for i := range lanes {
			var err error
			if lanes[i], err = dsp.NewResampler(in.SampleRate, sampleRate); err != nil {
				return 0, fault.New(fault.Unsupported, "").Because(err).In(source, "")
			}
		}
	}
	var total int64
	err := writeWAV(path, audiofile.Format{SampleRate: sampleRate, Channels: channels, Bits: 24}, nil, func(w *audiofile.Writer) error {
		c := converter{r: r, w: w, lanes: lanes, in: in.Channels, out: channels}
		err := c.run(ctx, source)
		total = w.Frames()
		return err
	})
	return total, err
}

type converter struct {
	r       *audiofile.Reader
	w       *audiofile.Writer
	lanes   []*dsp.Resampler // nil entries: same rate
	in, out int              // channels
	split   [2][]float32
	done    [2][]float32
	mixed   []float32
}

func (c *converter) run(ctx context.Context, source string) error {
	const block = 1 << 14
	buf := make([]float32, block*c.in)
	var read int64
	for {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		n, err := c.r.Read(buf)
		if read += int64(n); read > maxSoundFrames {
			return fault.New(fault.OverLimit, "the sound is longer than six hours").In(source, "").Mended("cut it first")
		}
		c.take(buf[:n*c.in])
		end := errors.Is(err, io.EOF)
		if err != nil && !end {
			return err
		}
		if werr := c.write(end); werr != nil || end {
			return werr
		}
	}
}

// take splits interleaved frames into lanes and resamples them.
func (c *converter) take(x []float32) {
	for ch := range c.out {
		c.split[ch] = c.split[ch][:0]
	}
	for i := 0; i+c.in <= len(x); i += c.in {
		if c.in == c.out {
			for ch := range c.out {
				c.split[ch] = append(c.split[ch], x[i+ch])
			}
			continue
		}
		sum := 0.0
		for _, v := range x[i : i+c.in] {
			sum += float64(v)
		}
		c.split[0] = append(c.split[0], float32(sum/float64(c.in)))
	}
	for ch := range c.out {
		if c.lanes[ch] == nil {
			c.done[ch] = c.split[ch]
		} else {
			c.done[ch] = c.lanes[ch].Push(c.done[ch][:0], c.split[ch])
		}
	}
}

// write interleaves what the lanes have ready; at the end with their tails.
func (c *converter) write(end bool) error {
	for ch := range c.out {
		if end && c.lanes[ch] != nil {
			c.done[ch] = c.lanes[ch].Flush(c.done[ch])
		}
	}
	c.mixed = c.mixed[:0]
	for i := range c.done[0] {
		for ch := range c.out {
			c.mixed = append(c.mixed, c.done[ch][i])
		}
	}
	if len(c.mixed) == 0 {
		return nil
	}
	return c.w.Write(c.mixed)
}
